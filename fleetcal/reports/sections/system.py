"""The weighing systems that were fitted in the period, and how they were installed."""

from collections.abc import Iterable

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models import Sensor, WeighingSystem
from fleetcal.records.models import Installation, SensorBond
from fleetcal.records.models.installations import InstallationItem
from fleetcal.reports.audit_trail import AuditRecord, AuditTrail
from fleetcal.reports.composer import Column, Composer
from fleetcal.reports.figures import number_text, yes_no
from fleetcal.reports.sections.records import foot_of, title_of


def write_system(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.heading("Weighing system")
    if not trail.systems:
        story.append(compose.text("No weighing system was fitted in this period."))
    for system in trail.systems:
        story += _system(system, compose)
    story += compose.subheading("How it was installed")
    if not trail.installations:
        story.append(compose.text("No installation is on record in this period."))
    for record in trail.installations:
        story += _installation(record, trail, compose)
    return story


def _system(system: WeighingSystem, compose: Composer) -> list[Flowable]:
    offset_s = system.clock_offset_s
    ahead = f"{abs(offset_s)} s {'ahead of' if offset_s > 0 else 'behind'} true time" if offset_s else ""
    clock = ", ".join(part for part in (compose.moment(system.clock_set_at), ahead) if part)
    alarm = f"{compose.mass(system.alarm_gross_kg)} {compose.unit}" if system.alarm_gross_kg else ""
    facts = [
        ("Division of the display", f"{compose.mass(system.division_kg)} {compose.unit}"),
        ("Weighing mode", f"{system.get_mode_display()}, {system.axle_count} axles set"),
        ("Supply and fuse", f"{system.supply_v} V, {number_text(system.fuse_a)} A"),
        ("Clock set", clock),
        ("Alarm point, gross", alarm),
        ("Junction units", "\n".join(_unit(unit) for unit in system.junction_units)),
    ]
    until = f", removed on {day_text(system.removed_on)}" if system.removed_on else ""
    columns = [
        Column("Channel", 10, "number"),
        Column("Serial", 15),
        Column("Axle", 6, "number"),
        Column("Side", 8),
        Column("Principle", 11),
        Column("Place", 27),
        Column("Fixing", 9),
        Column("In place", 16),
    ]
    rows = [
        [
            str(sensor.channel),
            sensor.serial,
            str(sensor.axle.number),
            sensor.get_side_display(),
            sensor.get_principle_display(),
            _place(sensor),
            sensor.get_fixing_display(),
            f"{day_text(sensor.fitted_on)}{f' to {day_text(sensor.removed_on)}' if sensor.removed_on else ''}",
        ]
        for sensor in system.sensors.all()
    ]
    return [
        *compose.subheading(f"Display {system.serial}, fitted on {day_text(system.fitted_on)}{until}"),
        compose.facts(facts),
        *compose.table(columns, rows, "Sensors"),
    ]


def _unit(unit: dict[str, object]) -> str:
    channels = unit.get("channels")
    numbers = ", ".join(map(str, channels)) if isinstance(channels, list) else ""
    where = ", ".join(str(unit[name]) for name in ("place", "orientation") if unit.get(name))
    return f"{unit.get('name', '')}: channels {numbers}{f'; {where}' if where else ''}"


def _place(sensor: Sensor) -> str:
    parts = [sensor.get_place_display()]
    if sensor.pivot != "none":
        lead = "towards" if sensor.lead_towards_pivot else "away from"
        parts.append(f"{sensor.get_pivot_display()}, lead {lead} it")
    if not sensor.in_line:
        parts.append("across the chassis")
    return ", ".join(parts)


def _installation(record: AuditRecord[Installation], trail: AuditTrail, compose: Composer) -> list[Flowable]:
    row = record.row
    labels = dict(InstallationItem.choices)
    left_open = "; ".join(str(labels.get(code, code)) for code in row.open_items)
    facts = [
        ("Clock set", yes_no(row.clock_is_set)),
        ("Supply fused close to the battery", yes_no(row.supply_fused)),
        ("Junction units sheltered and within reach", yes_no(row.units_sheltered)),
        ("Channels recognised one at a time", yes_no(row.channels_recognised)),
        ("Alarm points", _alarms(row, trail, compose)),
        ("Left open when it was recorded", left_open or "nothing"),
    ]
    columns = [
        Column("Channel", 10, "number"),
        Column("Bonded or fixed at", 20),
        Column("Surface ready", 10),
        Column("Surface temperature", 14, "number"),
        Column("Warmed first", 9),
        Column("Pressed, min", 11, "number"),
        Column("Supported", 12),
        Column("Free travel", 9),
        Column("Lead: slack, clear, labelled", 18),
    ]
    rows = [_bond(bond, compose) for bond in sorted(row.bonds.all(), key=lambda bond: bond.sensor.channel)]
    return [
        *compose.subheading(title_of(record, trail, f"display {row.system.serial} installed")),
        compose.facts(facts),
        *(compose.table(columns, rows, "How each sensor was put in place") if rows else []),
        *foot_of(record, compose),
    ]


def _bond(bond: SensorBond, compose: Composer) -> list[str]:
    temperature = (
        ""
        if bond.surface_temperature is None
        else f"{number_text(bond.surface_temperature)} °{bond.temperature_unit}"
    )
    leads = (bond.lead_has_slack, bond.lead_is_clear, bond.lead_is_labelled)
    return [
        str(bond.sensor.channel),
        compose.moment(bond.bonded_at) or "not recorded",
        yes_no(bond.surface_ready),
        temperature,
        yes_no(bond.was_warmed),
        "" if bond.pressed_min is None else number_text(bond.pressed_min),
        yes_no(bond.was_supported),
        yes_no(bond.travel_is_free),
        ", ".join(yes_no(lead) for lead in leads),
    ]


def _alarms(row: Installation, trail: AuditTrail, compose: Composer) -> str:
    """Each beside its maximum on the rating plate."""
    return "\n".join(_alarm_lines(row, trail, compose))


def _alarm_lines(row: Installation, trail: AuditTrail, compose: Composer) -> Iterable[str]:
    plate = {axle.number: axle.max_kg for axle in trail.shape.axles}
    if row.alarm_gross_kg is not None:
        yield _alarm("gross", row.alarm_gross_kg, float(trail.vehicle.max_gross_kg), compose)
    for number, value in sorted(row.alarm_axles_kg.items(), key=lambda pair: int(pair[0])):
        yield _alarm(f"axle {number}", value, plate.get(int(number)), compose)


def _alarm(name: str, value_kg: object, plate_kg: float | None, compose: Composer) -> str:
    value = str(value_kg)
    told = f"{name} {compose.mass(value)} {compose.unit}"
    if plate_kg is None:
        return told
    verdict = "above the rating plate" if float(value) > plate_kg else "rating plate"
    return f"{told} ({verdict} {compose.mass(plate_kg)} {compose.unit})"
