from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Sensor, WeighingSystem
from fleetcal.fleet.services.systems import system_of
from tests.factories import make_policy, make_system, make_vehicle, signed_in

pytestmark = pytest.mark.django_db


def as_sent(context: Any, **changes: Any) -> dict[str, Any]:
    """What a browser sends back for the page with this context, with *changes*; keys are the fields' names in HTML."""
    forms = [context["form"]]
    for formset in (context["sensors"], context["units"]):
        forms += [formset.management_form, *formset.forms]
    sent = {bound.html_name: bound.value() for form in forms for bound in form}
    return {
        key: value for key, value in {**sent, **changes}.items() if value is not None and value is not False
    }


NEW = {
    "serial": "D-3003",
    "fitted_on": "2024-02-01",
    "division_kg": "20",
    "sensors-0-serial": "S-1",
    "sensors-1-serial": "S-2",
    "sensors-2-serial": "S-3",
    "units-0-name": "JU1",
    "units-0-channels": "1 + 2+3",
}


def test_the_page_proposes_the_usual_sensors_and_a_system_is_fitted(client: Client) -> None:
    make_policy()
    vehicle = make_vehicle()
    page = reverse("system_edit", args=[vehicle.pk])
    shown = signed_in(client).get(page)
    assert shown.content.count(b"<h1>") == 1
    assert [form["place"].value() for form in shown.context["sensors"].forms] == [
        "spring",
        "spring",
        "air line",
    ]
    response = client.post(page, as_sent(shown.context, **NEW))
    assert response["Location"] == reverse("vehicle", args=[vehicle.pk])
    system = system_of(vehicle)
    assert system
    assert (system.serial, system.axle_count, system.sensors.count()) == ("D-3003", 3, 3)
    assert system.junction_units[0]["channels"] == [1, 2, 3]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sensors-1-serial": ""}, "Channel 2 has no sensor"),
        ({"units-0-channels": "1+9"}, "JU1 takes channel 9"),
        ({"alarm_gross_kg": "26001"}, "above the rating plate"),
        ({"units-0-channels": "one"}, "no list of channels"),
        ({"units-0-name": ""}, "Give the unit a name"),
        ({"division_kg": ""}, "This field is required"),
    ],
)
def test_a_system_that_cannot_be_comes_back_with_what_was_typed(
    client: Client, changes: dict[str, str], words: str
) -> None:
    page = reverse("system_edit", args=[make_vehicle().pk])
    shown = signed_in(client).get(page)
    response = client.post(page, as_sent(shown.context, **{**NEW, **changes}))
    assert response.status_code == 200
    assert words in response.content.decode()
    assert b'value="D-3003"' in response.content
    assert not WeighingSystem.objects.exists()


def test_a_sensor_is_replaced_on_the_page(client: Client) -> None:
    vehicle = make_vehicle()
    make_system(vehicle)
    page = reverse("system_edit", args=[vehicle.pk])
    context = signed_in(client).get(page).context
    without_day = client.post(page, as_sent(context, **{"sensors-0-serial": "S-901"}))
    assert "changed_on" in without_day.context["form"].errors
    response = client.post(
        page,
        as_sent(context, **{"sensors-0-serial": "S-901", "changed_on": "2025-06-02", "reason": "cracked"}),
    )
    assert response.status_code == 302
    assert Sensor.objects.get(serial="S-001").removed_on == date(2025, 6, 2)
    assert b"S-001" in client.get(page).content


def test_what_is_shown_can_be_sent_back_unchanged(client: Client) -> None:
    vehicle = make_vehicle()
    make_system(vehicle)
    before = list(Sensor.objects.values_list())
    page = reverse("system_edit", args=[vehicle.pk])
    context = signed_in(client).get(page).context
    assert client.post(page, as_sent(context)).status_code == 302
    after = list(Sensor.objects.values_list())
    assert [row[0:1] + row[2:] for row in after] == [row[0:1] + row[2:] for row in before]


def test_another_display_takes_the_place_of_the_one_before(client: Client) -> None:
    vehicle = make_vehicle()
    before = make_system(vehicle)
    page = reverse("system_new", args=[vehicle.pk])
    context = signed_in(client).get(page).context
    assert client.post(page, as_sent(context, **NEW)).status_code == 302
    before.refresh_from_db()
    assert before.removed_on == date(2024, 2, 1)
    assert b"D-1001" in client.get(reverse("system_edit", args=[vehicle.pk])).content


def test_more_channels_are_asked_for_in_the_url(client: Client) -> None:
    page = reverse("system_edit", args=[make_vehicle().pk])
    signed_in(client)
    assert len(client.get(page, {"sensors": "5"}).context["sensors"].forms) == 5
    assert len(client.get(page, {"sensors": "999"}).context["sensors"].forms) == 64
    assert len(client.get(page, {"sensors": "few"}).context["sensors"].forms) == 3


@pytest.mark.parametrize("name", ["system_edit", "system_new"])
@pytest.mark.parametrize("role", ["clerk", "workshop", "technician", "compliance"])
def test_who_does_not_keep_the_register_changes_no_system(client: Client, role: str, name: str) -> None:
    page = reverse(name, args=[make_vehicle().pk])
    assert signed_in(client, role=role).post(page, NEW).status_code == 403


def test_the_limits_stand_beside_plate_and_alarm_points_with_the_words_that_local_rules_decide(
    client: Client,
) -> None:
    vehicle = make_vehicle(layout="trailer3")
    page = reverse("vehicle_limits", args=[vehicle.pk])
    assert "No weighing system is on record" in signed_in(client, role="clerk").get(page).content.decode()
    make_system(vehicle)
    shown = client.get(page)
    text = shown.content.decode()
    assert text.count("<h1>") == 1
    assert "local rules and permits, and the rating plate, decide" in text
    (_, europe), (_, states) = shown.context["tables"]
    # 1 310 mm between the axles: tridem of 24 t (96/53/EC Annex I); 2 620 mm is a group of not more than 8 ft 7 in.
    tridem = next(row for row in europe if row.axles == "1 to 3" and "tridem" in row.finding.rule_name)
    assert (tridem.finding.limit_kg, tridem.plate_kg, tridem.is_lower) == (24_000, 24_000, False)
    assert {row.axles for row in states} == {"1", "2", "3", "1 to 2", "2 to 3", "1 to 3"}
    assert [(row.subject, row.alarm_kg) for row in shown.context["alarms"]][:2] == [
        ("gross", 24_000),
        ("axle 1", None),
    ]
