"""What is wrong with a line of a file, and what to do about it."""

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass

# A spreadsheet that opens the list would run a cell that starts so.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Problem:
    """*line* is the line of the file, or the row of the sheet; *column* its heading, empty where the whole line is meant."""

    line: int
    column: str
    value: str
    message: str

    def __str__(self) -> str:
        where = f"line {self.line}" + (f", {self.column}" if self.column else "")
        what = f" “{self.value}”" if self.value else ""
        return f"{where}:{what} {self.message}"


@dataclass(frozen=True, slots=True)
class Skipped:
    """A line that holds no record, and why it was passed over."""

    line: int
    why: str


def problems_csv(problems: Iterable[Problem]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(["line", "column", "value", "what to do"])
    writer.writerows(
        [problem.line, inert(problem.column), inert(problem.value), problem.message] for problem in problems
    )
    return text.getvalue()


def inert(cell: str) -> str:
    """*cell* as text that no spreadsheet takes for a formula."""
    return f"'{cell}" if cell.startswith(FORMULA_STARTS) else cell
