"""Every comparison of the display with a reference: the checks one by one, the everyday tickets as a list."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.metrology.mass import from_kg
from fleetcal.records.models import Check, CheckResult
from fleetcal.records.models.checks import Purpose
from fleetcal.reports.audit_trail import AuditRecord, AuditTrail
from fleetcal.reports.composer import Column, Composer
from fleetcal.reports.figures import group_text, join_words, number_text, percent_text, result_text, yes_no
from fleetcal.reports.sections.records import (
    amendment_texts,
    entry_text,
    file_text,
    foot_of,
    state_text,
    title_of,
)

TENTH = Decimal("0.1")


def write_checks(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    checks = [record for record in trail.checks if record.row.purpose != Purpose.TRADE]
    tickets = [record for record in trail.checks if record.row.purpose == Purpose.TRADE]
    story = compose.heading("Comparison checks")
    if not checks:
        story.append(compose.text("No check is on record in this period."))
    for record in checks:
        story += _check(record, trail, compose)
    return [*story, *_tickets(tickets, trail, compose)]


def _check(record: AuditRecord[Check], trail: AuditTrail, compose: Composer) -> list[Flowable]:
    row = record.row
    story = compose.subheading(title_of(record, trail, f"{row.get_purpose_display()}, ticket {row.ticket}"))
    if row.unsupported:
        story.append(
            compose.notice(
                f"Unsupported: {row.unsupported}. The check is kept, but no obligation is met by it."
            )
        )
    return [
        *story,
        *compose.table(
            _columns(compose.unit), [_result(each, trail, compose.unit) for each in row.results.all()]
        ),
        compose.facts(_facts(record, trail, compose)),
        *(compose.small(text) for each in row.results.all() for text in _budget(each, compose.unit)),
        *foot_of(record, compose),
    ]


def _columns(unit: str) -> list[Column]:
    return [
        Column("Weight", 25),
        Column(f"Reference, {unit}", 16, "number"),
        Column(f"Display, {unit}", 12, "number"),
        Column(f"Error, {unit}", 11, "number"),
        Column(f"U, {unit}", 9, "number"),
        Column("k", 9, "number"),
        Column(f"Tolerance ±, {unit}", 13, "number"),
        Column(f"Accepted ±, {unit}", 13, "number"),
        Column("Within, %", 13, "number"),
        Column("Decision", 17),
    ]


def _result(each: CheckResult, trail: AuditTrail, unit: str) -> list[str]:
    error, U = result_text(each.error_kg, each.expanded_kg, unit, signed=True)
    return [
        _subject(each.subject, trail),
        _whole(each.reference_kg, unit),
        _whole(each.indicated_kg, unit),
        error,
        U,
        "" if each.k is None else f"{each.k:.2f}",
        _whole(each.limit_kg, unit),
        _whole(each.acceptance_limit_kg, unit),
        percent_text(each.conformance_probability),
        _decision(each),
    ]


def _whole(value_kg: Decimal | None, unit: str) -> str:
    """Rounded to the kilogram or pound: what a reference or a limit says beyond that is far below its uncertainty."""
    return "" if value_kg is None else number_text(from_kg(value_kg, unit).quantize(Decimal(1)))


def _decision(each: CheckResult) -> str:
    if each.word:
        return str(each.get_word_display())
    return "no reading of the display" if each.is_separable else "not separable"


def _subject(subject: int, trail: AuditTrail) -> str:
    group = next((group for group in trail.shape.groups if group.position == subject), None)
    if group is None:
        return "Gross" if not subject else f"Group {subject}"
    return group_text(subject, group.axles)


def _facts(record: AuditRecord[Check], trail: AuditTrail, compose: Composer) -> list[tuple[str, str]]:
    row = record.row
    conditions = {
        "direction": row.get_direction_display() if row.direction else "",
        "slope of the site": "" if row.slope_percent is None else f"{number_text(row.slope_percent)} %",
        "brakes released": "" if row.brakes_released is None else yes_no(row.brakes_released),
        "display settled": "" if row.is_settled is None else yes_no(row.is_settled),
        "driver in the cab": "" if row.driver_in is None else yes_no(row.driver_in),
        "fuel used in between": f"{compose.mass(row.fuel_used_kg)} {compose.unit}"
        if row.fuel_used_kg
        else "",
        "outside temperature": "" if row.temperature_c is None else f"{number_text(row.temperature_c)} °C",
        "lift axles up": join_words([f"axle {number}" for number in row.lift_axles_up]),
    }
    load = "" if row.load_percent is None else f"{number_text(row.load_percent)} % of the maximum gross"
    return [
        (
            "Weighed, display read",
            "; ".join(filter(None, (compose.moment(row.happened_at), compose.moment(row.displayed_at)))),
        ),
        ("Reference", _reference(row, trail)),
        ("Counts for the schedule", _counting(record, trail)),
        ("Load", load),
        ("Weighed together with", join_words([str(unit["registration"]) for unit in row.coupled])),
        ("Readings of the platform", "\n".join(_platform(row, trail, compose))),
        ("Readings of the display", "\n".join(_display(row, trail, compose))),
        ("Conditions", "; ".join(f"{name}: {value}" for name, value in conditions.items() if value)),
        ("Odometer", "" if row.odometer_km is None else f"{number_text(Decimal(row.odometer_km))} km"),
        ("Taken from", file_text(row)),
        ("Judged by", f"{row.policy_version}, method version {row.method_version}"),
    ]


def _counting(record: AuditRecord[Check], trail: AuditTrail) -> str:
    """What is stored was judged when the check was recorded; what came later can only take it away."""
    row, state = record.row, state_text(record)
    if not row.counts:
        return f"no: {row.why_not_counting}"
    if state:
        return f"no: the record was {state}"
    validity = trail.validity_on(row.instrument, trail.day_of(row.happened_at))
    if validity and not validity.valid:
        return f"it did when it was recorded, and does not any more: {validity.why_not}"
    return "yes"


def _reference(row: Check, trail: AuditTrail) -> str:
    validity = trail.validity_on(row.instrument, trail.day_of(row.happened_at))
    if validity and validity.valid and validity.certificate:
        until = day_text(validity.certificate.valid_until)
        return f"{row.instrument.name}, certificate {validity.certificate.number} until {until}"
    return f"{row.instrument.name}, not valid on the day: {validity.why_not if validity else 'not known'}"


def _platform(row: Check, trail: AuditTrail, compose: Composer) -> Iterable[str]:
    for reading in row.platform:
        covers = join_words([_part(row, trail, each["vehicle"], each["group"]) for each in reading["covers"]])
        yield f"{compose.mass(reading['value_kg'])} {compose.unit}: {covers}"


def _display(row: Check, trail: AuditTrail, compose: Composer) -> Iterable[str]:
    for reading in row.display:
        values = ", ".join(compose.mass(value) for value in reading["values_kg"])
        yield f"{values} {compose.unit}: {_part(row, trail, reading['vehicle'], reading['subject'])}"


def _part(row: Check, trail: AuditTrail, vehicle: str, group: int) -> str:
    if vehicle == trail.vehicle.stream:
        return _subject(group, trail).lower() if group else trail.vehicle.registration
    name = next(
        (str(unit["registration"]) for unit in row.coupled if unit["vehicle"] == vehicle), "a coupled unit"
    )
    return f"{name}, group {group}" if group else name


def _budget(each: CheckResult, unit: str) -> Iterable[str]:
    """The standard uncertainties that U is made of, in one line."""
    lines: list[dict[str, Any]] = [line for line in each.budget if "source" in line]
    if not lines:
        return
    parts = "; ".join(
        f"{line['source']} {number_text(from_kg(Decimal(line['contribution']), unit).quantize(TENTH))}"
        for line in lines
    )
    name = "gross" if not each.subject else f"group {each.subject}"
    yield f"Standard uncertainties of the {name}, {unit}: {parts}."


def _tickets(tickets: list[AuditRecord[Check]], trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.subheading("Everyday tickets")
    if not tickets:
        return [*story, compose.text("No everyday ticket is on record in this period.")]
    unit = compose.unit
    columns = [
        Column("Day", 17),
        Column("Ticket", 16),
        Column("Instrument", 26),
        Column("Weight", 11),
        Column(f"Reference, {unit}", 15, "number"),
        Column(f"Display, {unit}", 12, "number"),
        Column(f"Error, {unit}", 10, "number"),
        Column(f"U, {unit}", 9, "number"),
        Column("Decision", 20),
        Column("Entry", 8, "number"),
    ]
    rows = [line for record in tickets for line in _ticket_lines(record, trail, compose)]
    amended = [
        compose.small(f"Entry {entry_text(record)}: {text}")
        for record in tickets
        for text in [*_remarks(record), *amendment_texts(record, compose)]
    ]
    files = [
        compose.small(
            f"Entry {entry_text(record)}: file {file.name}, {file.size} bytes, SHA-256 {file.sha256}"
        )
        for record in tickets
        for file in record.attachments
    ]
    return [*story, *compose.table(columns, rows), *amended, *files]


def _ticket_lines(record: AuditRecord[Check], trail: AuditTrail, compose: Composer) -> Iterable[list[str]]:
    row, unit = record.row, compose.unit
    state = state_text(record)
    for number, each in enumerate(row.results.all()):
        error, U = result_text(each.error_kg, each.expanded_kg, unit, signed=True)
        head = (
            [day_text(trail.day_of(row.happened_at)), row.ticket, row.instrument.name]
            if not number
            else ["", "", ""]
        )
        yield [
            *head,
            "gross" if not each.subject else f"group {each.subject}",
            _whole(each.reference_kg, unit),
            _whole(each.indicated_kg, unit),
            error,
            U,
            f"{_decision(each)}{f' ({state})' if state else ''}",
            entry_text(record) if not number else "",
        ]


def _remarks(record: AuditRecord[Check]) -> list[str]:
    return [f"unsupported: {record.row.unsupported}."] if record.row.unsupported else []
