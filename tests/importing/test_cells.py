from datetime import UTC, date, datetime, time
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetcal.importing.cells import (
    DATE_PATTERNS,
    NumberStyle,
    Unreadable,
    answer_of,
    count_of,
    date_of,
    example_of,
    fitting,
    mass_of,
    moment_of,
    number_of,
    text_of,
    time_of,
)

STYLES = [(".", ""), (",", ""), (",", "."), (".", ","), (".", " "), (",", " "), (".", "'"), (",", "'")]


@given(
    number=st.decimals(min_value=-(10**9), max_value=10**9, places=3, allow_nan=False, allow_infinity=False),
    marks=st.sampled_from(STYLES),
)
def test_a_number_written_in_any_style_reads_back_as_itself(number: Decimal, marks: tuple[str, str]) -> None:
    decimal_mark, thousands_mark = marks
    text = f"{number:,.3f}".translate(str.maketrans({",": thousands_mark, ".": decimal_mark}))
    assert number_of(text, NumberStyle(decimal_mark, thousands_mark)) == number


@pytest.mark.parametrize(
    ("text", "decimal_mark", "thousands_mark"),
    [
        ("12,5", ".", ""),
        ("12.5", ",", ""),
        ("12.5", ",", "."),
        ("1.2345", ",", "."),
        ("1,23,456", ".", ","),
        ("12 5", ".", " "),
        ("1.234,5", ".", ","),
        ("--5", ".", ""),
        ("1e5", ".", ""),
        ("0x10", ".", ""),
        ("NaN", ".", ""),
        ("∞", ".", ""),
        ("٣", ".", ""),
        ("12.", ".", ""),
        ("#N/A", ".", ""),
    ],
)
def test_text_that_is_no_number_in_the_stated_style_is_refused(
    text: str, decimal_mark: str, thousands_mark: str
) -> None:
    with pytest.raises(Unreadable, match="Not a number"):
        number_of(text, NumberStyle(decimal_mark, thousands_mark))


@pytest.mark.parametrize("cell", [None, "", "   ", "\u00a0"])
def test_an_empty_cell_is_no_number(cell: str | None) -> None:
    assert number_of(cell, NumberStyle()) is None


@pytest.mark.parametrize(
    ("cell", "unit", "kilograms"),
    [
        ("41,02", "t", "41020"),
        ("41,02 t", "kg", "41020"),
        ("41020 kg", "t", "41020"),
        ("100 lb", "kg", "45.359"),
        ("100", "lb", "45.359"),
        (41.02, "t", "41020"),
        (41020, "kg", "41020"),
    ],
)
def test_a_unit_in_the_cell_goes_before_the_columns(cell: str | float, unit: str, kilograms: str) -> None:
    # 1 lb = 0.453 592 37 kg exactly (NIST SP 811, appendix B).
    assert mass_of(cell, NumberStyle(",", "", unit)) == Decimal(kilograms)


@pytest.mark.parametrize("pattern", DATE_PATTERNS)
def test_every_pattern_reads_its_own_example(pattern: str) -> None:
    assert date_of(example_of(pattern), pattern) == date(2026, 11, 24)


def test_a_day_that_fits_two_patterns_is_left_to_a_person() -> None:
    assert fitting(DATE_PATTERNS, ["03/04/2026", "11/12/2026"], date_of) == ["DD/MM/YYYY", "MM/DD/YYYY"]
    assert fitting(DATE_PATTERNS, ["03/04/2026", "25/12/2026", ""], date_of) == ["DD/MM/YYYY"]
    assert fitting(DATE_PATTERNS, ["", None], date_of) == []


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("31.02.2026", "DD.MM.YYYY"),
        ("2026-13-01", "YYYY-MM-DD"),
        ("24 Nob 2026", "DD Mon YYYY"),
        ("24.11.26", "DD.MM.YYYY"),
    ],
)
def test_a_day_that_does_not_exist_is_refused(text: str, pattern: str) -> None:
    with pytest.raises(Unreadable):
        date_of(text, pattern)


@pytest.mark.parametrize(
    ("text", "pattern", "clock"),
    [
        ("6:05", "HH:MM", time(6, 5)),
        ("12:05 AM", "hh:MM AM", time(0, 5)),
        ("12:05 p.m.", "hh:MM AM", time(12, 5)),
        ("0605", "HHMM", time(6, 5)),
    ],
)
def test_times_of_day_read(text: str, pattern: str, clock: time) -> None:
    assert time_of(text, pattern) == clock


@pytest.mark.parametrize(
    ("text", "pattern"), [("24:00", "HH:MM"), ("13:00 PM", "hh:MM AM"), ("6.05", "HH:MM")]
)
def test_times_that_do_not_exist_are_refused(text: str, pattern: str) -> None:
    with pytest.raises(Unreadable):
        time_of(text, pattern)


def test_the_hour_that_the_clock_skips_is_refused_and_of_the_repeated_one_the_first_is_taken() -> None:
    # Europe/Berlin: 29 March 2026 02:00 → 03:00, 25 October 2026 03:00 → 02:00 (IANA time zone database).
    berlin = ZoneInfo("Europe/Berlin")
    with pytest.raises(Unreadable, match="does not exist"):
        moment_of("2026-03-29 02:30", "YYYY-MM-DD", "HH:MM", berlin)
    repeated = moment_of("2026-10-25 02:30", "YYYY-MM-DD", "HH:MM", berlin)
    assert repeated is not None
    assert repeated.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "zone"), [("0001-01-01 00:00", "Asia/Tokyo"), ("9999-12-31 23:59", "America/New_York")]
)
def test_a_moment_beyond_the_calendar_is_refused(text: str, zone: str) -> None:
    with pytest.raises(Unreadable, match="outside of the calendar"):
        moment_of(text, "YYYY-MM-DD", "HH:MM", ZoneInfo(zone))


# A workbook stores NaN and infinity as it stores numbers.
@pytest.mark.parametrize("cell", [float("nan"), float("inf"), -float("inf"), 1e300, 10**30, "9" * 30])
def test_what_is_no_weight_at_all_is_refused(cell: str | float) -> None:
    with pytest.raises(Unreadable):
        mass_of(cell, NumberStyle(unit="t"))


@pytest.mark.parametrize(
    ("cell", "answer"), [("ja", True), ("NON", False), (True, True), ("", None), ("Sí", True)]
)
def test_yes_and_no_read_in_four_languages(cell: str | bool, answer: bool | None) -> None:
    assert answer_of(cell) is answer


@pytest.mark.parametrize("cell", ["12,5", "-1", 12.5, "99999999999"])
def test_a_count_is_whole_and_not_negative(cell: str | float) -> None:
    with pytest.raises(Unreadable):
        count_of(cell, NumberStyle(","))


def test_a_whole_number_of_a_spreadsheet_reads_as_people_write_it() -> None:
    assert text_of(20419.0) == "20419"
