"""Rows as delimited text."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime


def encode_csv(
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    encoding: str = "utf-8",
    delimiter: str = ",",
    before: Sequence[Sequence[str]] = (),
    after: Sequence[Sequence[str]] = (),
) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
    writer.writerows([*before, columns, *rows, *after])
    return text.getvalue().encode(encoding)


def cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    return str(value)
