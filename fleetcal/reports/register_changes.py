"""What the entries of a vehicle's stream changed in its register, told from the ledger's own data."""

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from django.apps import apps

from fleetcal.ledger.selectors import EntryView
from fleetcal.reports.audit_trail import RegisterChange

# The registers of one vehicle; instruments, depots and policies have entries of their own elsewhere.
TABLES = ("fleet.vehicle", "fleet.axlegroup", "fleet.axle", "fleet.weighingsystem", "fleet.sensor")
NAMED_BY = {
    "fleet.vehicle": ("registration",),
    "fleet.axlegroup": ("position",),
    "fleet.axle": ("number",),
    "fleet.weighingsystem": ("serial",),
    "fleet.sensor": ("channel", "serial"),
}


def list_register_changes(
    entries: Iterable[EntryView], names: Mapping[str, str]
) -> tuple[RegisterChange, ...]:
    """One for each entry that wrote a register row. *names* says what an id stands for in a column that points elsewhere."""
    known: dict[str, dict[str, Any]] = {}
    found = []
    for entry in entries:
        rows = entry.data.get("rows", {})
        written = [(table, row) for table in TABLES for row in rows.get(table, [])]
        if written:
            found.append(RegisterChange(entry, _tell(written, known, names)))
            known.update({row["id"]: row for _, row in written})
    return tuple(found)


def _tell(
    written: list[tuple[str, dict[str, Any]]], known: Mapping[str, dict[str, Any]], names: Mapping[str, str]
) -> tuple[str, ...]:
    added = Counter(table for table, row in written if row["id"] not in known)
    told = [f"{_count(table, number)} entered" for table, number in added.items()]
    for table, row in written:
        before = known.get(row["id"], row)
        for column in row:
            if row[column] != before.get(column):
                old, new = (_value(version.get(column), names) for version in (before, row))
                told.append(f"{_name(table, row)}, {_label(table, column)}: from {old} to {new}")
    return tuple(told) or ("nothing but the entry itself",)


def _count(table: str, number: int) -> str:
    meta = apps.get_model(table)._meta
    return f"1 {meta.verbose_name}" if number == 1 else f"{number} {meta.verbose_name_plural}"


def _name(table: str, row: Mapping[str, Any]) -> str:
    return " ".join([str(apps.get_model(table)._meta.verbose_name), *(str(row[c]) for c in NAMED_BY[table])])


def _label(table: str, column: str) -> str:
    return str(getattr(apps.get_model(table)._meta.get_field(column), "verbose_name", column))


def _value(value: Any, names: Mapping[str, str]) -> str:
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return names.get(str(value), str(value))
