"""From the bytes of a file to rows of cells that know their line. What the cells mean is not decided here."""

import codecs
import csv
import io
import itertools
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal

from fleetcal.importing.problems import Problem
from fleetcal.importing.workbooks import MOST_ROWS, read_workbook, sheet_names
from fleetcal.ledger.refusals import Refused

MOST_BYTES = 20 * 1024 * 1024
# A quotation mark that is not closed within so many lines was never meant to open anything.
LONGEST_QUOTE_LINES = 50
MOST_STRAY_QUOTES = 200
ENCODINGS = {"utf-8": "UTF-8", "utf-16": "UTF-16", "cp1252": "Windows-1252"}
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar"}
BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
# What files begin with that are no tables, whatever their name says.
OTHER_KINDS = (
    (b"\xd0\xcf\x11\xe0", "an old or password-protected spreadsheet"),
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"{\\rtf", "a text document"),
)

Cell = str | int | float | bool | Decimal | datetime | date | time | None


@dataclass(frozen=True, slots=True)
class Row:
    """*line* is where the row begins: the physical line of a text file, the row of a sheet."""

    line: int
    cells: tuple[Cell, ...]

    @property
    def is_blank(self) -> bool:
        return all(cell is None or (isinstance(cell, str) and not cell.strip()) for cell in self.cells)


@dataclass(frozen=True, slots=True)
class Table:
    """Every row that is not blank, with the lines that could not be read and how the file was taken."""

    rows: tuple[Row, ...]
    problems: tuple[Problem, ...]
    blank_lines: int
    encoding: str
    separator: str
    sheets: tuple[str, ...] = ()


def read_table(content: bytes, *, encoding: str = "", separator: str = "", sheet: str = "") -> Table:
    """The rows of a CSV or XLSX file; the content decides which of the two, never the name.

    A byte order mark decides the encoding, otherwise *encoding*; an empty *encoding* or *separator* is worked out from the content.
    `Refused` where nothing can be read.
    """
    refuse_other_kinds(content)
    if content.startswith(b"PK"):
        names = sheet_names(content)
        rows = [Row(line, cells) for line, cells in read_workbook(content, sheet or names[0])]
        return _table(rows, [], "", "", tuple(names))
    text, taken = decode(content, encoding)
    lines = io.StringIO(text, newline="").readlines()
    if sum("\0" in line for line in lines) > len(lines) / 2:
        raise Refused(
            f"The file is not text in {ENCODINGS.get(taken, taken)}: choose another encoding.", "encoding"
        )
    separator = separator or likely_separator(lines)
    rows, problems = _split(lines, separator, taken)
    return _table(rows, problems, taken, separator, ())


def refuse_other_kinds(content: bytes) -> None:
    if not content.strip(b"\0 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise Refused("The file is empty: export it again.", "file")
    if len(content) > MOST_BYTES:
        raise Refused(
            f"The file has {len(content) / 2**20:.1f} MB; at most {MOST_BYTES // 2**20} MB are read at once: split it.",
            "file",
        )
    for start, what in OTHER_KINDS:
        if content.startswith(start):
            raise Refused(f"This is {what}, not a table: save it as XLSX or CSV.", "file")
    beginning = decode(content[:400], "")[0].lstrip().lower()
    if beginning.startswith(("<!doctype", "<html", "<table", "<?xml", "<meta", "<head")):
        raise Refused(
            "This is a web page, whatever its name: open it in a spreadsheet and save it as XLSX or CSV.",
            "file",
        )


def decode(content: bytes, encoding: str) -> tuple[str, str]:
    """The text and the encoding it was taken for. Bytes that do not belong to it come out as lone surrogates or U+FFFD."""
    for mark, named in BYTE_ORDER_MARKS:
        if content.startswith(mark):
            return _decode(content[len(mark) :], named), named
    encoding = encoding or _likely_encoding(content)
    if encoding == "utf-16":
        encoding = _byte_order(content)
    if encoding not in {*ENCODINGS, "utf-16-le", "utf-16-be"}:
        raise Refused(
            f"“{encoding}” is not an encoding that is read here: choose one of the list.", "encoding"
        )
    return _decode(content, encoding), encoding


def _decode(content: bytes, encoding: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError:
        return content.decode(encoding, "replace" if encoding.startswith("utf-16") else "surrogateescape")


def _likely_encoding(content: bytes) -> str:
    sample = content[:4096]
    if sample.count(0) > len(sample) / 4:
        return "utf-16"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError as error:
        # A sample may end inside a character.
        return (
            "utf-8"
            if error.start >= len(content) - 3 and error.reason == "unexpected end of data"
            else "cp1252"
        )
    return "utf-8"


def _byte_order(content: bytes) -> str:
    return "utf-16-le" if content[1:4096:2].count(0) >= content[0:4096:2].count(0) else "utf-16-be"


def likely_separator(lines: Sequence[str]) -> str:
    """The separator that most of the first lines hold equally often; a comma where none does."""
    sample = [line for line in lines[:60] if line.strip()]

    def steadiness(separator: str) -> tuple[int, int]:
        counts = Counter(count for line in sample if (count := line.count(separator)))
        if not counts:
            return (0, 0)
        width, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        return (often * min(width, 3), width)

    return max(SEPARATORS, key=steadiness) if any(map(steadiness, SEPARATORS)) else ","


def _split(lines: list[str], separator: str, encoding: str) -> tuple[list[Row], list[Problem]]:
    if separator not in SEPARATORS:
        raise Refused("Choose one of the separators of the list.", "separator")
    rows: list[Row] = []
    problems: list[Problem] = []
    for line, record in _records(lines, separator):
        if record is None:
            problems.append(
                Problem(
                    line,
                    "",
                    _shown(lines[line - 1]),
                    "A quotation mark opens here and is never closed: remove it.",
                )
            )
        elif fault := next(filter(None, map(_fault, record)), ""):
            problems.append(Problem(line, "", _shown(separator.join(record)), _advice(fault, encoding)))
        else:
            rows.append(Row(line, tuple(record)))
        if len(problems) > MOST_STRAY_QUOTES and record is None:
            raise Refused("The quotation marks of the file do not pair up: export it again.", "file")
        if len(rows) > MOST_ROWS:
            raise Refused(f"The file has more than {MOST_ROWS} lines: split it.", "file")
    return rows, problems


def _records(lines: list[str], separator: str) -> Iterator[tuple[int, list[str] | None]]:
    """(line, cells) of each record, None for cells where a quotation mark runs away; reading goes on in the line after it."""
    begin = 0
    while begin < len(lines):
        reader = csv.reader(itertools.islice(lines, begin, None), delimiter=separator)
        taken = 0
        while True:
            start = begin + taken
            try:
                record = next(reader)
            except StopIteration:
                return
            except csv.Error:
                record = None
            stop = begin + reader.line_num
            if record is None or (stop - start > 1 and _runs_away(lines[start:stop])):
                yield start + 1, None
                begin = start + 1
                break
            taken = reader.line_num
            yield start + 1, record


def _runs_away(lines: list[str]) -> bool:
    return len(lines) > LONGEST_QUOTE_LINES or sum(line.count('"') for line in lines) % 2 == 1


def _fault(cell: str) -> str:
    """What is wrong with the characters of *cell*: an undecodable byte in hexadecimal, NUL, or nothing."""
    if cell.isascii():
        return "NUL" if "\0" in cell else ""
    for character in cell:
        if "\udc80" <= character <= "\udcff":
            return f"{ord(character) - 0xDC00:02X}"
        if character in "\ufffd\0":
            return "NUL" if character == "\0" else "FFFD"
    return ""


def _advice(fault: str, encoding: str) -> str:
    name = ENCODINGS.get(encoding, "UTF-16")
    if fault == "NUL":
        return "Holds a NUL character: the file is damaged here, or in another encoding."
    if fault == "FFFD":
        return f"Holds a character that is lost in {name}: export the file again, or choose another encoding."
    return f"Holds the byte {fault}, which is not {name}: choose another encoding, or export the file again."


def _shown(text: str) -> str:
    return "".join(
        c if c.isprintable() and not "\udc80" <= c <= "\udcff" else "�" for c in text.strip()[:120]
    )


def _table(
    rows: Sequence[Row], problems: Sequence[Problem], encoding: str, separator: str, sheets: tuple[str, ...]
) -> Table:
    filled = tuple(row for row in rows if not row.is_blank)
    if not filled and not problems:
        raise Refused("The file holds no filled line: export it again.", "file")
    return Table(filled, tuple(problems), len(rows) - len(filled), encoding, separator, sheets)
