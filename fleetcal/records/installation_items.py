"""What a recorded installation settles, item by item, and what it leaves open (common practice, no source).

Everything is read from the rows that are handed in; nothing here asks the database or a clock.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from uuid import UUID

from fleetcal.fleet.models import PolicyVersion, Sensor, WeighingSystem
from fleetcal.fleet.models.systems import Fixing, Pivot, Side, WeighingMode
from fleetcal.fleet.models.vehicles import Suspension
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.records.acceptance_rules import write_mass
from fleetcal.records.models.installations import Installation, InstallationItem, SensorBond

Item = InstallationItem


@dataclass(frozen=True, slots=True)
class ItemState:
    """One item: settled, open (False), or nothing to settle on this vehicle (None). *text* says what to do while it is open."""

    item: InstallationItem
    settled: bool | None
    text: str
    numbers: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_open(self) -> bool:
        return self.settled is False


@dataclass(frozen=True, slots=True)
class Fitting:
    """A weighing system as it stood: sensors with their axle loaded, bonds by sensor, and later bondings from repairs."""

    shape: VehicleShape
    system: WeighingSystem
    sensors: tuple[Sensor, ...]
    installation: Installation
    bonds: Mapping[UUID, SensorBond]
    policy: PolicyVersion
    rebonded_at: tuple[datetime, ...] = ()

    def bonded_sensors(self) -> list[Sensor]:
        return [sensor for sensor in self.sensors if sensor.fixing == Fixing.BONDED]

    def bond(self, sensor: Sensor) -> SensorBond | None:
        return self.bonds.get(sensor.pk)


def list_items(fitting: Fitting, at: datetime, unit: str = "kg") -> tuple[ItemState, ...]:
    """Every item in the order of `InstallationItem`, as it stands at the moment *at*; masses are told in *unit*."""
    families = (
        _judge_channels,
        _judge_recognised,
        _judge_axles,
        _judge_pairs,
        _judge_surface,
        _judge_temperature,
        _judge_pressed,
        _judge_supported,
        _judge_travel,
        _judge_leads,
        _judge_units,
        _judge_supply,
        _judge_clock,
    )
    return (
        *(judge(fitting) for judge in families),
        _judge_alarm_gross(fitting, unit),
        _judge_alarm_axles(fitting, unit),
        _judge_cured(fitting, at),
    )


def slope_sense(sensor: Sensor) -> int:
    """The sense of slope compensation that a sensor's place gives: +1 or -1, and 0 where the slope does not matter.

    Being on the other side of the pivot turns the sense, and so does a lead that leaves away from it.
    """
    if sensor.pivot == Pivot.NONE:
        return 0
    sense = 1 if sensor.pivot == Pivot.AHEAD else -1
    return sense if sensor.lead_towards_pivot else -sense


def senses_by_axle(sensors: tuple[Sensor, ...]) -> dict[int, set[int]]:
    """The senses on each axle; more than one on an axle works against itself."""
    found: dict[int, set[int]] = {}
    for sensor in sensors:
        found.setdefault(sensor.axle.number, set()).add(slope_sense(sensor))
    return found


def convert_temperature(value: Decimal, unit: str, to: str) -> Decimal:
    """A temperature in °F or °C in the other unit, exactly."""
    if unit == to:
        return value
    return value * 9 / 5 + 32 if to == "F" else (value - 32) * 5 / 9


def _state(item: InstallationItem, problem: str, settled_text: str, **numbers: object) -> ItemState:
    text = problem or settled_text
    return ItemState(item, not problem, text, {name: str(value) for name, value in numbers.items()})


def _not_applicable(item: InstallationItem, text: str) -> ItemState:
    return ItemState(item, None, text)


def _name(sensors: list[Sensor]) -> str:
    return ", ".join(f"channel {sensor.channel}" for sensor in sorted(sensors, key=lambda s: s.channel))


def _judge_channels(fitting: Fitting) -> ItemState:
    problem = "; ".join(_channel_problems(fitting))
    count = len(fitting.sensors)
    return _state(Item.CHANNELS, problem, f"{count} channels, numbered 1 to {count}", channels=count)


def _channel_problems(fitting: Fitting) -> Iterator[str]:
    channels = Counter(sensor.channel for sensor in fitting.sensors)
    if not channels:
        yield "No sensor is on record: enter the sensors of this weighing system"
        return
    twice = sorted(channel for channel, count in channels.items() if count > 1)
    if twice:
        yield f"Channel {', '.join(map(str, twice))} is given twice"
    gaps = sorted(set(range(1, max(channels) + 1)) - set(channels))
    if gaps:
        yield f"Channel {', '.join(map(str, gaps))} is missing"
    with_sensor = {sensor.axle.number for sensor in fitting.sensors}
    for group in fitting.shape.groups:
        if not with_sensor.intersection(group.axles):
            yield f"Axle group {group.position} has no sensor"
    unrecorded = [sensor for sensor in fitting.sensors if fitting.bond(sensor) is None]
    if unrecorded:
        yield f"How {_name(unrecorded)} was put in place is not recorded"


def _judge_recognised(fitting: Fitting) -> ItemState:
    done = fitting.installation.channels_recognised
    problem = (
        "" if done else "Connect the junction units one at a time and see that the display finds each channel"
    )
    return _state(Item.RECOGNISED, problem, "Connected and recognised one at a time")


def _judge_axles(fitting: Fitting) -> ItemState:
    count, axles, mode = fitting.system.axle_count, len(fitting.shape.axles), fitting.system.mode
    problem = ""
    if count != axles:
        problem = f"The display is set to {count} axles, the vehicle has {axles}"
    elif mode == WeighingMode.AXLE:
        with_sensor = {sensor.axle.number for sensor in fitting.sensors}
        bare = [str(axle.number) for axle in fitting.shape.axles if axle.number not in with_sensor]
        if bare:
            problem = f"One value per axle is set, but axle {', '.join(bare)} has no sensor of its own"
    return _state(
        Item.AXLES, problem, f"{count} axles, {fitting.system.get_mode_display()}", set=count, vehicle=axles
    )


def _judge_pairs(fitting: Fitting) -> ItemState:
    problems = []
    steel = [group for group in fitting.shape.groups if group.suspension == Suspension.STEEL]
    for axle in (number for group in steel for number in group.axles):
        sides = Counter(sensor.side for sensor in fitting.sensors if sensor.axle.number == axle)
        if sides != Counter({str(Side.LEFT): 1, str(Side.RIGHT): 1}):
            found = ", ".join(f"{count} {side}" for side, count in sorted(sides.items())) or "none"
            problems.append(f"axle {axle} needs one sensor on each side and has {found}")
    senses = senses_by_axle(fitting.sensors)
    mixed = [str(axle) for axle, found in sorted(senses.items()) if len(found) > 1]
    if mixed:
        problems.append(
            f"the sensors of axle {', '.join(mixed)} compensate the slope in different senses: "
            "mount them on the same side of the pivot with their leads the same way"
        )
    if not steel and not problems:
        return _not_applicable(Item.PAIRS, "No steel-sprung axle")
    text = "; ".join(problems)
    return _state(Item.PAIRS, text[:1].upper() + text[1:], "One on each side of every steel-sprung axle")


def _judge_surface(fitting: Fitting) -> ItemState:
    mounted = [sensor for sensor in fitting.sensors if sensor.fixing != Fixing.PIPED]
    return _judge_flag(fitting, Item.SURFACE, "surface_ready", mounted, "Clean, dry and flatten the faces of")


def _judge_supported(fitting: Fitting) -> ItemState:
    return _judge_flag(
        fitting, Item.SUPPORTED, "was_supported", fitting.bonded_sensors(), "Not supported while curing:"
    )


def _judge_travel(fitting: Fitting) -> ItemState:
    sensors = list(fitting.sensors)
    return _judge_flag(fitting, Item.TRAVEL, "travel_is_free", sensors, "Clear the spring's whole travel at")


def _judge_flag(
    fitting: Fitting, item: InstallationItem, name: str, sensors: list[Sensor], what: str
) -> ItemState:
    if not sensors:
        return _not_applicable(item, "No sensor of this kind")
    missing = [sensor for sensor in sensors if not getattr(fitting.bond(sensor), name, False)]
    return _state(
        item, f"{what} {_name(missing)}" if missing else "", f"Confirmed for {len(sensors)} sensors"
    )


def _judge_temperature(fitting: Fitting) -> ItemState:
    sensors = fitting.bonded_sensors()
    if not sensors:
        return _not_applicable(Item.TEMPERATURE, "No bonded sensor")
    limit, unit = fitting.policy.min_bond_temperature, fitting.policy.min_bond_temperature_unit
    problems = []
    for sensor in sensors:
        bond = fitting.bond(sensor)
        if bond is None or bond.surface_temperature is None:
            problems.append(f"measure the surface at channel {sensor.channel}")
            continue
        found = convert_temperature(bond.surface_temperature, bond.temperature_unit, unit)
        if found < limit and not bond.was_warmed:
            problems.append(
                f"channel {sensor.channel} was bonded at {found:.1f} °{unit} and not warmed first"
            )
    text = "; ".join(problems)
    return _state(
        Item.TEMPERATURE,
        text[:1].upper() + text[1:],
        f"At least {limit.normalize():f} °{unit}, or warmed first",
        limit=limit,
        unit=unit,
    )


def _judge_pressed(fitting: Fitting) -> ItemState:
    sensors = fitting.bonded_sensors()
    if not sensors:
        return _not_applicable(Item.PRESSED, "No bonded sensor")
    least = fitting.policy.min_press_minutes
    short = [sensor for sensor in sensors if _pressed_min(fitting, sensor) < least]
    problem = f"Press for at least {least} min: {_name(short)}" if short else ""
    return _state(Item.PRESSED, problem, f"At least {least} min each", least_min=least)


def _pressed_min(fitting: Fitting, sensor: Sensor) -> Decimal:
    bond = fitting.bond(sensor)
    return Decimal(0) if bond is None or bond.pressed_min is None else bond.pressed_min


def _judge_leads(fitting: Fitting) -> ItemState:
    problems = []
    for name, what in (
        ("lead_has_slack", "give just the slack that travel needs"),
        ("lead_is_clear", "keep clear of sharp and hot parts"),
        ("lead_is_labelled", "label at both ends"),
    ):
        missing = [s for s in fitting.sensors if not getattr(fitting.bond(s), name, False)]
        if missing:
            problems.append(f"{what}: {_name(missing)}")
    text = "; ".join(problems)
    return _state(Item.LEADS, text[:1].upper() + text[1:], "Slack, clear and labelled at both ends")


def _judge_units(fitting: Fitting) -> ItemState:
    done = fitting.installation.units_sheltered
    return _state(
        Item.UNITS,
        "" if done else "Place the junction units sheltered and within the leads' reach",
        "In place",
    )


def _judge_supply(fitting: Fitting) -> ItemState:
    most, fuse = fitting.policy.fuse_a, fitting.system.fuse_a
    problem = ""
    if not fitting.installation.supply_fused:
        problem = "Fuse the supply lead close to the battery"
    elif not 0 < fuse <= most:
        problem = f"A fuse of {fuse.normalize():f} A is fitted; at most {most.normalize():f} A"
    return _state(
        Item.SUPPLY,
        problem,
        f"{fitting.system.supply_v} V, fuse {fuse.normalize():f} A",
        fuse_a=fuse,
        most_a=most,
    )


def _judge_clock(fitting: Fitting) -> ItemState:
    done = fitting.installation.clock_is_set
    return _state(Item.CLOCK, "" if done else "Set the display's clock", "Set")


def _alarm_limit_kg(fitting: Fitting, plate_kg: float) -> Decimal:
    share: Decimal = fitting.policy.alarm_margin_percent / 100
    return Decimal(str(plate_kg)) * share


def _judge_alarm_gross(fitting: Fitting, unit: str) -> ItemState:
    limit = _alarm_limit_kg(fitting, fitting.shape.max_gross_kg)
    point = fitting.installation.alarm_gross_kg
    problem = _alarm_problem("gross", point, limit, unit)
    settled = f"{write_mass(point or 0, unit)} of {write_mass(limit, unit)}"
    return _state(Item.ALARM_GROSS, problem, settled, point_kg=point, limit_kg=limit)


def _judge_alarm_axles(fitting: Fitting, unit: str) -> ItemState:
    points = fitting.installation.alarm_axles_kg
    problems = []
    for axle in fitting.shape.axles:
        text = points.get(str(axle.number))
        point = None if text is None else Decimal(text)
        limit = _alarm_limit_kg(fitting, axle.max_kg)
        problems.append(_alarm_problem(f"axle {axle.number}", point, limit, unit))
    problem = "; ".join(text for text in problems if text)
    return _state(Item.ALARM_AXLES, problem, f"Set for {len(fitting.shape.axles)} axles")


def _alarm_problem(subject: str, point_kg: Decimal | None, limit_kg: Decimal, unit: str) -> str:
    limit = write_mass(limit_kg, unit)
    if point_kg is None:
        return f"Set the alarm point of {subject} to {limit} or less"
    if point_kg > limit_kg:
        return f"The alarm point of {subject} is {write_mass(point_kg, unit)}; the policy allows {limit}"
    return ""


def _judge_cured(fitting: Fitting, at: datetime) -> ItemState:
    sensors = fitting.bonded_sensors()
    if not sensors:
        return _not_applicable(Item.CURED, "No bonded sensor")
    undated = [s for s in sensors if (bond := fitting.bond(s)) is None or bond.bonded_at is None]
    if undated:
        return _state(Item.CURED, f"When was it bonded? {_name(undated)}", "")
    moments = [bond.bonded_at for s in sensors if (bond := fitting.bond(s)) and bond.bonded_at]
    hours = fitting.policy.cure_hours
    cured_at = max([*moments, *(moment for moment in fitting.rebonded_at if moment <= at)]) + timedelta(
        hours=hours
    )
    left_h = (cured_at - at) / timedelta(hours=1)
    problem = f"Full bond after {hours} h: {left_h:.1f} h more" if left_h > 0 else ""
    return _state(Item.CURED, problem, f"More than {hours} h old", cured_at=cured_at.isoformat(), hours=hours)
