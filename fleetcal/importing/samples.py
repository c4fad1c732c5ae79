"""The beginning of a ticket file, for the person who says what its columns mean."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, time

from fleetcal.fleet.days import day_text
from fleetcal.importing.cells import (
    DATE_PATTERNS,
    TIME_PATTERNS,
    Unreadable,
    date_of,
    fitting,
    moment_of,
    text_of,
    time_of,
)
from fleetcal.importing.headings import likely_header, names_of, read_body
from fleetcal.importing.mapping import NO_HEADING, Mapping, suggest
from fleetcal.importing.plates import UTC
from fleetcal.importing.reading import Cell, Row, Table, read_table
from fleetcal.ledger.refusals import Refused

LOOKED_AT = 5_000
FIRST_ROWS = 5


@dataclass(frozen=True, slots=True)
class Choice:
    """A way of writing dates or times that fits every filled cell looked at, with what it makes of the first of them."""

    pattern: str
    text: str
    reading: str


@dataclass(frozen=True, slots=True)
class Sample:
    headings: tuple[str, ...]
    header_line: int
    first_rows: tuple[tuple[int, tuple[str, ...]], ...]
    columns: dict[str, tuple[Cell, ...]]
    sheets: tuple[str, ...]
    encoding: str

    def date_choices(self, mapping: Mapping) -> list[Choice]:
        column = mapping.columns.get("date") or mapping.columns.get("moment", "")
        cells = self._texts(column)
        if "moment" in mapping.columns:
            # The day stands before the first space or T, but some ways of writing days hold spaces themselves.
            return [
                Choice(name, text_of(cells[0]), day_text(day))
                for name in DATE_PATTERNS
                if cells and (day := _day_of_moments(cells, name))
            ]
        return [
            Choice(name, text_of(cells[0]), day_text(date_of(cells[0], name)))
            for name in fitting(DATE_PATTERNS, cells, date_of)
        ]

    def time_choices(self, mapping: Mapping) -> list[Choice]:
        if "moment" in mapping.columns:
            cells = self._texts(mapping.columns["moment"])
            return [
                Choice(name, text_of(cells[0]), "")
                for name in TIME_PATTERNS
                if cells and any(_all_moments(cells, day, name) for day in DATE_PATTERNS)
            ]
        cells = self._texts(mapping.columns.get("time", ""))
        return [
            Choice(name, text_of(cells[0]), _clock_text(time_of(cells[0], name)))
            for name in fitting(TIME_PATTERNS, cells, time_of)
        ]

    def _texts(self, column: str) -> list[Cell]:
        """The filled cells of *column* that are text; true dates need no pattern."""
        return [cell for cell in self.columns.get(column, ()) if isinstance(cell, str) and cell.strip()]


def propose(content: bytes, time_zone: str) -> Mapping:
    """What the file itself says of how it is to be read, for a person to confirm."""
    table = read_table(content)
    header = likely_header(table)
    return suggest(names_of(header), table, time_zone)


def sample_of(content: bytes, mapping: Mapping) -> Sample:
    """The headings and first rows as *mapping* reads the file, whether or not its columns are there."""
    table = read_table(
        content, encoding=mapping.encoding, separator=mapping.separator, sheet=_sheet(content, mapping)
    )
    header = _header(table, mapping)
    below = [row for row in table.rows if header is None or row.line > header.line]
    width = max((len(row.cells) for row in below[:LOOKED_AT]), default=0)
    headings = names_of(header) if header else names_of(Row(0, (None,) * width))
    there = {code: name for code, name in mapping.columns.items() if name in headings}
    bare = Mapping(there, header_line=header.line if header else NO_HEADING)
    records = [record for _, record in read_body(table, bare).records[:LOOKED_AT]]
    return Sample(
        headings=headings,
        header_line=header.line if header else NO_HEADING,
        first_rows=tuple(
            (row.line, tuple(text_of(cell)[:60] for cell in row.cells)) for row in below[:FIRST_ROWS]
        ),
        columns={name: tuple(record.get(name) for record in records) for name in headings},
        sheets=table.sheets,
        encoding=table.encoding,
    )


def _sheet(content: bytes, mapping: Mapping) -> str:
    return mapping.sheet if content.startswith(b"PK") else ""


def _header(table: Table, mapping: Mapping) -> Row | None:
    if mapping.header_line == NO_HEADING:
        return None
    if mapping.header_line:
        found = next((row for row in table.rows if row.line == mapping.header_line), None)
        if found is None:
            raise Refused(f"Line {mapping.header_line} of the file is blank or not there.", "header_line")
        return found
    try:
        line = (
            read_body(table, replace(mapping, only_column="", only_values=())).header_line
            if mapping.columns
            else 0
        )
    except Refused:
        line = 0
    return next((row for row in table.rows if row.line == line), None) or likely_header(table)


def _day_of_moments(cells: Sequence[Cell], pattern: str) -> date | None:
    """The day of the first cell, if *pattern* with any way of writing times reads every cell."""
    for clock in TIME_PATTERNS:
        if _all_moments(cells, pattern, clock):
            first = moment_of(cells[0], pattern, clock, UTC)
            return first.date() if first else None
    return None


def _all_moments(cells: Sequence[Cell], day: str, clock: str) -> bool:
    try:
        for cell in cells:
            moment_of(cell, day, clock, UTC)
    except Unreadable:
        return False
    return True


def _clock_text(clock: time | None) -> str:
    return f"{clock:%H:%M:%S}" if clock else ""
