"""What an entry holds, told row by row and column by column."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.core.exceptions import FieldDoesNotExist


@dataclass(frozen=True, slots=True)
class Cell:
    """*is_long* where the value is a list or a map, written as JSON."""

    name: str
    value: str
    is_long: bool


@dataclass(frozen=True, slots=True)
class TableRows:
    name: str
    rows: tuple[tuple[Cell, ...], ...]


def list_tables(data: Mapping[str, Any]) -> tuple[TableRows, ...]:
    return tuple(
        TableRows(_table_name(table, len(rows)), tuple(tuple(_cells(table, row)) for row in rows))
        for table, rows in sorted(data.get("rows", {}).items())
    )


def list_others(data: Mapping[str, Any]) -> tuple[Cell, ...]:
    """What the entry holds beside rows."""
    return tuple(_cells("", {name: value for name, value in data.items() if name != "rows"}))


def pretty(data: Mapping[str, Any]) -> str:
    return json.dumps(data, indent=2, ensure_ascii=False, sort_keys=True)


def _table_name(table: str, count: int) -> str:
    try:
        meta = apps.get_model(table)._meta
    except LookupError:
        return table
    return str(meta.verbose_name if count == 1 else meta.verbose_name_plural)


def _cells(table: str, row: Mapping[str, Any]) -> Iterator[Cell]:
    for column, value in row.items():
        if value in (None, "", [], {}):
            continue
        is_long = isinstance(value, (list, dict))
        yield Cell(_column_name(table, column), pretty(value) if is_long else _plain(value), is_long)


def _column_name(table: str, column: str) -> str:
    try:
        return str(getattr(apps.get_model(table)._meta.get_field(column), "verbose_name", column))
    except (LookupError, ValueError, FieldDoesNotExist):
        return column.replace("_", " ")


def _plain(value: Any) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)
