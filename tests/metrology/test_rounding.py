import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.rounding import format_with_uncertainty, round_by_uncertainty


@pytest.mark.parametrize(
    ("value", "U", "text"),
    [
        (1234.56, 176.3, "1230 ± 180"),
        (480, 305.9412, "480 ± 310"),
        (-880.0, 51.54, "-880 ± 52"),
        (0.00218270, 0.00151, "0.0022 ± 0.0015"),
        (12.25, 2.5, "12.2 ± 2.5"),  # half to even
        (12.35, 2.5, "12.4 ± 2.5"),
        (1.0, 0.125, "1.00 ± 0.12"),  # half to even on the decimal
        (1.0, 0.135, "1.00 ± 0.14"),
        (100.4, 99.6, "100 ± 100"),  # carried into three digits: rounded at the place of two
        (115.0, 99.6, "120 ± 100"),
        (-0.4, 99.0, "0 ± 99"),  # no negative zero
        (5, 10_000, "0 ± 10000"),
        (41_000, 1_950, "41000 ± 2000"),
        (Decimal("24180.5"), Decimal("0.105"), "24180.50 ± 0.10"),
    ],
)
def test_the_value_ends_where_two_digits_of_its_uncertainty_end(
    value: float | Decimal, U: float | Decimal, text: str
) -> None:
    assert str(round_by_uncertainty(value, U)) == text


def test_the_text_carries_unit_and_coverage_factor() -> None:
    assert format_with_uncertainty(480, 305.9, k=2.0) == "480 ± 310 kg (k = 2.00)"
    assert format_with_uncertainty(2.41, 0.62, unit="%") == "2.41 ± 0.62 %"
    assert format_with_uncertainty(2.41, 0.62, unit="") == "2.41 ± 0.62"


@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e9))
def test_rounding_moves_the_value_by_no_more_than_a_twentieth_of_the_uncertainty(
    value: float, U: float
) -> None:
    rounded = round_by_uncertainty(value, U)
    # Half a step, with a step of at most a tenth of the rounded U.
    assert abs(float(rounded.value) - value) <= float(rounded.U) / 20 + 1e-9 * abs(value)
    assert float(rounded.U) == pytest.approx(U, rel=0.051)
    assert round_by_uncertainty(rounded.value, rounded.U) == rounded


@given(st.floats(allow_nan=False, allow_infinity=False), st.floats(5e-324, 1.7e308))
def test_no_finite_value_is_too_large_or_too_small_to_round(value: float, U: float) -> None:
    text = format_with_uncertainty(value, U)
    assert "NaN" not in text
    assert "E" not in text


@pytest.mark.parametrize(
    ("value", "U"),
    [(math.nan, 1.0), (math.inf, 1.0), (1.0, math.nan), (1.0, math.inf), (1.0, 0.0), (1.0, -2.0)],
)
def test_it_refuses_what_cannot_be_rounded(value: float, U: float) -> None:
    with pytest.raises(RefusedError):
        round_by_uncertainty(value, U)
