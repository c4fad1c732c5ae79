"""The vectors are those of the JSON Canonicalization Scheme (RFC 8785): the files of its reference implementation, from memory."""

import json
import struct
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any
from uuid import UUID

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from fleetcal.ledger.canonical import (
    DEEPEST_NESTING,
    LARGEST_INTEGER,
    NotCanonical,
    canonical_bytes,
    decimal_text,
    moment_text,
    plain,
)

FILES = {
    "arrays": ([56, {"d": True, "10": None, "1": []}], '[56,{"1":[],"10":null,"d":true}]'),
    "french": (
        {
            "peach": "This sorting order",
            "péché": "is wrong according to French",
            "pêche": "but canonicalization MUST",
            "sin": "ignore locale",
        },
        '{"peach":"This sorting order","péché":"is wrong according to French","pêche":"but canonicalization MUST",'
        '"sin":"ignore locale"}',
    ),
    "structures": (
        {
            "1": {"f": {"f": "hi", "F": 5}, "\n": 56},
            "10": {},
            "": "empty",
            "a": {},
            "111": [{"e": "yes", "E": "no"}],
            "A": {},
        },
        '{"":"empty","1":{"\\n":56,"f":{"F":5,"f":"hi"}},"10":{},"111":[{"E":"no","e":"yes"}],"A":{},"a":{}}',
    ),
    "unicode": ({"Unnormalized Unicode": "A\u030a"}, '{"Unnormalized Unicode":"A\u030a"}'),
    "strings of values": (
        {"string": "€$\u000f\u000aA'\u0042\u0022\u005c\\\"/", "literals": [None, True, False]},
        '{"literals":[null,true,false],"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}',
    ),
}
WEIRD = {
    "€": "Euro Sign",
    "\r": "Carriage Return",
    "\n": "Newline",
    "1": "One",
    "\x80": "Control\x7f",
    "😂": "Smiley",
    "ö": "Latin Small Letter O With Diaeresis",
    "\ufb33": "Hebrew Letter Dalet With Dagesh",
    "</script>": "Browser Challenge",
}
DOUBLES = {
    "0000000000000001": "5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "41b3de4355555555": "333333333.3333333",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}


@pytest.mark.parametrize("name", FILES)
def test_the_published_files_give_the_published_bytes(name: str) -> None:
    value, text = FILES[name]
    assert canonical_bytes(value) == text.encode()


def test_names_are_ordered_by_utf_16_code_units_and_text_stays_as_it_is() -> None:
    body = canonical_bytes(WEIRD)
    assert list(json.loads(body)) == ["\n", "\r", "1", "</script>", "\x80", "ö", "€", "😂", "\ufb33"]
    assert len(body) == 214


@pytest.mark.parametrize("pattern", DOUBLES)
def test_a_double_has_a_form_in_the_standard_and_none_in_the_ledger(pattern: str) -> None:
    [value] = struct.unpack(">d", bytes.fromhex(pattern))
    assert rfc8785.dumps(value) == DOUBLES[pattern].encode()
    with pytest.raises(NotCanonical, match="float"):
        canonical_bytes({"value": value})


_text = st.text(st.characters(exclude_categories=["Cs"]))
_values = st.recursive(
    st.none() | st.booleans() | st.integers(-LARGEST_INTEGER, LARGEST_INTEGER) | _text,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_text, inner, max_size=4),
    max_leaves=25,
)


@given(_values)
def test_whatever_is_accepted_has_the_bytes_of_rfc_8785_and_reads_back_the_same(value: Any) -> None:
    body = canonical_bytes(value)
    assert body == rfc8785.dumps(value)
    assert json.loads(body) == value
    assert canonical_bytes(json.loads(body)) == body


def nested(depth: int) -> Any:
    value: Any = 0
    for _ in range(depth):
        value = [value]
    return value


REFUSED: dict[str, tuple[Any, str]] = {
    "a float": (1.5, r"^\$: float"),
    "a whole float": ({"load": 1.0}, r"^\$\.load: float"),
    "not a number": ([float("nan")], r"^\$\[0\]: float"),
    "infinity": (float("inf"), "float"),
    "a Decimal": ({"a": [Decimal("1.10")]}, r"^\$\.a\[0\]: Decimal"),
    "a date": (date(2026, 3, 3), "date"),
    "bytes": (b"", "bytes"),
    "a tuple": ((1,), "tuple"),
    "a key that is a number": ({1: "a"}, "key 1 is not a string"),
    "a lone surrogate in a value": ({"a": "\ud83d"}, r"^\$\.a: not valid Unicode"),
    "a lone surrogate in a key": ({"\ude02": 1}, "key: not valid Unicode"),
    "an integer too large": (2**53, r"beyond"),
    "an integer too small": (-(2**53), r"beyond"),
    "too deep": (nested(DEEPEST_NESTING + 1), f"deeper than {DEEPEST_NESTING}"),
    "far too deep": (nested(5_000), f"deeper than {DEEPEST_NESTING}"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_it_refuses_what_two_programs_might_write_differently(name: str) -> None:
    value, message = REFUSED[name]
    with pytest.raises(NotCanonical, match=message):
        canonical_bytes(value)


def test_the_largest_integer_and_the_deepest_nesting_are_still_accepted() -> None:
    assert canonical_bytes(LARGEST_INTEGER) == b"9007199254740991"
    assert canonical_bytes(nested(DEEPEST_NESTING)).count(b"[") == DEEPEST_NESTING


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [
        ("1250", 2, "1250.00"),
        ("1E+3", 0, "1000"),
        ("1E+3", 3, "1000.000"),
        ("1.25E-2", 4, "0.0125"),
        ("-0.00", 2, "0.00"),
        ("-0.001", 2, "0.00"),
        ("0E+5", 1, "0.0"),
        ("-7.5", 3, "-7.500"),
        ("0.0005", 3, "0.000"),  # half to even, as everywhere in the record
        ("0.0015", 3, "0.002"),
    ],
)
def test_a_decimal_has_one_shape_without_exponent_or_negative_zero(
    value: str, places: int, text: str
) -> None:
    assert decimal_text(Decimal(value), places) == text


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "sNaN"])
def test_a_decimal_that_is_no_number_is_refused(value: str) -> None:
    with pytest.raises(NotCanonical, match="not a finite number"):
        decimal_text(Decimal(value), 2)


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        (datetime(2026, 3, 3, 7, 4, tzinfo=UTC), "2026-03-03T07:04:00.000000Z"),
        (datetime(2026, 3, 3, 0, 30, 0, 5, timezone(timedelta(hours=2))), "2026-03-02T22:30:00.000005Z"),
        (datetime(202, 3, 3, tzinfo=UTC), "0202-03-03T00:00:00.000000Z"),
    ],
)
def test_a_moment_is_in_utc_with_a_fixed_number_of_digits(moment: datetime, text: str) -> None:
    assert moment_text(moment) == text


def test_a_moment_without_a_time_zone_is_refused() -> None:
    with pytest.raises(NotCanonical, match="no time zone"):
        moment_text(datetime(2026, 3, 3))  # noqa: DTZ001  the missing zone is what is tested


def test_plain_values_replace_the_richer_ones_and_text_is_normalised() -> None:
    rich = {
        "on": date(2026, 3, 3),
        "load": Decimal("12.50"),
        "many": Decimal("1E+3"),
        "id": UUID(int=7),
        "words": ("A\u030a", None, True),
    }
    assert plain(rich) == {
        "on": "2026-03-03",
        "load": "12.50",
        "many": "1000",
        "id": "00000000-0000-0000-0000-000000000007",
        "words": ["\u00c5", None, True],
    }
    assert plain(0.5) == 0.5  # left for `canonical_bytes` to refuse
