import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
import uncertainties  # type: ignore[import-untyped]
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from fleetcal.metrology.axle_weights import AxleWeights, Reading, solve
from fleetcal.metrology.least_squares import UnusableReadings
from fleetcal.metrology.span import list_display_entries, round_to_division, subtract

KEYS = ("S", "D")
EMPTY_KG = {"S": 5200.0, "SD": 9800.0}
LOADED_KG = {"S": 6900.0, "SD": 17900.0}
U_OWN_KG = 11.547
RELATIVE_SHARED = 0.001

# A busy machine must not fail a property that holds.
any_speed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


def weigh(values: dict[str, float], instrument: str = "bridge", keys: tuple[str, ...] = KEYS) -> AxleWeights:
    readings = [
        Reading(label, kg, frozenset(label), U_OWN_KG, instrument, RELATIVE_SHARED * kg)
        for label, kg in values.items()
    ]
    return solve(readings, keys)


def propagate(same_instrument: bool) -> np.ndarray:
    """Oracle: tares and spans (S, D, S, D) by linear propagation, each error source a variable of its own."""
    first = ufloat(0, RELATIVE_SHARED)
    second = first if same_instrument else ufloat(0, RELATIVE_SHARED)
    empty = {label: kg + kg * first + ufloat(0, U_OWN_KG) for label, kg in EMPTY_KG.items()}
    loaded = {label: kg + kg * second + ufloat(0, U_OWN_KG) for label, kg in LOADED_KG.items()}
    tares = [empty["S"], empty["SD"] - empty["S"]]
    loads = [loaded["S"], loaded["SD"] - loaded["S"]]
    results = [*tares, *(load - tare for load, tare in zip(loads, tares, strict=True))]
    return np.array(uncertainties.covariance_matrix(results))


@pytest.mark.parametrize("same_instrument", [True, False])
def test_the_covariance_of_tare_and_span_is_that_of_an_independent_propagation(same_instrument: bool) -> None:
    values = subtract(weigh(EMPTY_KG), weigh(LOADED_KG, "bridge" if same_instrument else "pads"))
    expected = propagate(same_instrument)
    assert np.array(values.tare_covariance) == pytest.approx(expected[:2, :2], rel=1e-9)
    assert np.array(values.span_covariance) == pytest.approx(expected[2:, 2:], rel=1e-9)
    assert np.array(values.cross_covariance) == pytest.approx(expected[:2, 2:], rel=1e-9)
    assert values.u_span("D") == pytest.approx(math.sqrt(expected[3, 3]), rel=1e-9)
    assert values.u_tare("S") == pytest.approx(math.sqrt(expected[0, 0]), rel=1e-9)


def test_the_span_is_loaded_minus_empty() -> None:
    values = subtract(weigh(EMPTY_KG), weigh(LOADED_KG))
    assert values.tares_kg == pytest.approx((5200, 4600))
    assert values.spans_kg == pytest.approx((1700, 6400))


def test_a_shared_error_in_proportion_to_load_leaves_the_span_its_own_share() -> None:
    values = subtract(weigh(EMPTY_KG), weigh(LOADED_KG))
    expected = 2 * U_OWN_KG**2 + (RELATIVE_SHARED * 1700) ** 2
    assert values.u_span("S") == pytest.approx(math.sqrt(expected), rel=1e-9)


def test_the_order_of_the_loaded_keys_does_not_matter() -> None:
    first = subtract(weigh(EMPTY_KG), weigh(LOADED_KG))
    second = subtract(weigh(EMPTY_KG), weigh(LOADED_KG, keys=("D", "S")))
    assert second.spans_kg == pytest.approx(first.spans_kg, rel=1e-9)
    assert np.array(second.span_covariance) == pytest.approx(np.array(first.span_covariance), rel=1e-9)


def test_it_refuses_weighings_of_different_axles() -> None:
    with pytest.raises(UnusableReadings, match="loaded weighing of S"):
        subtract(weigh(EMPTY_KG), weigh({"S": 6900.0}, keys=("S",)))
    with pytest.raises(UnusableReadings, match="X"):
        subtract(weigh(EMPTY_KG), weigh(LOADED_KG)).u_span("X")


@pytest.mark.parametrize(
    ("value", "division", "expected"),
    [
        (7110, 20, "7120"),  # a half, up
        (-7110, 20, "-7120"),  # a half, away from zero
        (7109, 20, "7100"),
        (Decimal("7109.999999999999999999999999999999"), 20, "7100"),
        (Decimal("7110.000000000000000000000000000001"), 20, "7120"),
        (Decimal("0.15"), Decimal("0.1"), "0.2"),  # binary floats would have it 0.1
        (Decimal("-0.05"), Decimal("0.1"), "-0.1"),
        (Decimal("0.04"), Decimal("0.1"), "0"),
        (1, 3, "0"),
        (2, 3, "3"),
        # 20 lb in kg: an exact multiple of a division that is stated in pounds.
        (Decimal("7116"), Decimal("9.0718474"), "7112.3283616"),
    ],
)
def test_it_rounds_to_the_division_with_halves_away_from_zero(
    value: Decimal | int, division: Decimal | int, expected: str
) -> None:
    assert round_to_division(value, division) == Decimal(expected)


@any_speed
@given(
    st.decimals(-100000, 100000, places=4),
    st.sampled_from([1, 2, 5, 10, 20, 50, Decimal("0.5"), Decimal("0.3")]),
)
def test_the_rounded_value_is_the_nearest_multiple(value: Decimal, division: Decimal | int) -> None:
    rounded = Fraction(round_to_division(value, division))
    assert (rounded / Fraction(division)).denominator == 1
    assert abs(rounded - Fraction(value)) <= Fraction(division) / 2
    assert Fraction(round_to_division(-value, division)) == -rounded


@pytest.mark.parametrize(
    ("value", "division"),
    [
        (1.5, 1),
        (1, 0.5),
        (1, 0),
        (1, -20),
        (Decimal("NaN"), 1),
        (Decimal("Infinity"), 1),
        (True, 1),
        (1, True),
    ],
)
def test_it_refuses_what_cannot_be_rounded_exactly(value: Decimal, division: Decimal) -> None:
    with pytest.raises(UnusableReadings):
        round_to_division(value, division)


def test_every_entry_states_its_rounding_error() -> None:
    entries = list_display_entries(subtract(weigh(EMPTY_KG), weigh({"S": 6911.0, "SD": 17900.0})), 20)
    assert [(e.key, e.quantity) for e in entries] == [
        ("S", "tare"),
        ("S", "span"),
        ("D", "tare"),
        ("D", "span"),
    ]
    assert [e.entered_kg for e in entries] == [5200, 1720, 4600, 6380]
    assert [e.rounding_error_kg for e in entries] == [0, 9, 0, -9]
    assert all(e.u_kg > U_OWN_KG for e in entries[1:])


def test_the_noise_of_the_solution_does_not_decide_a_half() -> None:
    # In exact rationals S = 14235/2 kg: 7117.5 lies halfway between steps of 5.
    covers = ("S", "SD", "SDT", "DT", "T")
    values = (7100, 18480, 42160, 35020, 23700)
    for u_own_kg in (3.1, 7.7, 20.0, 33.3):
        readings = [Reading(c, v, frozenset(c), u_own_kg, "b") for c, v in zip(covers, values, strict=True)]
        empty = solve(readings, ("S", "D", "T"))
        entries = list_display_entries(subtract(empty, empty), 5)
        assert entries[0].entered_kg == 7120
        assert entries[0].rounding_error_kg == Decimal("2.5")
        assert entries[1].entered_kg == 0
