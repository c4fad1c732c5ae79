"""The one byte form of what the ledger holds (RFC 8785 canonical JSON, without numbers that are not integers).

Values are null, booleans, integers within ±(2^53 − 1), strings, lists and maps with string keys. A decimal is a string in one
shape, quantised to its field's scale; a moment is a string in UTC with six fraction digits and ``Z``. Floats are refused: two
programs do not have to agree on how to print one.
"""

import json
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


# For the shapes above, this is RFC 8785 wherever names sort alike by code point and by UTF-16 unit: the same escapes, no spaces.
_encode = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False).encode


def canonical_bytes(value: Any) -> bytes:
    """The RFC 8785 bytes of *value*; `NotCanonical` for anything outside the shapes above."""
    if require_canonical(value):
        return _encode(value).encode()
    return rfc8785.dumps(value)


def require_canonical(value: Any, place: str = "$", depth: int = 0) -> bool:
    """`NotCanonical`, with the place, unless *value* has a canonical form. Whether all its member names are ASCII."""
    if depth > DEEPEST_NESTING:
        raise NotCanonical(f"{place}: nested deeper than {DEEPEST_NESTING}")
    kind = type(value)
    if kind is str:
        # A lone surrogate has no UTF-8 form.
        if not value.isascii():
            try:
                value.encode()
            except UnicodeEncodeError as error:
                raise NotCanonical(f"{place}: not valid Unicode") from error
        return True
    if value is None or kind is bool:
        return True
    if kind is int:
        if abs(value) > LARGEST_INTEGER:
            raise NotCanonical(f"{place}: integer beyond ±(2^53 − 1)")
        return True
    if kind is dict:
        is_ascii = True
        for key, item in value.items():
            if type(key) is not str:
                raise NotCanonical(f"{place}: key {key!r} is not a string")
            if not key.isascii():
                require_canonical(key, f"{place} key", depth + 1)
                is_ascii = False
            is_ascii &= require_canonical(item, f"{place}.{key}", depth + 1)
        return is_ascii
    if kind is list:
        # Every item is looked at: a list comprehension, so that the first False does not end the search for refusals.
        return all([require_canonical(item, f"{place}[{n}]", depth + 1) for n, item in enumerate(value)])  # noqa: C419
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
    # Not strftime: its %Y does not pad a year to four digits everywhere.
    return f"{value.astimezone(UTC).replace(tzinfo=None).isoformat(timespec='microseconds')}Z"


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
