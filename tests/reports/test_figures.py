"""Numbers, days and letters as a report prints them."""

from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from fleetcal.reports.figures import (
    join_words,
    mass_text,
    moment_text,
    number_text,
    percent_text,
    result_text,
)
from fleetcal.reports.styles import legible


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (Decimal("24500.000"), "kg", "24\u00a0500"),
        (Decimal("12.500"), "kg", "12.5"),
        ("-20.000", "kg", "−20"),
        # 5 000 lb entered is 2 267.962 kg to the gram, and reads as it was typed.
        (Decimal("2267.962"), "lb", "5\u00a0000"),
        (0.0, "kg", "0"),
        (None, "kg", ""),
    ],
)
def test_a_mass_reads_as_it_was_entered(value: Decimal | str | None, unit: str, expected: str):
    assert mass_text(value, unit) == expected


@pytest.mark.parametrize(
    ("value", "U", "expected"),
    [
        ("-112.558", "47.963", ("−113", "48")),
        ("5.401", "176.395", ("+10", "180")),
        ("0", "176", ("0", "180")),
        ("12.34", "0.995", ("+12.3", "1.0")),
        ("1234.5", None, ("1\u00a0234.5", "")),
        (None, None, ("", "")),
    ],
)
def test_a_result_is_rounded_by_its_uncertainty(value: str | None, U: str | None, expected: tuple[str, str]):
    """Two digits of U (GUM 7.2.6, from memory)."""
    numbers = (None if number is None else Decimal(number) for number in (value, U))
    assert result_text(*numbers, "kg", signed=True) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [("1000000", "1\u00a0000\u00a0000"), ("0.50", "0.5"), ("-0.0", "0"), ("100", "100"), ("2.00", "2")],
)
def test_a_number_is_grouped_and_says_no_more_than_it_knows(value: str, expected: str):
    assert number_text(Decimal(value)) == expected


@pytest.mark.parametrize(
    ("value", "expected"), [("0.99999", "> 99.9"), ("0.00001", "< 0.1"), ("0.893", "89.3"), (None, "")]
)
def test_a_probability_is_never_certainty(value: str | None, expected: str):
    assert percent_text(None if value is None else Decimal(value)) == expected


def test_a_moment_is_that_of_the_depot():
    moment = datetime(2026, 6, 30, 22, 30, tzinfo=UTC)
    assert moment_text(moment, ZoneInfo("Europe/Vienna")) == "1 Jul 2026, 00:30"
    assert moment_text(None, ZoneInfo("UTC")) == ""


def test_words_are_joined_as_people_do():
    assert [join_words(words) for words in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "",
        "a",
        "a and b",
        "a, b and c",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12\u202f400 kg ± 5", "12\u00a0400 kg ± 5"),
        ("Ționel", "Tionel"),
        ("Жук", "[U+0416][U+0443][U+043A]"),
        ("a\u202eb\x00", "a[U+202E]b[U+0000]"),
        ("one\r\ntwo", "one\ntwo"),
    ],
)
def test_what_the_typeface_lacks_is_never_dropped(text: str, expected: str):
    assert legible(text) == expected
