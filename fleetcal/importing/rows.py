"""One line of a file in a format of our own: cells by heading, dates as YYYY-MM-DD, numbers with a decimal point, masses in kg."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import TypeVar
from zoneinfo import ZoneInfo

from fleetcal.importing.cells import NumberStyle, answer_of, count_of, date_of, moment_of, number_of, text_of
from fleetcal.importing.findings import RowProblem, need, read_cell
from fleetcal.importing.reading import Cell

PLAIN = NumberStyle()
ISO = "YYYY-MM-DD"
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class OwnRow:
    line: int
    cells: Mapping[str, Cell]
    zone: ZoneInfo

    def text(self, column: str, *, required: bool = False) -> str:
        text = text_of(self.cells.get(column))
        return need(text, column) if required else text

    def word(self, column: str, words: tuple[str, ...]) -> str:
        word = self.text(column, required=True)
        if word not in words:
            raise RowProblem(f"Not one of: {', '.join(words)}.", column, word)
        return word

    def number(self, column: str) -> Decimal | None:
        return read_cell(self.cells, column, lambda cell: number_of(cell, PLAIN))

    def needed_number(self, column: str) -> Decimal:
        return need(self.number(column), column)

    def count(self, column: str) -> int | None:
        return read_cell(self.cells, column, lambda cell: count_of(cell, PLAIN))

    def needed_count(self, column: str) -> int:
        return need(self.count(column), column)

    def answer(self, column: str) -> bool | None:
        return read_cell(self.cells, column, answer_of)

    def day(self, column: str) -> date | None:
        return read_cell(self.cells, column, lambda cell: date_of(cell, ISO))

    def needed_day(self, column: str) -> date:
        return need(self.day(column), column)

    def moment(self, column: str) -> datetime | None:
        """Day and time, with or without seconds; the day alone does not do."""
        text = self.text(column)
        pattern = "HH:MM:SS" if text.count(":") >= 2 and "+" not in text[-6:] else "HH:MM"
        return read_cell(self.cells, column, lambda cell: moment_of(cell, ISO, pattern, self.zone))

    def needed_moment(self, column: str) -> datetime:
        return need(self.moment(column), column)

    def parts(self, column: str, mark: str = ";") -> list[str]:
        text = self.text(column)
        return [part.strip() for part in text.split(mark)] if text else []

    def counts(self, column: str, mark: str = ";") -> tuple[int, ...]:
        return tuple(int(self._digits(part, column)) for part in self.parts(column, mark))

    def numbers(self, column: str) -> tuple[Decimal, ...]:
        try:
            return tuple(
                number for part in self.parts(column) if (number := number_of(part, PLAIN)) is not None
            )
        except ValueError as error:
            raise RowProblem(str(error), column, self.text(column)) from error

    def _digits(self, part: str, column: str) -> str:
        if not (part.isascii() and part.isdigit() and len(part) < 9):
            raise RowProblem(
                "Whole numbers with semicolons between them are needed.", column, self.text(column)
            )
        return part


class LineProblem(ValueError):
    """The problem of one line among those that make one record together."""

    def __init__(self, line: int, cause: RowProblem) -> None:
        super().__init__(str(cause))
        self.line, self.cause = line, cause


def on_line(row: OwnRow, read: Callable[[OwnRow], T]) -> T:
    try:
        return read(row)
    except RowProblem as problem:
        raise LineProblem(row.line, problem) from problem


def refuse_other(row: OwnRow, first: OwnRow, columns: Sequence[str]) -> None:
    """Lines of one record must say the same under *columns*."""
    for column in columns:
        if row.text(column) != first.text(column):
            raise RowProblem(
                f"Line {first.line} of the same record says “{first.text(column)}”: both must say the same.",
                column,
                row.text(column),
            )
