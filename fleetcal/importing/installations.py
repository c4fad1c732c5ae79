"""installations.csv: weighing systems as they were fitted, one line per sensor.

The columns *units_sheltered* and *lead_slack* may be missing from older lists. Then a list that names the junction units stands for
their being in place, and free travel for the slack of the lead, which is a part of it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from decimal import Decimal
from itertools import groupby
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.fleet.days import day_text
from fleetcal.fleet.models import Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.models.systems import Fixing, Pivot, Place, Principle, Side, WeighingMode
from fleetcal.fleet.services.systems import JunctionUnit, NewSensor, NewSystem, fit_system
from fleetcal.importing.cells import in_zone
from fleetcal.importing.findings import Candidate, Findings, RowProblem
from fleetcal.importing.headings import Body
from fleetcal.importing.plates import PlateBook, refuse_future
from fleetcal.importing.problems import Problem
from fleetcal.importing.rows import LineProblem, OwnRow, on_line, refuse_other
from fleetcal.records.models import ImportedFile, Installation
from fleetcal.records.services.installations import BondDraft, InstallationDraft, record_installation

HEADINGS = (
    "registration", "system_serial", "fitted_on", "division_kg", "mode", "supply_v", "fuse_a", "clock_set_at", "clock_offset_s",
    "junction_units", "alarm_gross_kg", "alarm_axles_kg", "sensor_serial", "channel", "axle", "side", "principle", "place", "in_line",
    "pivot", "lead_towards_pivot", "fixing", "bonded_at", "surface_clean", "temperature", "temperature_unit", "warmed_first",
    "pressed_min", "supported_while_curing", "free_travel", "clear_of_heat", "labelled", "recognised_singly",
)  # fmt: skip
# What every line of one system must say alike.
OF_SYSTEM = HEADINGS[:12]


@dataclass(frozen=True, slots=True)
class BondRow:
    """How the sensor on *channel* was put in place; the sensor itself has no id before it is recorded."""

    channel: int
    draft: BondDraft


@dataclass(frozen=True, slots=True)
class FittedSystem:
    vehicle_id: UUID
    registration: str
    system: NewSystem
    bonds: tuple[BondRow, ...]
    happened_at: datetime
    units_sheltered: bool
    recognised_singly: bool
    alarm_axles_kg: dict[int, Decimal]


def read(body: Body, *, actor: User, now: datetime) -> Findings:
    """A draft for every system that is not on record; the lines of one system stand together."""
    plates = PlateBook(actor)
    known_systems = set(
        Installation.objects.values_list("vehicle_id", "system__serial", "system__fitted_on").distinct()
    )
    found: list[Candidate[FittedSystem]] = []
    known: list[int] = []
    problems: list[Problem] = list(body.problems)
    rows = [OwnRow(line, cells, plates.zone_of(cells.get("registration"))) for line, cells in body.records]
    for _, lines in groupby(rows, key=lambda row: (row.text("registration"), row.text("system_serial"))):
        group = list(lines)
        try:
            draft = read_system(group, plates, now)
            if (draft.vehicle_id, draft.system.serial, draft.system.fitted_on) in known_systems:
                known += [row.line for row in group]
            else:
                found.append(Candidate(tuple(row.line for row in group), draft))
        except LineProblem as problem:
            problems.append(problem.cause.at(problem.line))
    found.sort(key=lambda each: each.draft.system.fitted_on)
    return Findings(tuple(found), tuple(problems), tuple(known), body.skipped)


def read_system(group: Sequence[OwnRow], plates: PlateBook, now: datetime) -> FittedSystem:
    first = group[0]
    system = on_line(first, lambda row: _system(row, ()))
    vehicle = on_line(first, lambda row: plates.find(row.text("registration", required=True), "registration"))
    for row in group[1:]:
        on_line(row, lambda other: refuse_other(other, first, OF_SYSTEM))
    sensors = tuple(on_line(row, _sensor) for row in group)
    bonds = tuple(on_line(row, _bond) for row in group)
    happened_at = on_line(first, lambda row: _finished_at(row, system, bonds, now))
    return FittedSystem(
        vehicle_id=vehicle.id,
        registration=vehicle.registration,
        system=on_line(first, lambda row: _system(row, sensors)),
        bonds=bonds,
        happened_at=happened_at,
        units_sheltered=on_line(first, _units_sheltered),
        recognised_singly=all(on_line(row, lambda each: each.answer("recognised_singly")) for row in group),
        alarm_axles_kg=on_line(first, lambda row: dict(enumerate(row.numbers("alarm_axles_kg"), start=1))),
    )


def record(
    drafts: Sequence[Candidate[FittedSystem]],
    *,
    actor: User,
    file: ImportedFile | None,
    progress: Callable[[int], None] | None = None,
) -> set[UUID]:
    """Each system is fitted, then its installation recorded: two entries in the vehicle's stream."""
    vehicles = Vehicle.objects.in_bulk([each.draft.vehicle_id for each in drafts])
    for done, each in enumerate(drafts, start=1):
        draft, vehicle = each.draft, vehicles[each.draft.vehicle_id]
        system = _fitted_before(draft) or fit_system(draft.system, actor=actor, vehicle=vehicle)
        record_installation(_installation(draft, system, each.lines[0], file), actor=actor)
        if progress:
            progress(done)
    return set(vehicles)


def describe(draft: FittedSystem) -> str:
    count = len(draft.bonds)
    return (
        f"{draft.registration}: display {draft.system.serial}, fitted on {day_text(draft.system.fitted_on)}, "
        f"{count} sensor{'s' if count > 1 else ''}"
    )


def _fitted_before(draft: FittedSystem) -> WeighingSystem | None:
    """The display may stand in the register already, entered by hand, with nobody having said how it was fitted."""
    return WeighingSystem.objects.filter(
        vehicle=draft.vehicle_id, serial=draft.system.serial, fitted_on=draft.system.fitted_on
    ).first()


def _installation(
    draft: FittedSystem, system: WeighingSystem, line: int, file: ImportedFile | None
) -> InstallationDraft:
    sensors = dict(Sensor.objects.filter(system=system, removed_on__isnull=True).values_list("channel", "pk"))
    return InstallationDraft(
        vehicle_id=draft.vehicle_id,
        system_id=system.pk,
        happened_at=draft.happened_at,
        bonds=tuple(
            replace(bond.draft, sensor_id=sensors[bond.channel])
            for bond in draft.bonds
            if bond.channel in sensors
        ),
        clock_is_set=draft.system.clock_set_at is not None,
        supply_fused=draft.system.fuse_a > 0,
        units_sheltered=draft.units_sheltered,
        channels_recognised=draft.recognised_singly,
        alarm_gross_kg=draft.system.alarm_gross_kg,
        alarm_axles_kg=draft.alarm_axles_kg,
        note=f"From {file.name}, line {line}." if file else "",
    )


def _system(row: OwnRow, sensors: tuple[NewSensor, ...]) -> NewSystem:
    return NewSystem(
        serial=row.text("system_serial", required=True),
        fitted_on=row.needed_day("fitted_on"),
        division_kg=row.needed_number("division_kg"),
        mode=row.word("mode", tuple(WeighingMode.values)),
        supply_v=row.needed_count("supply_v"),
        fuse_a=row.needed_number("fuse_a"),
        sensors=sensors,
        clock_set_at=row.moment("clock_set_at"),
        clock_offset_s=int(row.number("clock_offset_s") or 0),
        junction_units=_junction_units(row) if sensors else (),
        alarm_gross_kg=row.number("alarm_gross_kg"),
    )


def _junction_units(row: OwnRow) -> tuple[JunctionUnit, ...]:
    units = []
    for part in row.parts("junction_units"):
        name, colon, channels = part.partition(":")
        if not colon or not all(each.isascii() and each.isdigit() for each in channels.split("+")):
            raise RowProblem("Write junction units like JU1:1+2;JU2:3.", "junction_units", part)
        units.append(JunctionUnit(name.strip(), tuple(int(each) for each in channels.split("+"))))
    return tuple(units)


def _sensor(row: OwnRow) -> NewSensor:
    towards = row.answer("lead_towards_pivot")
    return NewSensor(
        serial=row.text("sensor_serial", required=True),
        channel=row.needed_count("channel"),
        axle=row.needed_count("axle"),
        side=row.word("side", tuple(Side.values)),
        principle=row.word("principle", tuple(Principle.values)),
        place=row.word("place", tuple(Place.values)),
        fixing=row.word("fixing", tuple(Fixing.values)),
        in_line=bool(row.answer("in_line")),
        pivot=row.word("pivot", tuple(Pivot.values)),
        # Empty where there is no pivot to lead to, and then it decides nothing.
        lead_towards_pivot=True if towards is None else towards,
    )


def _bond(row: OwnRow) -> BondRow:
    unit = row.text("temperature_unit") or "C"
    if unit not in ("C", "F"):
        raise RowProblem("Not C or F.", "temperature_unit", unit)
    slack = row.answer("lead_slack") if "lead_slack" in row.cells else row.answer("free_travel")
    return BondRow(
        row.needed_count("channel"),
        BondDraft(
            sensor_id=UUID(int=0),
            bonded_at=row.moment("bonded_at"),
            surface_ready=bool(row.answer("surface_clean")),
            surface_temperature=row.number("temperature"),
            temperature_unit=unit,
            was_warmed=bool(row.answer("warmed_first")),
            pressed_min=row.number("pressed_min"),
            was_supported=bool(row.answer("supported_while_curing")),
            travel_is_free=bool(row.answer("free_travel")),
            lead_has_slack=bool(slack),
            lead_is_clear=bool(row.answer("clear_of_heat")),
            lead_is_labelled=bool(row.answer("labelled")),
        ),
    )


def _units_sheltered(row: OwnRow) -> bool:
    if "units_sheltered" in row.cells:
        return bool(row.answer("units_sheltered"))
    return bool(row.parts("junction_units"))


def _finished_at(row: OwnRow, system: NewSystem, bonds: Sequence[BondRow], now: datetime) -> datetime:
    """The last moment that the lines name; noon of the day where they name none."""
    moments = [each.draft.bonded_at for each in bonds if each.draft.bonded_at]
    if system.clock_set_at:
        moments.append(system.clock_set_at)
    finished_at = max(moments, default=in_zone(datetime.combine(system.fitted_on, time(12)), row.zone))
    refuse_future(finished_at, now, "fitted_on", row.text("fitted_on"))
    return finished_at
