"""What reading a file of any kind comes to: records to be written, lines known already, problems."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from fleetcal.importing.cells import Unreadable, text_of
from fleetcal.importing.problems import Problem, Skipped
from fleetcal.importing.reading import Cell

D = TypeVar("D")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Candidate(Generic[D]):
    """A record that the file holds, and the lines that it comes from."""

    lines: tuple[int, ...]
    draft: D


@dataclass(frozen=True, slots=True)
class Findings:
    candidates: tuple[Candidate[Any], ...]
    problems: tuple[Problem, ...]
    known_lines: tuple[int, ...] = ()
    skipped: tuple[Skipped, ...] = ()


class RowProblem(ValueError):
    """What is wrong with one cell, or with the row where *column* is empty."""

    def __init__(self, message: str, column: str = "", value: str = "") -> None:
        super().__init__(message)
        self.column, self.value = column, value

    def at(self, line: int) -> Problem:
        return Problem(line, self.column, self.value[:120], str(self))


def read_cell(record: Mapping[str, Cell], column: str, read: Callable[[Cell], T]) -> T:
    """*read* applied to the cell under *column*; what it cannot read becomes a problem of that cell."""
    cell = record.get(column)
    try:
        return read(cell)
    except Unreadable as error:
        raise RowProblem(str(error), column, text_of(cell)) from error


def need(value: T | None, column: str) -> T:
    if value is None or value == "":
        raise RowProblem("Empty: fill it in.", column)
    return value
