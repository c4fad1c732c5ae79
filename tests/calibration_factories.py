"""Installations and calibrations for tests, made through the services with fixed values."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Instrument, Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.selectors import shape_of
from fleetcal.records.models import Calibration, Installation
from fleetcal.records.services.calibrations import CalibrationDraft, record_calibration
from fleetcal.records.services.installations import BondDraft, InstallationDraft, record_installation
from fleetcal.records.worksheet import Conditions, Sheet, SheetReading, Stop
from tests.factories import make_instrument, make_policy, make_system, make_user, make_vehicle

BONDED_AT = datetime(2023, 4, 3, 9, 0, tzinfo=UTC)
CALIBRATED_AT = datetime(2023, 5, 2, 9, 0, tzinfo=UTC)
CONDITIONS = Conditions(
    slope_percent=Decimal("0.20"),
    wind_m_s=Decimal("2.0"),
    brakes_released=True,
    ride_height_settled=True,
    is_level=True,
)
# Axle by axle, empty and at 26 000 kg, on the three axles of the "rigid3" layout.
EMPTY_KG = {1: 5100, 2: 3400, 3: 1900}
LOADED_KG = {1: 7700, 2: 10700, 3: 7000}


def settled_bond(sensor: Sensor, **fields: Any) -> BondDraft:
    bond = BondDraft(
        sensor_id=sensor.pk,
        bonded_at=BONDED_AT,
        surface_ready=True,
        surface_temperature=Decimal("68.00"),
        temperature_unit="F",
        pressed_min=Decimal(5),
        was_supported=True,
        travel_is_free=True,
        lead_has_slack=True,
        lead_is_clear=True,
        lead_is_labelled=True,
    )
    return replace(bond, **fields)


def installation_draft(system: WeighingSystem, **fields: Any) -> InstallationDraft:
    """Everything settled; *fields* are those of `InstallationDraft`."""
    shape = shape_of(system.vehicle)
    sensors = Sensor.objects.filter(system=system, removed_on__isnull=True)
    draft = InstallationDraft(
        vehicle_id=system.vehicle_id,
        system_id=system.pk,
        happened_at=BONDED_AT,
        bonds=tuple(settled_bond(sensor) for sensor in sensors),
        clock_is_set=True,
        supply_fused=True,
        units_sheltered=True,
        channels_recognised=True,
        alarm_gross_kg=Decimal(str(shape.max_gross_kg)),
        alarm_axles_kg={axle.number: Decimal(str(axle.max_kg)) for axle in shape.axles},
    )
    return replace(draft, **fields)


def make_installation(
    vehicle: Vehicle | None = None, *, actor: User | None = None, **fields: Any
) -> Installation:
    """A fitted system with everything settled, under the default policy."""
    make_policy()
    vehicle = vehicle or make_vehicle()
    system = WeighingSystem.objects.filter(vehicle=vehicle, removed_on__isnull=True).first() or make_system(
        vehicle
    )
    return record_installation(installation_draft(system, **fields), actor=actor or make_user())


def bridge_readings(
    state: str, weights_kg: Mapping[int, int], instrument_id: UUID, at: datetime, first: int = 1
) -> tuple[SheetReading, ...]:
    """Driving on and off a bridge: 1, 1+2, … all, then without 1, without 1 and 2, …; exact readings, three minutes apart."""
    axles = tuple(sorted(weights_kg))
    covers = [axles[: n + 1] for n in range(len(axles))] + [axles[n:] for n in range(1, len(axles))]
    return tuple(
        SheetReading(
            number=first + n,
            state=state,
            method="bridge",
            instrument_id=instrument_id,
            axles=covered,
            value_kg=Decimal(sum(weights_kg[axle] for axle in covered)),
            read_at=at + timedelta(minutes=3 * n),
        )
        for n, covered in enumerate(covers)
    )


def complete_sheet(instrument: Instrument, at: datetime = CALIBRATED_AT, **fields: Any) -> Sheet:
    """A worksheet of the "rigid3" vehicle whose every rule is met, begun at *at*; *fields* are those of `Sheet`."""
    empty = bridge_readings("empty", EMPTY_KG, instrument.pk, at)
    loaded = bridge_readings(
        "loaded", LOADED_KG, instrument.pk, at + timedelta(hours=2), first=len(empty) + 1
    )
    ticks = ("empty level", "tare group 1", "tare group 2", "slope zero", "channels zero")
    sheet = Sheet(
        conditions=CONDITIONS,
        readings=(*empty, *loaded),
        ticks=(*ticks, "loaded level", "taught group 1", "taught group 2"),
        stop_a=Stop(at + timedelta(hours=1), "t.osgarde", {}),
        stop_b=Stop(at + timedelta(hours=3), "t.osgarde", {}),
    )
    return replace(sheet, **fields)


def calibration_draft(
    vehicle: Vehicle, at: datetime = CALIBRATED_AT, *, sheet: Sheet | None = None, **fields: Any
) -> CalibrationDraft:
    draft = CalibrationDraft(
        vehicle_id=vehicle.pk,
        started_at=at,
        concluded_at=at + timedelta(hours=4),
        sheet=sheet or complete_sheet(make_instrument(), at),
    )
    return replace(draft, **fields)


def make_calibration(
    vehicle: Vehicle | None = None, at: datetime = CALIBRATED_AT, *, actor: User | None = None, **fields: Any
) -> Calibration:
    """An accepted calibration of a "rigid3" vehicle, which gets an installation if it has none."""
    vehicle = vehicle or make_vehicle()
    if not Installation.objects.filter(vehicle=vehicle).exists():
        make_installation(vehicle)
    return record_calibration(calibration_draft(vehicle, at, **fields), actor=actor or make_user())
