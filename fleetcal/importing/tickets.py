"""Weighbridge tickets with the display's reading beside them, as comparison checks."""

from collections.abc import Iterable
from collections.abc import Mapping as Values
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.importing.cells import (
    answer_of,
    count_of,
    date_of,
    in_zone,
    mass_of,
    moment_of,
    number_of,
    text_of,
    time_of,
)
from fleetcal.importing.combinations import join_combinations
from fleetcal.importing.fields import BY_CODE, MOST_GROUPS
from fleetcal.importing.findings import Candidate, Findings, RowProblem, need, read_cell
from fleetcal.importing.headings import Body
from fleetcal.importing.mapping import OWN_PURPOSE_WORDS, Mapping
from fleetcal.importing.plates import InstrumentNames, PlateBook, refuse_before_service, refuse_future
from fleetcal.importing.problems import Problem, Skipped
from fleetcal.importing.reading import Cell
from fleetcal.records.check_drafts import CheckDraft, Covered, DisplayReadings, PlatformReading, natural_key
from fleetcal.records.models import Check
from fleetcal.records.models.checks import Direction

# A gross weight outside of this is a slip or another unit (assumption).
GROSS_KG = (Decimal(500), Decimal(200_000))
DISPLAY_CODES = ("display", "display_2", "display_3", "display_4")
LOOK_UP = 500

Record = Values[str, Cell]


class NoDisplay(Exception):
    """A ticket without a reading of the display: nothing to compare, and nothing wrong either."""


@dataclass(frozen=True, slots=True)
class TicketBook:
    """What the tickets of a file are held against. *instrument_id* is the source's own, None where a column names it."""

    plates: PlateBook
    instruments: InstrumentNames
    instrument_id: UUID | None
    now: datetime


@dataclass(frozen=True, slots=True)
class Told:
    """What a ticket said elsewhere: its weights in kg, and as they were typed."""

    weights: tuple[str, str]
    entered: Values[str, str]


def book_for(user: User, instrument_id: UUID | None, now: datetime) -> TicketBook:
    return TicketBook(PlateBook(user), InstrumentNames(), instrument_id, now)


def read_tickets(body: Body, mapping: Mapping, book: TicketBook) -> Findings:
    """A draft for every line that is a new ticket. A ticket on record already is known; one that says something else is a problem."""
    found: list[Candidate[CheckDraft]] = []
    problems, skipped = list(body.problems), list(body.skipped)
    for line, record in body.records:
        try:
            found.append(Candidate((line,), read_ticket(record, line, mapping, book)))
        except NoDisplay:
            skipped.append(Skipped(line, "no display reading"))
        except RowProblem as problem:
            problems.append(problem.at(line))
    unique = _without_doubles(found, mapping, problems, skipped)
    joined = join_combinations(unique, mapping.columns.get("reference", ""), problems)
    fresh, known = _split_known(joined, mapping, problems)
    ordered = sorted(problems, key=lambda each: each.line), sorted(skipped, key=lambda each: each.line)
    return Findings(tuple(fresh), tuple(ordered[0]), tuple(known), tuple(ordered[1]))


def read_ticket(record: Record, line: int, mapping: Mapping, book: TicketBook) -> CheckDraft:
    """The draft of one line. `RowProblem` names the cell that is wrong, `NoDisplay` a ticket without one."""
    columns = mapping.columns
    plate = need(text_of(record.get(columns["plate"])), columns["plate"])
    shape = book.plates.find(plate, columns["plate"])
    masses = _masses(record, mapping)
    displays = _displays(masses, shape, mapping)
    if not displays:
        raise NoDisplay
    weighed_at = _weighed_at(record, mapping)
    shown = text_of(record.get(columns.get("moment") or columns["date"]))
    refuse_future(weighed_at, book.now, columns.get("moment") or columns["date"], shown)
    refuse_before_service(weighed_at, shape, columns.get("moment") or columns["date"], shown)
    instrument_id = _instrument(record, mapping, book)
    coupled = _coupled(record, shape, mapping, book)
    ticket = need(text_of(record.get(columns["ticket"])), columns["ticket"])
    if len(ticket) > 48:
        raise RowProblem(
            "Longer than 48 characters: is this the column of the ticket numbers?", columns["ticket"], ticket
        )
    return CheckDraft(
        vehicle_id=shape.id,
        instrument_id=instrument_id,
        ticket=ticket,
        purpose=_purpose(record, mapping),
        weighed_at=weighed_at,
        displayed_at=_displayed_at(record, weighed_at, mapping),
        platform=_platform(masses, shape, coupled, mapping),
        display=displays,
        coupled=coupled,
        direction=_direction(record, mapping),
        driver_in=_driver_in(record, mapping),
        temperature_c=_temperature(record, mapping),
        odometer_km=_odometer(record, mapping),
        note=text_of(record.get(columns["remark"])) if "remark" in columns else "",
        unit=mapping.unit,
        entered={code: text_of(record.get(columns[code])) for code in masses},
        line=line,
        natural_key=natural_key(shape.id, instrument_id, ticket, weighed_at),
    )


def _masses(record: Record, mapping: Mapping) -> dict[str, Decimal]:
    """{field: kg} of every mass that the line holds."""
    masses = {}
    for code, column in mapping.columns.items():
        if code == "reference" or (code.startswith(("display", "group.")) and code != "displayed_time"):
            value = read_cell(record, column, lambda cell: mass_of(cell, mapping.numbers))
            if value is None:
                continue
            if value <= 0:
                raise RowProblem("Not above zero: correct it.", column, text_of(record.get(column)))
            masses[code] = value
    return masses


def _displays(
    masses: Values[str, Decimal], shape: VehicleShape, mapping: Mapping
) -> tuple[DisplayReadings, ...]:
    gross = tuple(masses[code] for code in DISPLAY_CODES if code in masses)
    for code in DISPLAY_CODES:
        if code in masses:
            _refuse_far(masses[code], mapping.columns[code])
    groups = [
        DisplayReadings((masses[code],), position)
        for position in range(1, MOST_GROUPS + 1)
        if (code := f"group.{position}.display") in masses
    ]
    for each in groups:
        _refuse_group(each.subject, shape, mapping.columns[f"group.{each.subject}.display"])
    return (*((DisplayReadings(gross),) if gross else ()), *groups)


def _platform(
    masses: Values[str, Decimal], shape: VehicleShape, coupled: tuple[UUID, ...], mapping: Mapping
) -> tuple[PlatformReading, ...]:
    groups = []
    for position in range(1, MOST_GROUPS + 1):
        code = f"group.{position}.reference"
        if code in masses:
            _refuse_group(position, shape, mapping.columns[code])
            groups.append(PlatformReading(masses[code], (Covered(shape.id, position),)))
    gross = masses.get("reference")
    if gross is None:
        if not groups:
            raise RowProblem("Empty: a ticket needs its weight.", mapping.columns.get("reference", ""))
        return tuple(groups)
    _refuse_far(gross, mapping.columns["reference"])
    if len(groups) == len(shape.groups) and gross == sum(each.value_kg for each in groups):
        # A gross that the file added up from its groups was not weighed again and must not count as a second weighing.
        return tuple(groups)
    covers = (Covered(shape.id), *map(Covered, coupled))
    return (PlatformReading(gross, covers if coupled else ()), *groups)


def _refuse_far(value_kg: Decimal, column: str) -> None:
    least, most = GROSS_KG
    if not least <= value_kg <= most:
        raise RowProblem(
            f"{value_kg:.0f} kg is not between {least} and {most} kg: is the unit or the decimal mark another one?",
            column,
            f"{value_kg:.0f} kg",
        )


def _refuse_group(position: int, shape: VehicleShape, column: str) -> None:
    if position > len(shape.groups):
        raise RowProblem(
            f"{shape.registration} has no axle group {position}, only 1 to {len(shape.groups)}.", column
        )


def _weighed_at(record: Record, mapping: Mapping) -> datetime:
    columns = mapping.columns
    if "moment" in columns:
        column = columns["moment"]
        return need(
            read_cell(
                record,
                column,
                lambda cell: moment_of(cell, mapping.date_format, mapping.time_format, mapping.zone),
            ),
            column,
        )
    day = need(
        read_cell(record, columns["date"], lambda cell: date_of(cell, mapping.date_format)), columns["date"]
    )
    clock = need(
        read_cell(record, columns["time"], lambda cell: time_of(cell, mapping.time_format)), columns["time"]
    )
    return read_cell(record, columns["time"], lambda _: in_zone(datetime.combine(day, clock), mapping.zone))


def _displayed_at(record: Record, weighed_at: datetime, mapping: Mapping) -> datetime | None:
    column = mapping.columns.get("displayed_time")
    if column is None:
        return None
    clock = read_cell(record, column, lambda cell: time_of(cell, mapping.time_format))
    if clock is None:
        return None
    day = weighed_at.astimezone(mapping.zone).date()
    return read_cell(record, column, lambda _: in_zone(datetime.combine(day, clock), mapping.zone))


def _instrument(record: Record, mapping: Mapping, book: TicketBook) -> UUID:
    column = mapping.columns.get("instrument")
    name = text_of(record.get(column)) if column else ""
    if column and name:
        return book.instruments.find(name, column)
    if book.instrument_id is None:
        raise RowProblem(
            "No weighbridge is named: name one here, or choose one for the source.", column or ""
        )
    return book.instrument_id


def _coupled(record: Record, shape: VehicleShape, mapping: Mapping, book: TicketBook) -> tuple[UUID, ...]:
    column = mapping.columns.get("partner")
    plate = text_of(record.get(column)) if column else ""
    if not column or not plate:
        return ()
    other = book.plates.find(plate, column)
    if other.id == shape.id:
        raise RowProblem("A vehicle is not coupled to itself: correct one of the two plates.", column, plate)
    return (other.id,)


def _purpose(record: Record, mapping: Mapping) -> str:
    column = mapping.columns.get("purpose")
    word = text_of(record.get(column)).casefold() if column else ""
    words = OWN_PURPOSE_WORDS | {key.casefold(): value for key, value in mapping.purpose_words.items()}
    purpose = words.get(word) or mapping.purpose_otherwise
    if not purpose:
        raise RowProblem(
            "This word stands for no purpose yet: add it to the words of the source.", column or "", word
        )
    return purpose


def _driver_in(record: Record, mapping: Mapping) -> bool | None:
    column = mapping.columns.get("driver_in")
    if column is None:
        constant = mapping.constants.get("driver_in", "")
        return answer_of(constant) if constant else None
    if mapping.driver_out_words:
        text = text_of(record.get(column)).casefold()
        return not any(word.casefold() in text for word in mapping.driver_out_words)
    return read_cell(record, column, answer_of)


def _direction(record: Record, mapping: Mapping) -> str:
    column = mapping.columns.get("direction")
    word = text_of(record.get(column)).casefold() if column else mapping.constants.get("direction", "")
    if word and word not in Direction.values:
        raise RowProblem(f"Not one of: {', '.join(Direction.values)}.", column or "", word)
    return word


def _temperature(record: Record, mapping: Mapping) -> Decimal | None:
    column = mapping.columns.get("temperature")
    if column is None:
        return None
    value = read_cell(record, column, lambda cell: number_of(cell, mapping.numbers))
    if value is not None and not -60 <= value <= 60:
        raise RowProblem("Not between −60 and 60 °C: correct it.", column, text_of(record.get(column)))
    return None if value is None else round(value, 1)


def _odometer(record: Record, mapping: Mapping) -> int | None:
    column = mapping.columns.get("odometer")
    return read_cell(record, column, lambda cell: count_of(cell, mapping.numbers)) if column else None


def _without_doubles(
    found: Iterable[Candidate[CheckDraft]], mapping: Mapping, problems: list[Problem], skipped: list[Skipped]
) -> list[Candidate[CheckDraft]]:
    """The first line of every ticket. The same ticket with the same weights again is passed over, with others a problem."""
    first: dict[str, Candidate[CheckDraft]] = {}
    for each in found:
        earlier = first.setdefault(each.draft.natural_key or "", each)
        if earlier is each:
            continue
        before = Told(_weights(earlier.draft), earlier.draft.entered)
        if before.weights == _weights(each.draft):
            skipped.append(Skipped(each.lines[0], f"the same ticket as line {earlier.lines[0]}"))
        else:
            problems.append(_contradiction(each, f"line {earlier.lines[0]}", before, mapping))
    return list(first.values())


def _split_known(
    unique: list[Candidate[CheckDraft]], mapping: Mapping, problems: list[Problem]
) -> tuple[list[Candidate[CheckDraft]], list[int]]:
    recorded = _told_on_record([each.draft.natural_key or "" for each in unique])
    fresh, known = [], []
    for each in unique:
        before = recorded.get(each.draft.natural_key or "")
        if before is None:
            fresh.append(each)
        elif before.weights == _weights(each.draft):
            known.append(each.lines[0])
        else:
            problems.append(_contradiction(each, "the record", before, mapping))
    return fresh, known


def _contradiction(each: Candidate[CheckDraft], where: str, before: Told, mapping: Mapping) -> Problem:
    mine = _weights(each.draft)
    code = "reference" if mine[0] != before.weights[0] else "display"
    here, there = each.draft.entered.get(code, ""), before.entered.get(code, "")
    what = (
        f"{here} here and {there} in {where}"
        if here and there and here != there
        else f"other weights than {where}"
    )
    return Problem(
        each.lines[0],
        mapping.columns.get(code, ""),
        here,
        f"Ticket {each.draft.ticket} says {what} ({BY_CODE[code].label.lower()}): find out which is right; "
        "correct a record on its own page.",
    )


def _weights(draft: CheckDraft) -> tuple[str, str]:
    """What platform and display read of this unit, as one text each: a ticket is the same only with the same weights.

    What only the unit coupled to it showed is left out: its line may stand in another file.
    """
    unit = draft.vehicle_id
    platform = [
        each.value_kg
        for each in draft.platform
        if not each.covers or unit in {covered.vehicle_id for covered in each.covers}
    ]
    display = [value for each in draft.display if each.vehicle_id in (None, unit) for value in each.values_kg]
    return _texts(platform, display)


def _texts(platform: Iterable[Decimal], display: Iterable[Decimal]) -> tuple[str, str]:
    return " + ".join(f"{value:.0f}" for value in platform), " / ".join(f"{value:.0f}" for value in display)


def _told_on_record(keys: list[str]) -> dict[str, Told]:
    found = {}
    for start in range(0, len(keys), LOOK_UP):
        rows = Check.objects.filter(natural_key__in=keys[start : start + LOOK_UP])
        for key, vehicle_id, platform, display, entered in rows.values_list(
            "natural_key", "vehicle_id", "platform", "display", "entered"
        ):
            unit = str(vehicle_id)
            references = [
                Decimal(each["value_kg"])
                for each in platform
                if unit in {covered["vehicle"] for covered in each["covers"]}
            ]
            shown = [
                Decimal(value) for each in display if each["vehicle"] == unit for value in each["values_kg"]
            ]
            found[key] = Told(_texts(references, shown), entered)
    return found
