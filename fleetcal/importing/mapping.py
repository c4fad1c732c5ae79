"""How the files of one source are read: which column is what, and how numbers, dates and words are written there."""

import dataclasses
from collections import abc
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fleetcal.importing.cells import (
    DATE_PATTERNS,
    DECIMAL_MARKS,
    THOUSANDS_MARKS,
    TIME_PATTERNS,
    NumberStyle,
    unit_known,
)
from fleetcal.importing.fields import BY_CODE, REQUIRED, suggest_columns, suggest_unit
from fleetcal.importing.reading import ENCODINGS, SEPARATORS, Table
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models.checks import Direction, Purpose

PURPOSES = tuple(Purpose.values)
# Fields that may have one value for the whole file instead of a column.
CONSTANT_FIELDS = {"driver_in": ("yes", "no"), "direction": tuple(Direction.values)}
# The words of our own files; a source adds its own.
OWN_PURPOSE_WORDS = {purpose: purpose for purpose in PURPOSES}
NO_HEADING = -1


@dataclass(frozen=True, slots=True)
class Mapping:
    """*header_line* 0: the first line that holds every mapped heading; -1: there is none, columns are called “column A” and so on.

    An empty *date_format* or *time_format* fits only the true dates of a spreadsheet. *purpose_otherwise* is the purpose where the
    words say nothing; empty, such a line is a problem. *driver_out_words* are found inside a text; any other then means in.
    """

    columns: abc.Mapping[str, str]
    constants: abc.Mapping[str, str] = field(default_factory=dict)
    encoding: str = "utf-8"
    separator: str = ","
    decimal_mark: str = "."
    thousands_mark: str = ""
    unit: str = "kg"
    date_format: str = ""
    time_format: str = ""
    time_zone: str = "UTC"
    purpose_words: abc.Mapping[str, str] = field(default_factory=dict)
    purpose_otherwise: str = ""
    driver_out_words: tuple[str, ...] = ()
    header_line: int = 0
    sheet: str = ""
    only_column: str = ""
    only_values: tuple[str, ...] = ()

    @property
    def numbers(self) -> NumberStyle:
        return NumberStyle(self.decimal_mark, self.thousands_mark, self.unit)

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    @property
    def headings(self) -> list[str]:
        """Every heading that the file must have."""
        return [*dict.fromkeys([*self.columns.values(), *([self.only_column] if self.only_column else [])])]


def to_json(mapping: Mapping) -> dict[str, Any]:
    plain = dataclasses.asdict(mapping)
    return {name: list(value) if isinstance(value, tuple) else value for name, value in plain.items()}


def from_json(data: Any) -> Mapping:
    """The mapping that *data* describes. `Refused` where a key is unknown or a value has another type than it should."""
    if not isinstance(data, dict) or not data:
        raise Refused(
            "This source has no columns mapped yet: import one of its files on the page first.", "source"
        )
    known = {each.name: each for each in dataclasses.fields(Mapping)}
    values: dict[str, Any] = {}
    for name, value in data.items():
        if name not in known:
            raise Refused(f"A mapping has no “{name}”.", name)
        values[name] = _typed(name, value)
    if "columns" not in values:
        raise Refused("A mapping names its columns.", "columns")
    return Mapping(**values)


def _typed(name: str, value: Any) -> Any:
    if name in {"columns", "constants", "purpose_words"}:
        if isinstance(value, dict) and all(
            isinstance(k, str) and isinstance(v, str) for k, v in value.items()
        ):
            return dict(value)
    elif name in {"driver_out_words", "only_values"}:
        if isinstance(value, (list, tuple)) and all(isinstance(each, str) for each in value):
            return tuple(value)
    elif name == "header_line":
        if isinstance(value, int) and not isinstance(value, bool):
            return value
    elif isinstance(value, str):
        return value
    raise Refused(f"“{name}” of a mapping has the wrong type.", name)


def faults_of(mapping: Mapping) -> dict[str, str]:
    """{input: what is wrong with it and what to do}, empty for a mapping that can be used."""
    faults: dict[str, str] = {}
    for code in mapping.columns:
        if code not in BY_CODE:
            faults["columns"] = f"“{code}” is not a field of a ticket."
    for options in REQUIRED:
        if not any(code in mapping.columns for code in options):
            labels = " or ".join(BY_CODE[code].label.lower() for code in options)
            faults[options[0]] = f"Say which column holds this: {labels}."
    if "moment" in mapping.columns and ("date" in mapping.columns or "time" in mapping.columns):
        faults["moment"] = "Choose either one column for date and time, or one for each."
    if "date" in mapping.columns and "time" not in mapping.columns:
        faults["time"] = "Say which column holds the time of day."
    faults |= _format_faults(mapping) | _word_faults(mapping)
    if mapping.header_line < NO_HEADING:
        faults["header_line"] = "A line number from 1, or 0 to look for the headings."
    if bool(mapping.only_column) != bool(mapping.only_values):
        faults["only_values"] = "Name both a column and the values to keep, or neither."
    return faults


def _format_faults(mapping: Mapping) -> dict[str, str]:
    faults = {}
    if mapping.encoding not in ENCODINGS:
        faults["encoding"] = "Choose one of the list."
    if mapping.separator not in SEPARATORS:
        faults["separator"] = "Choose one of the list."
    if mapping.decimal_mark not in DECIMAL_MARKS:
        faults["decimal_mark"] = "Choose point or comma."
    if mapping.thousands_mark not in THOUSANDS_MARKS or mapping.thousands_mark == mapping.decimal_mark:
        faults["thousands_mark"] = "Choose a mark that is not the decimal mark."
    if not unit_known(mapping.unit):
        faults["unit"] = "Choose kg, t or lb."
    if mapping.date_format and mapping.date_format not in DATE_PATTERNS:
        faults["date_format"] = "Choose one of the list."
    if mapping.time_format and mapping.time_format not in TIME_PATTERNS:
        faults["time_format"] = "Choose one of the list."
    try:
        ZoneInfo(mapping.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        faults["time_zone"] = "Not a time zone: write it like Europe/Berlin."
    return faults


def _word_faults(mapping: Mapping) -> dict[str, str]:
    faults = {}
    for word, purpose in mapping.purpose_words.items():
        if purpose not in PURPOSES:
            faults["purpose_words"] = (
                f"“{word}” stands for “{purpose}”, which is none of: {', '.join(PURPOSES)}."
            )
    if mapping.purpose_otherwise and mapping.purpose_otherwise not in PURPOSES:
        faults["purpose_otherwise"] = f"Choose one of: {', '.join(PURPOSES)}."
    for code, value in mapping.constants.items():
        if code not in CONSTANT_FIELDS:
            faults["constants"] = f"“{code}” differs from line to line and needs a column."
        elif value not in CONSTANT_FIELDS[code]:
            faults["constants"] = f"“{value}” is none of: {', '.join(CONSTANT_FIELDS[code])}."
    if not (mapping.purpose_otherwise or "purpose" in mapping.columns):
        faults["purpose_otherwise"] = "Say what the tickets are where no column does."
    return faults


def checked(mapping: Mapping) -> Mapping:
    """*mapping*, if it can be used; otherwise its first fault as `Refused`."""
    for name, fault in faults_of(mapping).items():
        raise Refused(fault, name)
    return mapping


def suggest(headings: Sequence[str], table: Table | None = None, time_zone: str = "UTC") -> Mapping:
    """A proposal for a person to confirm: what the headings say. How dates are written is left open, always."""
    columns = suggest_columns(headings)
    unit = suggest_unit([columns[code] for code in ("reference", "display") if code in columns])
    encoding = (table.encoding if table else "") or "utf-8"
    return Mapping(
        columns=columns,
        encoding="utf-16" if encoding.startswith("utf-16") else encoding,
        separator=(table.separator if table else "") or ",",
        unit=unit,
        time_zone=time_zone,
        purpose_otherwise="trade",
    )
