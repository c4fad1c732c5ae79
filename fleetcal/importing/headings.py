"""Finding the line of headings, and the lines that hold no record: titles, totals, footers, headings repeated on a new page."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from fleetcal.importing.cells import text_of
from fleetcal.importing.mapping import NO_HEADING, Mapping
from fleetcal.importing.problems import Problem, Skipped
from fleetcal.importing.reading import Cell, Row, Table
from fleetcal.ledger.refusals import Refused

# Words that begin a line of totals or the end of a report, in the four languages of the headings; ornaments may stand before them.
TOTAL = re.compile(
    r"[\W_]*(page |day |daily |shift |tages|seiten)?"
    r"((grand |sub)?totals?\b|total general|sum\b|summe\b|gesamt|zwischensumme|somme\b|sous-total|suma\b"
    r"|end of\b|ende\b|fin d|printed\b|gedruckt\b|page \d|seite \d|página \d)",
    re.IGNORECASE,
)
LOOK_FOR_HEADINGS = 100


@dataclass(frozen=True, slots=True)
class Body:
    """The lines below the headings: records by heading, problems of shape, and what was passed over."""

    headings: tuple[str, ...]
    header_line: int
    records: tuple[tuple[int, dict[str, Cell]], ...]
    problems: tuple[Problem, ...]
    skipped: tuple[Skipped, ...]


def names_of(row: Row) -> tuple[str, ...]:
    """What the columns are called: the heading, with (2) and so on where it is repeated, “column C” where it is empty."""
    names: list[str] = []
    for place, cell in enumerate(row.cells):
        name = text_of(cell) or f"column {letter_of(place)}"
        count = 2
        while (numbered := name if count == 2 and name not in names else f"{name} ({count})") in names:
            count += 1
        names.append(numbered)
    return tuple(names)


def letter_of(place: int) -> str:
    """The letter by which spreadsheets call a column, counted from 0."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def likely_header(table: Table) -> Row:
    """The line that looks most like headings: of the first lines the one with most filled cells, all of them words."""
    if not table.rows:
        raise Refused(f"Not one line could be read. {table.problems[0].message}", "file")

    def likeness(row: Row) -> tuple[int, int]:
        filled = [text_of(cell) for cell in row.cells if text_of(cell)]
        words = [text for text in filled if not re.fullmatch(r"[\d.,:/\- ]+", text)]
        return (len(words) if len(words) == len(filled) else len(words) // 2, -row.line)

    return max(table.rows[:LOOK_FOR_HEADINGS], key=likeness)


def read_body(table: Table, mapping: Mapping) -> Body:
    """The records of *table* below the headings that *mapping* names. `Refused` where those headings are not there."""
    return _body(table, mapping.headings, mapping.header_line, mapping.only_column, mapping.only_values)


def read_own_body(table: Table, required: Sequence[str]) -> Body:
    """The records of a file in a format of our own, whose headings are given."""
    return _body(table, required, 0, "", ())


def _body(
    table: Table, wanted: Sequence[str], header_line: int, only_column: str, only_values: tuple[str, ...]
) -> Body:
    header = _find_header(table, wanted, header_line)
    names = names_of(header) if header else tuple(f"column {letter_of(n)}" for n in range(_width(table)))
    if missing := [name for name in wanted if _key(name) not in {_key(each) for each in names}]:
        raise Refused(
            f"Not found: {', '.join(missing)}. Columns without headings are called column A, B …", "columns"
        )
    # As the mapping writes them, so that another capital letter in the file changes nothing.
    spelled = {_key(name): name for name in wanted}
    names = tuple(spelled.get(_key(name), name) for name in names)
    start = header.line if header else 0
    records: list[tuple[int, dict[str, Cell]]] = []
    problems = [problem for problem in table.problems if problem.line > start]
    skipped = [Skipped(row.line, "above the headings") for row in table.rows if row.line < start]
    keep = {value.casefold() for value in only_values}
    for row in table.rows:
        if row.line <= start:
            continue
        record = dict(zip(names, row.cells, strict=False))
        if why := _no_record(row, header, record, wanted):
            skipped.append(Skipped(row.line, why))
        elif surplus := [text_of(cell) for cell in row.cells[len(names) :] if text_of(cell)]:
            problems.append(_too_wide(row, len(names), surplus))
        elif only_column and text_of(record.get(only_column)).casefold() not in keep:
            skipped.append(
                Skipped(row.line, f"left out: {only_column} is “{text_of(record.get(only_column))}”")
            )
        else:
            records.append((row.line, record))
    return Body(names, start, tuple(records), tuple(problems), tuple(skipped))


def _too_wide(row: Row, width: int, surplus: list[str]) -> Problem:
    return Problem(
        row.line,
        "",
        ", ".join(surplus)[:120],
        f"The line has {len(row.cells)} cells under {width} headings: is a separator inside a value, without quotation marks?",
    )


def _find_header(table: Table, wanted: Sequence[str], header_line: int) -> Row | None:
    if header_line == NO_HEADING:
        return None
    rows: Iterator[Row] = iter(table.rows[:LOOK_FOR_HEADINGS])
    if header_line:
        rows = (row for row in table.rows if row.line == header_line)
    keys = {_key(name) for name in wanted}
    best: tuple[int, Row | None] = (0, None)
    for row in rows:
        found = len(keys & {_key(name) for name in names_of(row)})
        if found == len(keys):
            return row
        if found > best[0]:
            best = (found, row)
    raise Refused(_headings_missing(wanted, best[1], header_line), "columns")


def _headings_missing(wanted: Sequence[str], nearest: Row | None, header_line: int) -> str:
    if nearest is None:
        where = (
            f"Line {header_line} of the file"
            if header_line
            else f"None of the first {LOOK_FOR_HEADINGS} filled lines"
        )
        return f"{where} holds these headings: {', '.join(wanted)}. Is it the right file?"
    there = {_key(name) for name in names_of(nearest)}
    missing = [name for name in wanted if _key(name) not in there]
    return f"Line {nearest.line} looks like the headings, but these are missing: {', '.join(missing)}."


def _no_record(row: Row, header: Row | None, record: dict[str, Cell], wanted: Sequence[str]) -> str:
    """Why *row* holds no record, empty where it does. A total is known by its word and by the cells that it leaves empty."""
    filled = [text_of(cell) for cell in row.cells if text_of(cell)]
    if header and filled == [text_of(cell) for cell in header.cells if text_of(cell)]:
        return "headings again"
    gaps = sum(not text_of(record.get(name)) for name in wanted)
    if gaps and TOTAL.match(filled[0]):
        return "a total or a footer"
    if len(filled) == 1 and len(wanted) > 2:
        return "a title or a footer"
    return ""


def _width(table: Table) -> int:
    return max((len(row.cells) for row in table.rows), default=0)


def _key(name: str) -> str:
    return " ".join(name.casefold().split())
