from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.selectors import entries_of
from fleetcal.records.models import Installation, SensorBond
from tests.calibration_factories import make_installation
from tests.factories import make_depot, make_policy, make_system, make_user, make_vehicle

pytestmark = pytest.mark.django_db


def signed_in(role: str = "technician", **fields: Any) -> Client:
    client = Client()
    client.force_login(make_user(f"{role}.one", role=role, **fields))
    return client


def elsewhere() -> Client:
    return signed_in("technician", depots=(make_depot("FEN"),))


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    return make_system(make_vehicle()).vehicle


def typed(**changes: str) -> dict[str, str]:
    """Everything settled, on the three channels of the "rigid3" layout; two bonded and one piped."""
    data = {
        "happened_at": "2023-04-03T15:00",
        "channels_recognised": "on",
        "units_sheltered": "on",
        "supply_fused": "on",
        "clock_is_set": "on",
        "alarm_gross_kg": "26 000",
        "alarm_axle_1": "8000",
        "alarm_axle_2": "11500",
        "alarm_axle_3": "7500",
    }
    for channel in (1, 2, 3):
        data |= {
            f"channel{channel}-bonded_at": "2023-04-03T09:00",
            f"channel{channel}-surface_ready": "on",
            f"channel{channel}-surface_temperature": "18,5",
            f"channel{channel}-temperature_unit": "C",
            f"channel{channel}-pressed_min": "5",
            f"channel{channel}-was_supported": "on",
            f"channel{channel}-travel_is_free": "on",
            f"channel{channel}-lead_has_slack": "on",
            f"channel{channel}-lead_is_clear": "on",
            f"channel{channel}-lead_is_labelled": "on",
        }
    return {name: text for name, text in (data | changes).items() if text}


def test_it_records_an_installation_and_shows_that_nothing_is_open(vehicle: Vehicle) -> None:
    client = signed_in()

    answer = client.post(reverse("installation_new", args=[vehicle.pk]), typed(), follow=True)

    installation = Installation.objects.get()
    assert answer.redirect_chain[-1][0] == reverse("installation", args=[installation.pk])
    assert "Nothing that the policy waits for is open" in answer.content.decode()
    assert [str(bond.surface_temperature) for bond in SensorBond.objects.order_by("sensor__channel")][:2] == [
        "18.50"
    ] * 2
    assert installation.entered["alarm_gross_kg"] == "26 000"
    assert entries_of(vehicle.stream)[-1].kind == "installation.recorded"


def test_what_is_left_open_is_shown_with_what_to_do(vehicle: Vehicle) -> None:
    answer = signed_in().post(
        reverse("installation_new", args=[vehicle.pk]),
        typed(clock_is_set="", **{"channel1-pressed_min": "3"}),
        follow=True,
    )

    page = answer.content.decode()
    assert "A calibration cannot start" in page
    assert "Set the display&#x27;s clock" in page
    assert "Press for at least 5 min: channel 1" in page


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"alarm_gross_kg": "26001"}, "alarm_gross_kg", "not above the plate"),
        ({"alarm_axle_2": "11600"}, "alarm_axle_2", "not above the plate"),
        ({"happened_at": "2023-04-01T09:00"}, "happened_at", "fitted on 3 Apr 2023"),
        ({"happened_at": ""}, "happened_at", "required"),
    ],
)
def test_a_refusal_stands_beside_its_field_and_nothing_is_kept(
    vehicle: Vehicle, change: dict[str, str], field: str, words: str
) -> None:
    answer = signed_in().post(reverse("installation_new", args=[vehicle.pk]), typed(**change))

    assert words in " ".join(answer.context["form"].errors[field])
    assert not Installation.objects.exists()


def test_a_number_that_is_none_is_refused_beside_its_sensor(vehicle: Vehicle) -> None:
    data = typed(**{"channel2-surface_temperature": "warm"})
    answer = signed_in().post(reverse("installation_new", args=[vehicle.pk]), data)

    assert "is not a number" in answer.content.decode()
    assert not Installation.objects.exists()


def test_the_form_shows_the_plate_and_lower_published_limits_as_information(vehicle: Vehicle) -> None:
    page = signed_in().get(reverse("installation_new", args=[vehicle.pk])).content.decode()

    assert page.count("<h1") == 1
    assert "published limits below the rating plate" in page
    assert "Never work under a vehicle" in page


def test_without_a_system_it_says_what_to_do_first() -> None:
    make_policy()
    page = signed_in().get(reverse("installation_new", args=[make_vehicle().pk])).content.decode()

    assert "Enter the display and its sensors first" in page


def test_a_correction_takes_its_place_with_a_reason() -> None:
    first = make_installation(clock_is_set=False)
    url = reverse("installation_correct", args=[first.pk])
    client = signed_in()
    assert 'value="26000"' in client.get(url).content.decode()

    assert "reason" in client.post(url, typed()).context["form"].errors
    answer = client.post(url, typed(reason="the clock was set that day"), follow=True)

    assert "This corrects" in answer.content.decode()
    assert list(Installation.objects.standing()) == [Installation.objects.get(supersedes=first)]
    assert "was corrected" in client.get(reverse("installation", args=[first.pk])).content.decode()


def test_another_depots_vehicle_does_not_exist() -> None:
    installation = make_installation()
    client = elsewhere()

    for name, pk in (
        ("installation_new", installation.vehicle_id),
        ("installation", installation.pk),
        ("installation_correct", installation.pk),
    ):
        assert client.get(reverse(name, args=[pk])).status_code == 404
        assert client.post(reverse(name, args=[pk]), typed()).status_code in (404, 405)
    assert Installation.objects.count() == 1


@pytest.mark.parametrize("role", ["compliance", "clerk", "workshop"])
def test_a_role_without_the_capability_is_refused_but_may_read(role: str) -> None:
    installation = make_installation()
    client = signed_in(role)

    assert (
        client.post(reverse("installation_new", args=[installation.vehicle_id]), typed()).status_code == 403
    )
    assert client.post(reverse("installation_correct", args=[installation.pk]), typed()).status_code == 403
    assert client.get(reverse("installation", args=[installation.pk])).status_code == 200
    assert Installation.objects.count() == 1


def test_the_page_of_a_record_is_not_written_to() -> None:
    installation = make_installation()

    assert signed_in().post(reverse("installation", args=[installation.pk])).status_code == 405
