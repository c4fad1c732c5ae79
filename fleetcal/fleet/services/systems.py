"""Fitting a weighing system to a vehicle, and changing it or its sensors later."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Axle, Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.models.systems import Pivot
from fleetcal.fleet.services.rows import checked_alone, write
from fleetcal.ledger.facts import Register
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft


@dataclass(frozen=True, slots=True)
class JunctionUnit:
    """Where sensors' leads meet: its name on the vehicle, the channels that end in it, where it sits and which way it faces."""

    name: str
    channels: tuple[int, ...]
    place: str = ""
    orientation: str = ""


@dataclass(frozen=True, slots=True)
class NewSensor:
    """`axle` is the axle's number from the front; without `fitted_on` it came with the system, or on the day of the change."""

    serial: str
    channel: int
    axle: int
    side: str
    principle: str
    place: str
    fixing: str
    in_line: bool = True
    pivot: str = Pivot.NONE
    lead_towards_pivot: bool = True
    fitted_on: date | None = None


@dataclass(frozen=True, slots=True)
class NewSystem:
    """`axle_count` is what is set in the display; without it, the vehicle's own."""

    serial: str
    fitted_on: date
    division_kg: Decimal
    mode: str
    supply_v: int
    fuse_a: Decimal
    sensors: tuple[NewSensor, ...] = ()
    axle_count: int | None = None
    clock_set_at: datetime | None = None
    clock_offset_s: int = 0
    junction_units: tuple[JunctionUnit, ...] = ()
    alarm_gross_kg: Decimal | None = None


def system_of(vehicle: Vehicle) -> WeighingSystem | None:
    """The system that is on the vehicle now."""
    return WeighingSystem.objects.filter(vehicle=vehicle, removed_on__isnull=True).first()


def fit_system(draft: NewSystem, *, actor: User, vehicle: Vehicle) -> WeighingSystem:
    """A display and its sensors, from `fitted_on`; the one before comes off on that day, with its sensors."""
    before = system_of(vehicle)
    if before and draft.fitted_on < before.fitted_on:
        raise Refused(
            f"Fitted on {draft.fitted_on}, but display {before.serial}, which is on the vehicle, was fitted on "
            f"{before.fitted_on}: record the earlier one first.",
            field="fitted_on",
        )
    closed = _closed(before, draft.fitted_on) if before else []
    system = _filled(WeighingSystem(vehicle=vehicle), draft, vehicle)
    axles = _axles_of(vehicle)
    sensors = [_sensor(Sensor(system=system), new, axles, draft.fitted_on) for new in draft.sensors]
    _write("system.fitted", vehicle, [*closed, system, *sensors], actor, "")
    return system


def change_system(
    system: WeighingSystem, draft: NewSystem, *, actor: User, on: date | None = None, reason: str = ""
) -> WeighingSystem:
    """The display's values and the sensors as *draft* says. *on* is the day of a change of sensors; values alone need none."""
    vehicle = system.vehicle
    changed = _filled(WeighingSystem.objects.get(pk=system.pk), draft, vehicle)
    sensors = _changed_sensors(changed, draft.sensors, on)
    _write("system.changed", vehicle, [changed, *sensors], actor, reason)
    return changed


def _write(kind: str, vehicle: Vehicle, rows: Sequence[Register], actor: User, reason: str) -> None:
    write([Draft(stream=vehicle.stream, kind=kind, actor=actor.username, rows=list(rows), reason=reason)])


def _filled(system: WeighingSystem, draft: NewSystem, vehicle: Vehicle) -> WeighingSystem:
    _check_channels(draft.sensors, draft.junction_units)
    if draft.alarm_gross_kg is not None and draft.alarm_gross_kg > vehicle.max_gross_kg:
        raise Refused(
            f"The gross alarm point of {draft.alarm_gross_kg:f} kg is above the rating plate's {vehicle.max_gross_kg:f} kg.",
            field="alarm_gross_kg",
        )
    system.serial = draft.serial.strip()
    system.fitted_on = draft.fitted_on
    system.division_kg = draft.division_kg
    system.axle_count = draft.axle_count or Axle.objects.filter(vehicle=vehicle).count()
    system.mode = draft.mode
    system.supply_v = draft.supply_v
    system.fuse_a = draft.fuse_a
    system.clock_set_at = draft.clock_set_at
    system.clock_offset_s = draft.clock_offset_s
    system.junction_units = [
        {
            "name": unit.name,
            "channels": list(unit.channels),
            "place": unit.place,
            "orientation": unit.orientation,
        }
        for unit in draft.junction_units
    ]
    system.alarm_gross_kg = draft.alarm_gross_kg
    return checked_alone(system, without=["vehicle"])


def _changed_sensors(system: WeighingSystem, wanted: Sequence[NewSensor], on: date | None) -> list[Sensor]:
    """Rows for the ledger: what comes off first, so that its channel is free."""
    axles = _axles_of(system.vehicle)
    present = {
        (sensor.serial, sensor.channel): sensor
        for sensor in Sensor.objects.filter(system=system, removed_on__isnull=True)
    }
    # The first sensors of a system came with it; every later one came on a day of its own.
    fitted_on = on or (None if present else system.fitted_on)
    rows = []
    for new in wanted:
        stayed = present.pop((new.serial.strip(), new.channel), None)
        day = new.fitted_on or (stayed.fitted_on if stayed else fitted_on)
        if day is None:
            raise Refused(
                f"Sensor {new.serial} is new on channel {new.channel}: say on which day it was fitted.",
                field="changed_on",
            )
        rows.append(_sensor(stayed or Sensor(system=system), new, axles, day))
    return [*(_taken_off(sensor, on) for sensor in present.values()), *rows]


def _taken_off(sensor: Sensor, on: date | None) -> Sensor:
    if on is None:
        raise Refused(
            f"Sensor {sensor.serial} is no longer on channel {sensor.channel}: say on which day it came off.",
            field="changed_on",
        )
    if on < sensor.fitted_on:
        raise Refused(
            f"Sensor {sensor.serial} on channel {sensor.channel} was fitted on {sensor.fitted_on}; it cannot come off on {on}.",
            field="changed_on",
        )
    sensor.removed_on = on
    return sensor


def _axles_of(vehicle: Vehicle) -> dict[int, Axle]:
    return {axle.number: axle for axle in Axle.objects.filter(vehicle=vehicle)}


def _sensor(sensor: Sensor, new: NewSensor, axles: dict[int, Axle], fitted_on: date) -> Sensor:
    if new.axle not in axles:
        raise Refused(
            f"Channel {new.channel} is put on axle {new.axle}, but the vehicle has axles 1 to {len(axles)}.",
            field="sensors",
        )
    sensor.axle = axles[new.axle]
    sensor.serial = new.serial.strip()
    sensor.channel = new.channel
    sensor.side = new.side
    sensor.principle = new.principle
    sensor.place = new.place
    sensor.in_line = new.in_line
    sensor.pivot = new.pivot
    sensor.lead_towards_pivot = new.lead_towards_pivot
    sensor.fixing = new.fixing
    sensor.fitted_on = new.fitted_on or fitted_on
    return checked_alone(sensor, without=["system", "axle"])


def _check_channels(sensors: Sequence[NewSensor], units: Sequence[JunctionUnit]) -> None:
    """Channels run from one without a gap, none twice; a junction unit takes channels that exist, each in one unit."""
    seen: dict[int, NewSensor] = {}
    for sensor in sensors:
        if sensor.channel in seen:
            other = seen[sensor.channel]
            raise Refused(
                f"Channel {sensor.channel} is given twice: to sensor {other.serial} on axle {other.axle} and to sensor "
                f"{sensor.serial} on axle {sensor.axle}.",
                field="sensors",
            )
        seen[sensor.channel] = sensor
    for channel in range(1, len(seen) + 1):
        if channel not in seen:
            raise Refused(
                f"Channel {channel} has no sensor, though {len(seen)} sensors are given: channels run from 1 without a gap.",
                field="sensors",
            )
    wired: dict[int, str] = {}
    for unit in units:
        for channel in unit.channels:
            if channel not in seen:
                raise Refused(
                    f"Junction unit {unit.name} takes channel {channel}, which no sensor has.",
                    field="junction_units",
                )
            if channel in wired:
                raise Refused(
                    f"Channel {channel} ends in junction units {wired[channel]} and {unit.name}: it can end in one.",
                    field="junction_units",
                )
            wired[channel] = unit.name


def _closed(system: WeighingSystem, on: date) -> list[Register]:
    sensors = list(Sensor.objects.filter(system=system, removed_on__isnull=True))
    for sensor in sensors:
        sensor.removed_on = max(on, sensor.fitted_on)
    system.removed_on = on
    return [system, *sensors]
