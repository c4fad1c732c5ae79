"""Days and moments in words."""

from datetime import UTC, date, datetime

from fleetcal.fleet.days import day_text, moment_text


def test_a_day_is_written_without_a_leading_zero_and_no_day_as_nothing() -> None:
    assert day_text(date(2026, 3, 4)) == "4 Mar 2026"
    assert day_text(None) == ""


def test_a_moment_is_written_to_the_minute() -> None:
    assert moment_text(datetime(2026, 3, 4, 7, 5, 59, tzinfo=UTC)) == "4 Mar 2026, 07:05"
