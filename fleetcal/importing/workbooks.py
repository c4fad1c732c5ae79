"""The sheets of an XLSX file, read in one pass and without trusting what the archive says about its size."""

import io
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from openpyxl import load_workbook

from fleetcal.ledger.refusals import Refused

MOST_ROWS = 200_000
MOST_COLUMNS = 200
# What an archive may unpack to; the text of 200 000 rows of tickets needs less.
MOST_UNPACKED_BYTES = 200 * 1024 * 1024
MOST_PARTS = 2_000


def sheet_names(content: bytes) -> list[str]:
    """The names of the sheets in their order. `Refused` where the archive is no workbook or unpacks to too much."""
    _refuse_other_archives(content)
    return list(_open(content).sheetnames)


def read_workbook(content: bytes, sheet: str) -> Iterator[tuple[int, tuple[Any, ...]]]:
    """(row number, values) of every filled row of *sheet*: the last calculated values of formulas, dates as dates."""
    book = _open(content)
    if sheet not in book.sheetnames:
        raise Refused(f"The workbook has no sheet “{sheet}”, but: {', '.join(book.sheetnames)}.", "sheet")
    found = 0
    try:
        page = book[sheet]
        # What a sheet says of its own extent may be anything.
        page.reset_dimensions()
        for number, values in enumerate(page.iter_rows(values_only=True, max_col=MOST_COLUMNS), start=1):
            if all(value is None for value in values):
                continue
            found += 1
            if found > MOST_ROWS:
                raise Refused(f"The sheet has more than {MOST_ROWS} filled rows: split it.", "file")
            yield number, _plain(values)
    except Refused:
        raise
    except Exception as error:
        # The library raises whatever the damage happens to cause.
        raise Refused(
            "The workbook is damaged: open it in a spreadsheet and save it again.", "file"
        ) from error


def _plain(values: tuple[Any, ...]) -> tuple[Any, ...]:
    """Without the empty cells at the end that every row is filled up with; a duration as the time that somebody typed."""
    width = max(place for place, value in enumerate(values, start=1) if value is not None)
    return tuple(str(value) if isinstance(value, timedelta) else value for value in values[:width])


def _open(content: bytes) -> Any:
    try:
        return load_workbook(io.BytesIO(content), read_only=True, data_only=True)
    except Exception as error:
        raise Refused(
            "The workbook is damaged: open it in a spreadsheet and save it again.", "file"
        ) from error


def _refuse_other_archives(content: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
    except zipfile.BadZipFile as error:
        raise Refused("The file is damaged: export it again.", "file") from error
    if not any(part.filename.lower() == "xl/workbook.xml" for part in parts):
        raise Refused("This is an archive, not a workbook: save the table as XLSX or CSV.", "file")
    unpacked = sum(part.file_size for part in parts)
    if len(parts) > MOST_PARTS or unpacked > MOST_UNPACKED_BYTES:
        raise Refused(
            f"The workbook unpacks to {unpacked / 2**20:.0f} MB; at most {MOST_UNPACKED_BYTES // 2**20} MB are read: split it.",
            "file",
        )
