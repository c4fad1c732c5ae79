from datetime import date

import pytest

from fleetcal.drawing.strip import StripData, draw_strip
from fleetcal.drawing.text import describe_date, describe_error, describe_limit, format_plain


@pytest.mark.parametrize(
    ("error", "U", "tolerance", "unit", "words"),
    [
        (1.3, 0.4, 2.0, "%", "+1.3 % ± 0.4 %, tolerance ±2 %"),
        (-0.42, 0.4, 2.5, "%", "−0.4 % ± 0.4 %, tolerance ±2.5 %"),
        (0.0, 0.4, 2.0, "%", "0.0 % ± 0.4 %, tolerance ±2 %"),
        (-0.04, 0.4, 2.0, "%", "0.0 % ± 0.4 %, tolerance ±2 %"),
        (0.123, 0.042, 2.0, "%", "+0.12 % ± 0.04 %, tolerance ±2 %"),
        (-180.0, 60.0, 300.0, "kg", "−180 kg ± 60 kg, tolerance ±300 kg"),
        (1.3, None, 2.0, "%", "+1.3 %, tolerance ±2 %"),
        (1.3, 0.0, 2.0, "%", "+1.3 % ± 0.0 %, tolerance ±2 %"),
        (None, None, 2.0, "%", "no reading, tolerance ±2 %"),
    ],
)
def test_the_text_equivalent_gives_error_uncertainty_and_tolerance(
    error: float | None, U: float | None, tolerance: float, unit: str, words: str
) -> None:
    assert describe_error(error, U, tolerance, unit) == words
    assert draw_strip(StripData(tolerance=tolerance, error=error, U=U, unit=unit)).title == words


def test_the_description_gives_the_guard_band_and_the_prediction() -> None:
    data = StripData(tolerance=2, error=1.3, U=0.4, guard=0.4, tail_from=1.4, tail_to=-0.2)
    assert draw_strip(data).description == (
        "Guard band 0.4 % inside the tolerance. Estimated +1.4 % today and −0.2 % at the due date."
    )


@pytest.mark.parametrize(
    ("value", "words"),
    [(2.0, "2"), (2.5, "2.5"), (12000.0, "12000"), (0.0, "0"), (-1.5, "−1.5"), (-0.00001, "0")],
)
def test_a_plain_number_has_no_more_decimals_than_it_needs(value: float, words: str) -> None:
    assert format_plain(value) == words


def test_limits_and_dates_read_the_same_in_every_language() -> None:
    assert describe_limit(5.0, "%") == "±5 %"
    assert describe_date(date(2026, 11, 25)) == "25 Nov 2026"
    assert describe_date(date(2026, 3, 1)) == "1 Mar 2026"
