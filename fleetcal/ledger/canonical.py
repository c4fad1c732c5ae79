"""The one byte form of what the ledger holds (RFC 8785 canonical JSON, without numbers that are not integers).

Values are null, booleans, integers within ±(2^53 − 1), strings, lists and maps with string keys. A decimal is a string in one
shape, quantised to its field's scale; a moment is a string in UTC with six fraction digits and ``Z``. Floats are refused: two
programs do not have to agree on how to print one.
"""

import unicodedata
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

import rfc8785

LARGEST_INTEGER = 2**53 - 1
DEEPEST_NESTING = 32


class NotCanonical(ValueError):
    """A value that has no canonical form; the message names its place."""


def canonical_bytes(value: Any) -> bytes:
    """The RFC 8785 bytes of *value*; `NotCanonical` for anything outside the shapes above."""
    require_canonical(value)
    return rfc8785.dumps(value)


def require_canonical(value: Any, place: str = "$", depth: int = 0) -> None:
    if depth > DEEPEST_NESTING:
        raise NotCanonical(f"{place}: nested deeper than {DEEPEST_NESTING}")
    kind = type(value)
    if value is None or kind is bool:
        return
    if kind is str:
        # A lone surrogate has no UTF-8 form; rfc8785 reports it differently in keys and in values.
        if not value.isascii():
            try:
                value.encode()
            except UnicodeEncodeError as error:
                raise NotCanonical(f"{place}: not valid Unicode") from error
    elif kind is int:
        if abs(value) > LARGEST_INTEGER:
            raise NotCanonical(f"{place}: integer beyond ±(2^53 − 1)")
    elif kind is dict:
        for key, item in value.items():
            if type(key) is not str:
                raise NotCanonical(f"{place}: key {key!r} is not a string")
            require_canonical(key, f"{place} key", depth + 1)
            require_canonical(item, f"{place}.{key}", depth + 1)
    elif kind is list:
        for number, item in enumerate(value):
            require_canonical(item, f"{place}[{number}]", depth + 1)
    else:
        raise NotCanonical(f"{place}: {kind.__name__} has no canonical form")


def decimal_text(value: Decimal, places: int) -> str:
    """*value* with exactly *places* decimals, never an exponent, never a negative zero."""
    if not value.is_finite():
        raise NotCanonical(f"{value} is not a finite number")
    quantised = value.quantize(Decimal(1).scaleb(-places))
    return f"{abs(quantised) if quantised.is_zero() else quantised:f}"


def moment_text(value: datetime) -> str:
    if value.tzinfo is None:
        raise NotCanonical(f"{value.isoformat()} has no time zone")
    return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def plain(value: Any) -> Any:
    """*value* with dates, moments, decimals and UUIDs replaced by their canonical strings, text in NFC; floats stay and are refused."""
    if isinstance(value, str):
        return unicodedata.normalize("NFC", str(value))
    if isinstance(value, datetime):
        return moment_text(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return decimal_text(value, max(0, -int(value.as_tuple().exponent)))
    if isinstance(value, UUID):
        return str(value)
    if isinstance(value, Mapping):
        return {plain(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    return value
