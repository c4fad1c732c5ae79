from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import shape_of
from tests.factories import make_depot, make_policy, make_vehicle, signed_in

pytestmark = pytest.mark.django_db


def filled(**changes: Any) -> dict[str, Any]:
    """A three-axle rigid as the page sends it; axle 3 joins the group of axle 2."""
    form = {
        "registration": "kj-204",
        "fleet_number": "17",
        "vin": "",
        "kind": "rigid",
        "depot": str(make_depot().pk),
        "registered_on": "",
        "in_service_on": "2023-03-01",
        "max_gross_kg": "26 000",
        "axles-TOTAL_FORMS": "3",
        "axles-INITIAL_FORMS": "3",
        "axles-0-max_kg": "8000",
        "axles-0-suspension": "steel",
        "axles-0-group_max_kg": "",
        "axles-0-is_steered": "on",
        "axles-1-max_kg": "11500",
        "axles-1-spacing_mm": "4500",
        "axles-1-suspension": "air",
        "axles-1-group_max_kg": "18000",
        "axles-1-is_driven": "on",
        "axles-1-has_twin_tyres": "on",
        "axles-2-max_kg": "7500",
        "axles-2-spacing_mm": "1370",
        "axles-2-suspension": "joins",
        "axles-2-group_max_kg": "",
        "axles-2-is_lift": "on",
    }
    return {**form, **changes}


def test_a_vehicle_is_registered_with_its_axles(client: Client) -> None:
    make_policy()
    response = signed_in(client).post(reverse("vehicle_new"), filled())
    vehicle = Vehicle.objects.get()
    assert response["Location"] == reverse("vehicle", args=[vehicle.pk])
    shape = shape_of(vehicle)
    assert (shape.registration, shape.max_gross_kg) == ("KJ-204", 26_000)
    assert [(g.suspension, g.max_kg, g.axles) for g in shape.groups] == [
        ("steel", 8_000, (1,)),
        ("air", 18_000, (2, 3)),
    ]
    assert [axle.number for axle in shape.axles if axle.is_lift] == [3]


def test_the_number_of_axles_is_asked_first(client: Client) -> None:
    signed_in(client)
    first = client.get(reverse("vehicle_new"))
    assert b"Number of axles" in first.content
    second = client.get(reverse("vehicle_new"), {"axles": "4"})
    assert len(second.context["axles"].forms) == 4
    assert second.content.count(b"<h1>") == 1
    for wrong in ("0", "13", "many"):
        assert b"Number of axles" in client.get(reverse("vehicle_new"), {"axles": wrong}).content


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"max_gross_kg": "27001"}, "max_gross_kg"),
        ({"max_gross_kg": "heavy"}, "max_gross_kg"),
        ({"vin": "SHORT"}, "vin"),
        ({"registration": ""}, "registration"),
        ({"in_service_on": "1800-01-01"}, "in_service_on"),
    ],
)
def test_an_error_stands_beside_its_field_and_keeps_what_was_typed(
    client: Client, changes: dict[str, str], place: str
) -> None:
    response = signed_in(client).post(reverse("vehicle_new"), filled(**changes))
    assert response.status_code == 200
    assert place in response.context["form"].errors
    assert b'value="4500"' in response.content
    assert not Vehicle.objects.exists()


@pytest.mark.parametrize(
    ("changes", "axle", "place"),
    [
        ({"axles-1-spacing_mm": ""}, 1, "spacing_mm"),
        ({"axles-1-max_kg": ""}, 1, "max_kg"),
        ({"axles-2-group_max_kg": "9000"}, 2, "group_max_kg"),
        ({"axles-0-suspension": "joins"}, 0, "suspension"),
        ({"axles-2-suspension": ""}, 2, "suspension"),
    ],
)
def test_an_axle_that_cannot_be_has_its_error(
    client: Client, changes: dict[str, str], axle: int, place: str
) -> None:
    response = signed_in(client).post(reverse("vehicle_new"), filled(**changes))
    assert place in response.context["axles"].forms[axle].errors


def test_a_form_without_axles_is_refused(client: Client) -> None:
    signed_in(client)
    for total in ("0", "13", "x"):
        response = client.post(reverse("vehicle_new"), filled(**{"axles-TOTAL_FORMS": total}))
        assert response.status_code == 200
        assert not Vehicle.objects.exists()


def test_pounds_are_typed_by_who_reads_pounds(client: Client) -> None:
    pounds = {
        "max_gross_kg": "57320",
        "axles-0-max_kg": "17637",
        "axles-1-max_kg": "25353",
        "axles-2-max_kg": "16535",
    }
    signed_in(client, unit="lb").post(
        reverse("vehicle_new"), filled(**pounds, **{"axles-1-group_max_kg": ""})
    )
    # 57 320 lb × 0.453 592 37 kg
    assert str(Vehicle.objects.get().max_gross_kg) == "25999.915"


def test_a_vehicle_is_changed_on_its_page(client: Client) -> None:
    vehicle = make_vehicle()
    page = reverse("vehicle_edit", args=[vehicle.pk])
    shown = signed_in(client).get(page)
    assert shown.content.count(b"<h1>") == 1
    assert [form["suspension"].value() for form in shown.context["axles"].forms] == ["steel", "air", "joins"]
    response = client.post(page, filled(retired_on="2025-01-01", reason="sold", registration="KJ-299"))
    assert response.status_code == 302
    vehicle.refresh_from_db()
    assert (vehicle.registration, str(vehicle.retired_on)) == ("KJ-299", "2025-01-01")
    assert len(client.get(page, {"axles": "4"}).context["axles"].forms) == 4


def test_what_is_shown_can_be_sent_back_unchanged(client: Client) -> None:
    vehicle = make_vehicle()
    before = shape_of(vehicle)
    page = reverse("vehicle_edit", args=[vehicle.pk])
    context = signed_in(client).get(page).context
    sent = {
        bound.html_name: bound.value()
        for form in (context["form"], context["axles"].management_form, *context["axles"].forms)
        for bound in form
        if bound.value() is not None and bound.value() is not False
    }
    assert client.post(page, sent).status_code == 302
    assert shape_of(vehicle) == before


def test_a_vehicle_of_another_depot_is_not_found(client: Client) -> None:
    vehicle = make_vehicle(depot=make_depot("FEN"))
    signed_in(client, "m.ferrowby", depots=(make_depot("MIL"),))
    for name in ("vehicle_edit", "system_edit", "system_new", "vehicle_limits"):
        page = reverse(name, args=[vehicle.pk])
        assert client.get(page).status_code == 404
    assert client.post(reverse("vehicle_edit", args=[vehicle.pk]), filled()).status_code == 404


def test_a_vehicle_is_not_registered_at_a_depot_of_others(client: Client) -> None:
    signed_in(client, "m.ferrowby", depots=(make_depot("MIL"),))
    response = client.post(reverse("vehicle_new"), filled(depot=str(make_depot("FEN").pk)))
    assert "depot" in response.context["form"].errors


@pytest.mark.parametrize("role", ["clerk", "workshop", "technician", "compliance"])
def test_who_does_not_keep_the_register_changes_no_vehicle(client: Client, role: str) -> None:
    vehicle = make_vehicle()
    signed_in(client, role=role)
    assert client.post(reverse("vehicle_new"), filled()).status_code == 403
    assert client.post(reverse("vehicle_edit", args=[vehicle.pk]), filled()).status_code == 403


def test_the_list_is_filtered_by_what_the_url_says(client: Client) -> None:
    mil, fen = make_depot("MIL"), make_depot("FEN")
    make_vehicle("KJ-1", layout="rigid3", depot=mil)
    make_vehicle("KJ-2", layout="trailer3", depot=fen)
    make_vehicle("KJ-3", layout="rigid4", depot=fen, vin="0BTABCDEFGH123456")
    signed_in(client)

    def found(**query: str) -> list[str]:
        return [
            row.record.registration
            for row in client.get(reverse("vehicle_list"), query).context["table"].rows
        ]

    assert found() == ["KJ-1", "KJ-2", "KJ-3"]
    assert found(sort="-registration") == ["KJ-3", "KJ-2", "KJ-1"]
    assert found(q="kj 2") == ["KJ-2"]
    assert found(q="0btabc") == ["KJ-3"]
    assert found(depot=str(fen.pk)) == ["KJ-2", "KJ-3"]
    assert found(kind="trailer") == ["KJ-2"]
    assert found(suspension="mixed") == ["KJ-1"]
    assert found(suspension="steel") == ["KJ-3"]
    assert found(standing="overdue") == []
    assert found(service="retired") == []
    assert found(kind="boat") == ["KJ-1", "KJ-2", "KJ-3"]


def test_the_list_shows_standings_and_what_the_person_may_see(client: Client) -> None:
    make_policy()
    mil, fen = make_depot("MIL"), make_depot("FEN")
    make_vehicle("KJ-2", depot=fen)
    signed_in(client, "m.ferrowby", depots=(mil,))
    assert client.post(reverse("vehicle_new"), filled()).status_code == 302
    shown = client.get(reverse("vehicle_list")).content.decode()
    assert "KJ-204" in shown
    assert "KJ-2<" not in shown


def test_the_list_takes_the_same_few_queries_however_long_it_is(
    client: Client, django_assert_max_num_queries: Any
) -> None:
    for number in range(12):
        make_vehicle(f"KJ-{number}")
    signed_in(client)
    with django_assert_max_num_queries(12):
        assert client.get(reverse("vehicle_list")).status_code == 200


def test_the_list_is_exported_as_filtered(client: Client) -> None:
    make_vehicle("KJ-1")
    make_vehicle("KJ-2", layout="trailer3")
    response = signed_in(client).get(reverse("vehicle_list"), {"export": "csv", "kind": "trailer"})
    lines = response.content.decode("utf-8-sig").splitlines()
    assert len(lines) == 2
    assert lines[1].startswith("KJ-2,FKJ-2,trailer,air,24000")
    assert client.get(reverse("vehicle_list"), {"export": "pdf"}).status_code == 404


def test_an_empty_register_says_what_to_do_first(client: Client) -> None:
    assert b"Register the first one" in signed_in(client).get(reverse("vehicle_list")).content
