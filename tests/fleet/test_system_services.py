from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from fleetcal.fleet.models import Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.services.systems import (
    JunctionUnit,
    NewSensor,
    NewSystem,
    change_system,
    fit_system,
    system_of,
)
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.verification import verify
from tests.factories import FITTED_ON, make_system, make_vehicle, registrar, sensor_drafts

pytestmark = pytest.mark.django_db
LATER = date(2025, 6, 2)


def draft_for(vehicle: Vehicle, **fields: Any) -> NewSystem:
    draft = NewSystem(
        serial="D-2002",
        fitted_on=LATER,
        division_kg=Decimal(20),
        mode="group",
        supply_v=24,
        fuse_a=Decimal(3),
        sensors=sensor_drafts(vehicle),
    )
    return replace(draft, **fields)


def present_on(system: WeighingSystem) -> list[Sensor]:
    return list(Sensor.objects.filter(system=system, removed_on__isnull=True).order_by("channel"))


def test_a_system_is_fitted_with_its_sensors_in_one_entry() -> None:
    vehicle = make_vehicle()
    system = make_system(vehicle)
    assert (system.axle_count, system.removed_on) == (3, None)
    assert [(s.channel, s.axle.number, s.side) for s in system.sensors.select_related("axle")] == [
        (1, 1, "left"),
        (2, 1, "right"),
        (3, 2, "centre"),
    ]
    assert system.junction_units[0]["channels"] == [1, 2, 3]
    assert [entry.kind for entry in entries_of(vehicle.stream)] == ["vehicle.registered", "system.fitted"]
    assert list(verify()) == []


def test_the_system_before_comes_off_with_its_sensors_on_the_day_the_next_is_fitted() -> None:
    vehicle = make_vehicle()
    before = make_system(vehicle)
    after = fit_system(draft_for(vehicle), actor=registrar(), vehicle=vehicle)
    before.refresh_from_db()
    assert before.removed_on == LATER
    assert set(before.sensors.values_list("removed_on", flat=True)) == {LATER}
    assert system_of(vehicle) == after
    assert list(verify()) == []


def test_a_system_fitted_before_the_one_on_the_vehicle_is_refused_with_both_days() -> None:
    vehicle = make_vehicle()
    make_system(vehicle)
    with pytest.raises(Refused, match=r"2023-01-01.*D-1001.*2023-04-03"):
        fit_system(draft_for(vehicle, fitted_on=date(2023, 1, 1)), actor=registrar(), vehicle=vehicle)
    assert WeighingSystem.objects.count() == 1


def sensor(channel: int, axle: int = 1, side: str = "left") -> NewSensor:
    return NewSensor(f"S-{channel}", channel, axle, side, "strain", "spring", "bonded")


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        (
            {"sensors": (sensor(1), sensor(1, 2))},
            "sensors",
            "Channel 1 is given twice: to sensor S-1 on axle 1 .* on axle 2",
        ),
        ({"sensors": (sensor(1), sensor(3))}, "sensors", "Channel 2 has no sensor, though 2 sensors"),
        ({"sensors": (sensor(1, axle=4),)}, "sensors", "axle 4, but the vehicle has axles 1 to 3"),
        ({"sensors": (replace(sensor(1), side="top"),)}, "side", "not a valid choice"),
        (
            {"junction_units": (JunctionUnit("JU1", (4,)),)},
            "junction_units",
            "JU1 takes channel 4, which no sensor has",
        ),
        (
            {"junction_units": (JunctionUnit("JU1", (1, 2)), JunctionUnit("JU2", (2, 3)))},
            "junction_units",
            "Channel 2 ends in junction units JU1 and JU2",
        ),
        ({"alarm_gross_kg": Decimal(26_001)}, "alarm_gross_kg", "26001 kg is above the rating plate's 26000"),
        ({"division_kg": Decimal(0)}, "division_kg", "greater than or equal to"),
        ({"supply_v": 48}, "supply_v", "not a valid choice"),
        ({"axle_count": 13}, "axle_count", "less than or equal to 12"),
    ],
)
def test_a_system_that_cannot_be_is_refused_and_leaves_nothing(
    change: dict[str, Any], field: str, words: str
) -> None:
    vehicle = make_vehicle()
    with pytest.raises(Refused, match=words) as refusal:
        fit_system(draft_for(vehicle, **change), actor=registrar(), vehicle=vehicle)
    assert refusal.value.field == field
    assert len(entries_of(vehicle.stream)) == 1
    assert not WeighingSystem.objects.exists()


def test_a_replaced_sensor_stays_on_record_with_the_day_it_came_off() -> None:
    vehicle = make_vehicle()
    system = make_system(vehicle)
    first, *others = sensor_drafts(vehicle)
    changed = draft_for(
        vehicle, serial="D-1001", fitted_on=FITTED_ON, sensors=(replace(first, serial="S-901"), *others)
    )
    change_system(system, changed, actor=registrar(), on=LATER, reason="cracked")
    assert [(s.serial, s.fitted_on) for s in present_on(system)] == [
        ("S-901", LATER),
        ("S-002", FITTED_ON),
        ("S-003", FITTED_ON),
    ]
    assert Sensor.objects.get(serial="S-001").removed_on == LATER
    assert entries_of(vehicle.stream)[-1].reason == "cracked"
    assert list(verify()) == []


def test_two_sensors_that_change_places_are_taken_off_and_put_on() -> None:
    vehicle = make_vehicle()
    system = make_system(vehicle)
    left, right, air = sensor_drafts(vehicle)
    swapped = (replace(left, serial=right.serial), replace(right, serial=left.serial), air)
    changed = draft_for(vehicle, serial="D-1001", fitted_on=FITTED_ON, sensors=swapped)
    change_system(system, changed, actor=registrar(), on=LATER)
    assert [s.serial for s in present_on(system)] == ["S-002", "S-001", "S-003"]
    assert Sensor.objects.count() == 5


def test_values_of_the_display_change_without_a_day_and_sensors_do_not() -> None:
    vehicle = make_vehicle()
    system = make_system(vehicle)
    draft = draft_for(vehicle, serial="D-1001", fitted_on=FITTED_ON, clock_offset_s=-90)
    assert change_system(system, draft, actor=registrar(), reason="the clock was slow").clock_offset_s == -90
    assert Sensor.objects.filter(removed_on__isnull=False).count() == 0
    with pytest.raises(Refused, match="S-003 is no longer on channel 3: say on which day") as refusal:
        change_system(system, replace(draft, sensors=draft.sensors[:2]), actor=registrar())
    assert refusal.value.field == "changed_on"
    more = (*draft.sensors, sensor(4, axle=2))
    with pytest.raises(Refused, match="S-4 is new on channel 4: say on which day"):
        change_system(system, replace(draft, sensors=more), actor=registrar())
    with pytest.raises(Refused, match="was fitted on 2023-04-03; it cannot come off on 2023-01-01"):
        change_system(
            system, replace(draft, sensors=draft.sensors[:2]), actor=registrar(), on=date(2023, 1, 1)
        )


def test_the_first_sensors_of_a_system_came_with_it() -> None:
    vehicle = make_vehicle()
    bare = fit_system(draft_for(vehicle, sensors=()), actor=registrar(), vehicle=vehicle)
    change_system(bare, draft_for(vehicle), actor=registrar())
    assert set(bare.sensors.values_list("fitted_on", flat=True)) == {LATER}
