"""worksheets.csv: calibrations that were written on paper, one line per reading."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from itertools import groupby
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.fleet.days import day_text
from fleetcal.importing.cells import NumberStyle, in_zone, mass_of, time_of
from fleetcal.importing.findings import Candidate, Findings, RowProblem, need, read_cell
from fleetcal.importing.headings import Body
from fleetcal.importing.plates import InstrumentNames, PlateBook, refuse_future
from fleetcal.importing.problems import Problem
from fleetcal.importing.rows import LineProblem, OwnRow, on_line, refuse_other
from fleetcal.ledger.refusals import Refused
from fleetcal.records.assessment import Basis, assess, settings_of, ticks_of_stop_a, ticks_of_stop_b
from fleetcal.records.calibration_basis import BasisBook
from fleetcal.records.models import Calibration, ImportedFile
from fleetcal.records.models.calibrations import LoadState, Method
from fleetcal.records.services.calibrations import CalibrationDraft, list_unmet, record_calibrations
from fleetcal.records.worksheet import Conditions, Sheet, SheetReading, Stop

HEADINGS = (
    "worksheet", "registration", "technician", "instrument", "on", "time", "state", "method", "axles", "left", "right", "reading", "unit",
    "lift_axles_state", "slope_percent", "wind_m_s", "brakes_released", "ride_height", "level", "stop_a_at", "stop_b_at",
    "stop_signed_by",
)  # fmt: skip
# What every line of one worksheet must say alike.
OF_WORKSHEET = ("registration", "technician", "on", "unit", *HEADINGS[13:])


@dataclass(frozen=True, slots=True)
class PaperWorksheet:
    """*verdict* is what the rules will say of it, in words."""

    number: str
    registration: str
    draft: CalibrationDraft
    verdict: str


def read(body: Body, *, actor: User, now: datetime) -> Findings:
    """A draft for every worksheet that is not on record, by its number or by vehicle and beginning."""
    plates, instruments = PlateBook(actor), InstrumentNames()
    numbers, beginnings = _on_record()
    found: list[Candidate[PaperWorksheet]] = []
    known: list[int] = []
    problems: list[Problem] = list(body.problems)
    rows = [OwnRow(line, cells, plates.zone_of(cells.get("registration"))) for line, cells in body.records]
    sheets: list[tuple[tuple[int, ...], PaperWorksheet]] = []
    for _, lines in groupby(rows, key=lambda row: row.text("worksheet")):
        group = list(lines)
        try:
            paper = read_worksheet(group, plates, instruments, now)
        except LineProblem as problem:
            problems.append(problem.cause.at(problem.line))
            continue
        line_numbers = tuple(row.line for row in group)
        draft = paper.draft
        if (draft.vehicle_id, paper.number) in numbers or (draft.vehicle_id, draft.started_at) in beginnings:
            known += line_numbers
        else:
            sheets.append((line_numbers, paper))
    book = BasisBook({paper.draft.vehicle_id for _, paper in sheets})
    for line_numbers, paper in sorted(sheets, key=lambda each: each[1].draft.started_at):
        try:
            found.append(Candidate(line_numbers, judge(paper, book)))
        except (Refused, ValueError) as refusal:
            problems.append(Problem(line_numbers[0], "worksheet", paper.number, str(refusal)))
    return Findings(tuple(found), tuple(problems), tuple(known), body.skipped)


def read_worksheet(
    group: Sequence[OwnRow], plates: PlateBook, instruments: InstrumentNames, now: datetime
) -> PaperWorksheet:
    first = group[0]
    shape = on_line(first, lambda row: plates.find(row.text("registration", required=True), "registration"))
    number = on_line(first, lambda row: row.text("worksheet", required=True))
    for row in group[1:]:
        on_line(row, lambda other: refuse_other(other, first, OF_WORKSHEET))
    readings = tuple(
        on_line(row, lambda each, place=place: _reading(each, place, instruments, now))  # type: ignore[misc]
        for place, row in enumerate(group, start=1)
    )
    sheet = on_line(first, lambda row: _sheet(row, readings))
    ends = [reading.read_at for reading in readings]
    ends += [stop.at for stop in (sheet.stop_a, sheet.stop_b) if stop]
    return PaperWorksheet(
        number,
        shape.registration,
        CalibrationDraft(
            vehicle_id=shape.id,
            started_at=min(reading.read_at for reading in readings),
            concluded_at=max(ends),
            sheet=sheet,
            unit=readings[0].unit,
            entered={"worksheet": number, "technician": first.text("technician")},
        ),
        "",
    )


def judge(paper: PaperWorksheet, book: BasisBook) -> PaperWorksheet:
    """With the ticks that its signed stops stand for, and with the verdict of the rules."""
    draft = paper.draft
    basis = book.basis(draft.vehicle_id, draft.started_at)
    sheet = replace(draft.sheet, ticks=_ticks(draft.sheet, basis))
    assessment = assess(sheet, basis, draft.concluded_at)
    verdict = (
        "accepted" if assessment.is_acceptable else f"not accepted: {list_unmet(assessment, draft.unit)}"
    )
    return replace(paper, draft=replace(draft, sheet=sheet), verdict=verdict)


def record(
    drafts: Sequence[Candidate[PaperWorksheet]],
    *,
    actor: User,
    file: ImportedFile | None,
    progress: Callable[[int], None] | None = None,
) -> set[UUID]:
    noted = [
        replace(each.draft.draft, note=f"From {file.name}, line {each.lines[0]}." if file else "")
        for each in drafts
    ]
    record_calibrations(noted, actor=actor)
    if progress:
        progress(len(noted))
    return {draft.vehicle_id for draft in noted}


def describe(paper: PaperWorksheet) -> str:
    draft = paper.draft
    return (
        f"{paper.registration}: worksheet {paper.number} of {day_text(draft.started_at)}, "
        f"{len(draft.sheet.readings)} readings, {paper.verdict}"
    )


def _on_record() -> tuple[set[tuple[UUID, str]], set[tuple[UUID, datetime]]]:
    rows = list(Calibration.objects.values_list("vehicle_id", "started_at", "entered__worksheet"))
    return {(vehicle, number) for vehicle, _, number in rows if number}, {row[:2] for row in rows}


def _ticks(sheet: Sheet, basis: Basis) -> tuple[str, ...]:
    """A stop that was signed on paper says that everything of it was done."""
    settings = settings_of(sheet, basis)
    of_a = ticks_of_stop_a(settings) if sheet.stop_a else ()
    return (*of_a, *(ticks_of_stop_b(settings) if sheet.stop_b else ()))


def _reading(row: OwnRow, number: int, instruments: InstrumentNames, now: datetime) -> SheetReading:
    day = row.needed_day("on")
    clock = need(read_cell(row.cells, "time", lambda cell: time_of(cell, "HH:MM")), "time")
    read_at = read_cell(row.cells, "time", lambda _: in_zone(datetime.combine(day, clock), row.zone))
    refuse_future(read_at, now, "on", row.text("on"))
    unit = row.word("unit", ("kg", "lb", "t"))
    method = row.word("method", tuple(Method.values))
    names = ("left", "right") if method == Method.PADS else ("reading",)
    values = [need(_mass(row, name, unit), name) for name in names]
    return SheetReading(
        number=number,
        state=row.word("state", tuple(LoadState.values)),
        method=method,
        instrument_id=instruments.find(row.text("instrument", required=True), "instrument"),
        axles=row.counts("axles", "+"),
        value_kg=sum(values, Decimal(0)),
        read_at=read_at,
        left_kg=values[0] if len(values) == 2 else None,
        right_kg=values[1] if len(values) == 2 else None,
        unit=unit,
        entered={name: row.text(name) for name in names},
    )


def _mass(row: OwnRow, column: str, unit: str) -> Decimal | None:
    return read_cell(row.cells, column, lambda cell: mass_of(cell, NumberStyle(unit=unit)))


def _sheet(row: OwnRow, readings: tuple[SheetReading, ...]) -> Sheet:
    return Sheet(
        conditions=Conditions(
            slope_percent=row.number("slope_percent"),
            wind_m_s=row.number("wind_m_s"),
            brakes_released=bool(row.answer("brakes_released")),
            ride_height_settled=bool(row.answer("ride_height")),
            is_level=bool(row.answer("level")),
            lift_axles_up=_lifted(row),
        ),
        readings=readings,
        stop_a=_stop(row, "stop_a_at"),
        stop_b=_stop(row, "stop_b_at"),
    )


def _stop(row: OwnRow, column: str) -> Stop | None:
    at = row.moment(column)
    return None if at is None else Stop(at, row.text("stop_signed_by", required=True), {})


def _lifted(row: OwnRow) -> tuple[int, ...]:
    """“3 up” or “2+3 up”; empty where every axle was down."""
    text = row.text("lift_axles_state")
    if not text:
        return ()
    axles, _, word = text.rpartition(" ")
    parts = axles.split("+")
    if word != "up" or not all(part.isascii() and part.isdigit() and len(part) < 3 for part in parts):
        raise RowProblem(
            "Write lifted axles like 3 up, and nothing where all are down.", "lift_axles_state", text
        )
    return tuple(int(part) for part in parts)
