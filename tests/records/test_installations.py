from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from fleetcal.fleet.models import Sensor
from fleetcal.fleet.services.systems import NewSystem, change_system
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.records.models import Installation, SensorBond
from fleetcal.records.models.installations import InstallationItem
from fleetcal.records.readiness import open_items, readiness_of
from fleetcal.records.services.installations import BondDraft, record_installation
from tests.calibration_factories import BONDED_AT, CALIBRATED_AT, installation_draft, make_installation
from tests.factories import make_policy, make_system, make_user, make_vehicle, sensor_drafts

pytestmark = pytest.mark.django_db


def test_an_installation_is_recorded_with_every_sensor_and_stands_in_the_ledger() -> None:
    installation = make_installation()

    entry = entries_of(installation.vehicle.stream)[-1]
    assert entry.kind == "installation.recorded"
    assert [row["id"] for row in entry.data["rows"]["records.installation"]] == [str(installation.pk)]
    assert len(entry.data["rows"]["records.sensorbond"]) == SensorBond.objects.count() == 3
    assert installation.open_items == ["cured"]


def test_nothing_is_open_once_the_bond_has_cured() -> None:
    vehicle = make_installation().vehicle

    assert open_items(vehicle, CALIBRATED_AT) == ()
    assert [state.item for state in open_items(vehicle, BONDED_AT + timedelta(hours=71))] == [
        InstallationItem.CURED
    ]


def test_what_stays_open_is_recorded_as_open() -> None:
    installation = make_installation(clock_is_set=False, channels_recognised=False)

    assert installation.open_items == ["recognised", "clock", "cured"]
    assert [state.item.value for state in open_items(installation.vehicle, CALIBRATED_AT)] == [
        "recognised",
        "clock",
    ]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"alarm_gross_kg": Decimal(26_001)},
            "26.001 kg, must be above 0 and not above the plate's 26.000 kg",
        ),
        ({"alarm_gross_kg": Decimal(0)}, "must be above 0"),
        ({"alarm_axles_kg": {2: Decimal(11_501)}}, "axle 2, 11.501 kg"),
        ({"alarm_axles_kg": {4: Decimal(5_000)}}, "no axle 4; the vehicle has 3"),
        ({"happened_at": BONDED_AT - timedelta(days=3)}, "fitted on 3 Apr 2023"),
        ({"happened_at": BONDED_AT + timedelta(days=40_000)}, "in the future"),
    ],
)
def test_it_refuses_what_cannot_be_and_leaves_nothing(change: dict[str, Any], words: str) -> None:
    make_policy()
    system = make_system(make_vehicle())
    before = count_of(system.vehicle.stream)

    with pytest.raises(Refused, match=words):
        record_installation(installation_draft(system, **change), actor=make_user())

    assert not Installation.objects.exists()
    assert count_of(system.vehicle.stream) == before


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"surface_temperature": Decimal("300.00"), "temperature_unit": "F"}, "not between -76 and 248"),
        ({"pressed_min": Decimal(2000)}, "pressed for 2000 min"),
        ({"bonded_at": BONDED_AT + timedelta(days=40_000)}, "in the future"),
    ],
)
def test_it_refuses_a_bond_that_cannot_be(change: dict[str, Any], words: str) -> None:
    make_policy()
    system = make_system(make_vehicle())
    sensor = Sensor.objects.filter(system=system).order_by("channel").first()
    assert sensor
    draft = installation_draft(system, bonds=(BondDraft(sensor.pk, **change),))

    with pytest.raises(Refused, match=f"Channel 1: .*{words}"):
        record_installation(draft, actor=make_user())


def test_it_refuses_another_vehicles_system() -> None:
    make_policy()
    system, other = make_system(make_vehicle()), make_vehicle("KJ-300")

    with pytest.raises(Refused, match="not one of that vehicle's"):
        record_installation(installation_draft(system, vehicle_id=other.pk), actor=make_user())


def test_a_correction_needs_a_reason_and_takes_the_place_of_the_first_record() -> None:
    first = make_installation(clock_is_set=False)

    with pytest.raises(Refused, match="Say why"):
        make_installation(supersedes_id=first.pk)
    second = make_installation(supersedes_id=first.pk, reason="the clock was set, and not ticked")

    assert list(Installation.objects.standing()) == [second]
    assert entries_of(first.vehicle.stream)[-1].kind == "record.corrected"
    with pytest.raises(Refused, match="corrected or withdrawn already"):
        make_installation(supersedes_id=first.pk, reason="again")


def test_without_a_system_or_an_installation_the_readiness_says_what_to_do() -> None:
    make_policy()
    vehicle = make_vehicle()
    assert "enter the display first" in readiness_of(vehicle, CALIBRATED_AT).problem

    make_system(vehicle)
    assert "record it first" in readiness_of(vehicle, CALIBRATED_AT).problem


def test_a_sensor_that_was_replaced_since_leaves_its_place_open() -> None:
    installation = make_installation()
    drafts = list(sensor_drafts(installation.vehicle))
    drafts[0] = replace(drafts[0], serial="S-900")
    system = installation.system
    changed = NewSystem(
        serial=system.serial,
        fitted_on=system.fitted_on,
        division_kg=system.division_kg,
        mode=system.mode,
        supply_v=system.supply_v,
        fuse_a=system.fuse_a,
        sensors=tuple(drafts),
    )
    change_system(system, changed, actor=make_user(), on=date(2023, 4, 20))

    states = {state.item: state.text for state in open_items(installation.vehicle, CALIBRATED_AT)}
    assert "channel 1" in states[InstallationItem.CHANNELS]
