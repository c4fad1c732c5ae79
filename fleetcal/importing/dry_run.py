"""What importing a file would do, with nothing written: the records it holds, what is known already, and every problem."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.importing.cells import text_of
from fleetcal.importing.collector import resting
from fleetcal.importing.findings import Candidate, Findings
from fleetcal.importing.headings import Body, read_body, read_own_body
from fleetcal.importing.kinds import OWN_KINDS
from fleetcal.importing.mapping import Mapping, checked
from fleetcal.importing.problems import Problem, Skipped
from fleetcal.importing.reading import Cell, read_table
from fleetcal.importing.tickets import book_for, read_tickets
from fleetcal.importing.trial import refusals_of
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import total_count
from fleetcal.records.check_desk import CheckDesk, JudgedCheck
from fleetcal.records.models import TicketSource
from fleetcal.records.models.files import FileKind

PREVIEW_ROWS = 20
Cells = dict[int, dict[str, Cell]]


@dataclass(frozen=True, slots=True)
class Preview:
    """A record as it would stand: the outcome for a ticket's gross where there is one, a sentence for the other kinds."""

    line: int
    text: str
    judged: JudgedCheck | None = None


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """*rows_read* are the lines that hold records, good or not; titles, totals and blank lines are not among them.

    A problem in one line refuses every line of the same record, so *refused_lines* may be more than *problems*.
    *desk* judged the tickets when the ledger had *entries* entries; while it has no more, it judges them the same way again.
    """

    kind: str
    name: str
    size: int
    sha256: str
    source: TicketSource | None
    mapping: Mapping | None
    rows_read: int
    candidates: tuple[Candidate[Any], ...]
    known_lines: tuple[int, ...]
    problems: tuple[Problem, ...]
    refused_lines: int
    skipped: tuple[Skipped, ...]
    blank_lines: int
    previews: tuple[Preview, ...]
    entries: int
    desk: CheckDesk | None = None

    @property
    def good(self) -> int:
        """The lines that would be recorded."""
        return sum(len(each.lines) for each in self.candidates)


@resting()
def plan(
    content: bytes,
    name: str,
    kind: str,
    mapping: Mapping | None,
    actor: User,
    *,
    source: TicketSource | None = None,
    now: datetime | None = None,
) -> ImportPlan:
    """Reads *content* as *kind*. Tickets need *mapping*, and *source* for the weighbridge; the other kinds have formats of our own.

    `Refused` where the file as a whole cannot be read; what is wrong with single lines stands in the plan.
    """
    now = now or timezone.now()
    # Counted before anything is read: what is recorded in between shows as a difference.
    entries, desk = total_count(), None
    if kind == FileKind.TICKETS:
        if mapping is None:
            raise Refused("Say which column of the file is what.", "columns")
        body, blank = _ticket_body(content, checked(mapping))
        book = book_for(actor, source.instrument_id if source else None, now)
        findings = read_tickets(body, mapping, book)
        desk = CheckDesk([each.draft for each in findings.candidates], now, book.plates.shapes)
        findings, previews = _judge(findings, desk, body, mapping)
    else:
        body, blank, findings, previews = _read_own(content, kind, actor, now)
    problems = tuple(sorted(findings.problems, key=lambda each: each.line))
    lines = {line for line, _ in body.records} | {each.line for each in body.problems}
    return ImportPlan(
        kind=kind,
        name=name,
        size=len(content),
        sha256=hashlib.sha256(content).hexdigest(),
        source=source,
        mapping=mapping,
        rows_read=len(lines),
        candidates=findings.candidates,
        known_lines=findings.known_lines,
        problems=problems,
        refused_lines=len(lines - _settled(findings)),
        skipped=findings.skipped,
        blank_lines=blank,
        previews=previews,
        entries=entries,
        desk=desk,
    )


def _settled(findings: Findings) -> set[int]:
    """The lines that need nothing more: good, known or passed over."""
    good = {line for each in findings.candidates for line in each.lines}
    return good | set(findings.known_lines) | {each.line for each in findings.skipped}


def _ticket_body(content: bytes, mapping: Mapping) -> tuple[Body, int]:
    table = read_table(content, encoding=mapping.encoding, separator=mapping.separator, sheet=mapping.sheet)
    return read_body(table, mapping), table.blank_lines


def _judge(
    findings: Findings, desk: CheckDesk, body: Body, mapping: Mapping
) -> tuple[Findings, tuple[Preview, ...]]:
    """Every draft is judged as it will be when it is recorded, so that what is refused then shows now."""
    cells = dict(body.records)
    when = mapping.columns.get("moment") or mapping.columns.get("date", "")
    columns = {code: mapping.columns.get(code, "") for code in ("ticket", "display")}
    columns |= {"platform": mapping.columns.get("reference", ""), "weighed_at": when}
    good: list[Candidate[Any]] = []
    problems: list[Problem] = list(findings.problems)
    previews: list[Preview] = []
    for each in findings.candidates:
        try:
            judged = desk.judge(each.draft)
        except Refused as refusal:
            problems.append(_problem(each, refusal, columns.get(refusal.field, ""), cells))
            continue
        good.append(each)
        if len(previews) < PREVIEW_ROWS:
            previews.append(Preview(each.lines[0], "", judged))
    return _with(findings, good, problems), tuple(previews)


def _read_own(
    content: bytes, kind: str, actor: User, now: datetime
) -> tuple[Body, int, Findings, tuple[Preview, ...]]:
    own = OWN_KINDS[FileKind(kind)]
    table = read_table(content)
    body = read_own_body(table, own.headings)
    findings = own.read(body, actor=actor, now=now)
    refused = refusals_of(findings.candidates, lambda some: own.record(some, actor=actor, file=None))
    good = [each for place, each in enumerate(findings.candidates) if place not in refused]
    problems, cells = list(findings.problems), dict(body.records)
    for place, why in refused.items():
        column = why.field if why.field in own.headings else ""
        problems.append(_problem(findings.candidates[place], why, column, cells))
    previews = tuple(Preview(each.lines[0], own.describe(each.draft)) for each in good[:PREVIEW_ROWS])
    return body, table.blank_lines, _with(findings, good, problems), previews


def _problem(candidate: Candidate[Any], refusal: Refused, column: str, cells: Cells) -> Problem:
    line = candidate.lines[0]
    value = text_of(cells[line].get(column)) if column and line in cells else ""
    return Problem(line, column, value[:120], str(refusal))


def _with(findings: Findings, good: Iterable[Candidate[Any]], problems: Iterable[Problem]) -> Findings:
    return Findings(tuple(good), tuple(problems), findings.known_lines, findings.skipped)
