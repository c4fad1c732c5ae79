"""Computed and constructed cases; the transfer's formula is Jazar, Vehicle Dynamics, eq. 2.44-2.46."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat  # type: ignore[import-untyped]

from fleetcal.metrology.budget import NORMAL, RECTANGULAR, Component, RefusedError
from fleetcal.metrology.indication import (
    Change,
    Display,
    IndicationError,
    Reference,
    Repeatability,
    bound_transfer,
    evaluate_combination,
    evaluate_indication,
    pooled_repeatability,
    refer_to_certificate,
    refer_to_class,
    refer_to_value,
    transfer_kg,
)
from fleetcal.metrology.scale_classes import CLASS_III, CLASS_III_L, POUND_KG

weights = st.floats(1_000, 60_000)


def make_error(readings_kg: tuple[float, ...] = (40_900.0,), **more: object) -> IndicationError:
    reference = refer_to_class(40_000, CLASS_III, 20)
    return evaluate_indication(reference, readings_kg, 100, Repeatability(80), **more)  # type: ignore[arg-type]


def test_a_single_display_against_a_verified_bridge() -> None:
    # Constructed: display d 100 kg, s 80 kg, one reading, class III e 20 kg at 2 000 e.
    result = make_error()
    assert result.error_kg == 900
    assert result.u_kg == pytest.approx(88.13, abs=5e-3)
    assert result.U_kg == pytest.approx(176.3, abs=5e-2)
    assert result.relative_error == pytest.approx(0.0225)
    assert result.single_reading


@pytest.mark.parametrize("count", [1, 2, 4, 9])
def test_repeatability_shrinks_with_the_readings_and_rounding_does_not(count: int) -> None:
    result = make_error((40_900.0,) * count)
    lines = {line["source"]: float(line["contribution"]) for line in result.budget.as_lines()}
    word = "reading" if count == 1 else "readings"
    assert lines[f"display, repeatability of {count} {word}"] == pytest.approx(
        80 / math.sqrt(count), abs=1e-6
    )
    assert lines["display, division"] == pytest.approx(100 / math.sqrt(12), abs=1e-6)
    assert result.single_reading is (count == 1)


def test_fuel_burned_after_the_reference_makes_the_reference_lighter() -> None:
    result = make_error(changes=[Change("fuel used", -60, 15), Change("driver out", -85, 5)])
    assert result.reference_kg == 39_855
    assert result.error_kg == 1_045
    assert result.u_kg == pytest.approx(math.hypot(88.1287, 15, 5), abs=1e-3)


def test_a_pooled_repeatability_counts_as_type_a_and_a_stated_one_as_type_b() -> None:
    reference = refer_to_value(18_000, 5.0)
    stated = evaluate_indication(reference, (18_100,), 20, Repeatability(80))
    pooled = evaluate_indication(reference, (18_100,), 20, Repeatability(80, 4))
    assert stated.budget.k == 2.0
    # ν = 4·(u²/s²)² with u² = 6 400 + 400/12 + 25; k from GUM table G.2, from memory: 2.87 at ν = 4.
    assert pooled.budget.effective_degrees_of_freedom == pytest.approx(4 * (6_458.3333 / 6_400) ** 2)
    assert 2.7 < pooled.budget.k < 2.87
    assert pooled.u_kg == stated.u_kg


def test_a_reference_by_certificate_interpolates_and_keeps_its_k() -> None:
    reference = refer_to_certificate(25_000, ((10_000, 20), (40_000, 50)), 2.0, rounding_division_kg=20)
    assert [component.u for component in reference.components] == pytest.approx([17.5, 5.7735], abs=1e-4)
    assert reference.components[0].divisor == 2.0


def test_a_reference_by_class_adds_its_rounding_only_when_asked() -> None:
    assert len(refer_to_class(40_000, CLASS_III, 20).components) == 1
    assert len(refer_to_class(40_000, CLASS_III, 20, rounding_division_kg=20).components) == 2
    (line,) = refer_to_class(80_000 * POUND_KG, CLASS_III_L, 20 * POUND_KG).components
    assert line.half_width_or_u == pytest.approx(160 * POUND_KG)


def test_a_combination_is_the_sum_of_its_displays_against_one_gross_reference() -> None:
    result = evaluate_combination(
        refer_to_value(40_000, 25),
        (
            Display((15_980.0, 16_020.0), 20, Repeatability(60), "tractor"),
            Display((24_500.0,), 100, Repeatability(90), "semi-trailer"),
        ),
    )
    assert (result.indicated_kg, result.error_kg) == (40_500, 500)
    assert result.single_reading
    oracle = (
        ufloat(0, 60) / math.sqrt(2) + ufloat(0, 90) + ufloat(0, 20 / math.sqrt(12))
        + ufloat(0, 100 / math.sqrt(12)) + ufloat(0, 25)
    )  # fmt: skip
    assert result.u_kg == pytest.approx(oracle.std_dev, rel=1e-12)
    sources = [line["source"] for line in result.budget.as_lines()]
    assert "tractor, repeatability of 2 readings" in sources
    assert "semi-trailer, division" in sources


def test_further_terms_enter_the_budget_as_they_are() -> None:
    slope = bound_transfer(18_000, 1.5, 3.8, 0.01)
    assert slope.distribution == RECTANGULAR
    assert slope.half_width_or_u == pytest.approx(71.05, abs=5e-3)
    result = make_error(further=[slope, Component("temperature", NORMAL, 30, 1.0)])
    assert result.u_kg == pytest.approx(math.hypot(88.1287, 71.05 / math.sqrt(3), 30), abs=1e-2)


@pytest.mark.parametrize(
    ("weight_kg", "height_m", "base_m", "slope", "moved_kg", "tolerance"),
    [
        (18_000, 1.5, 3.8, 0.01, 71.05, 5e-3),
        (18_000, 1.9, 3.8, 0.02, 179.96, 5e-3),
        (42_000, 1.8, 12.5, 0.01, 60.48, 5e-3),
        (42_000, 1.8, 12.5, 0.003, 18.14, 5e-3),
        (18_000, 1.5, 3.8, 0.0, 0.0, 0.0),
    ],
)  # computed
def test_a_slope_moves_weight_between_groups(
    weight_kg: float, height_m: float, base_m: float, slope: float, moved_kg: float, tolerance: float
) -> None:
    assert transfer_kg(weight_kg, height_m, base_m, slope) == pytest.approx(moved_kg, abs=tolerance)
    assert transfer_kg(weight_kg, height_m, base_m, -slope) == pytest.approx(-moved_kg, abs=tolerance)


@pytest.mark.parametrize(
    ("slope", "front_kg", "rear_kg"),
    [
        (0.0, 7105.263, 10894.737),
        (0.01, 7029.122, 10969.978),
        (0.02, 6952.294, 11044.107),
        (0.03, 6874.802, 11117.104),
    ],
)  # computed: W 18 000 kg, wheelbase 3.8 m, centre of gravity 2.3 m behind the front axle and 1.6 m high
def test_static_balance_on_a_slope_is_cosine_and_transfer(
    slope: float, front_kg: float, rear_kg: float
) -> None:
    cosine = math.cos(math.atan(slope))
    moved_kg = transfer_kg(18_000, 1.6, 3.8, slope)
    assert 18_000 * 1.5 / 3.8 * cosine - moved_kg == pytest.approx(front_kg, abs=5e-4)
    assert 18_000 * 2.3 / 3.8 * cosine + moved_kg == pytest.approx(rear_kg, abs=5e-4)


def test_pooling_weights_variances_by_their_degrees_of_freedom() -> None:
    groups = [[10.0, 20.0, 60.0], [100.0, 140.0], [7.0], []]
    s_kg, degrees = pooled_repeatability(groups)
    expected = (2 * statistics.variance(groups[0]) + statistics.variance(groups[1])) / 3
    assert s_kg == pytest.approx(math.sqrt(expected))
    assert degrees == 3.0


def test_pooling_recovers_a_known_standard_deviation() -> None:
    rng = np.random.default_rng(20261125)
    loads = rng.uniform(5_000, 40_000, 4_000)
    groups = loads[:, None] + rng.normal(0, 80, (4_000, 3))
    s_kg, degrees = pooled_repeatability(groups.tolist())
    assert degrees == 8_000
    # Four standard errors of s, 80/√(2·8 000).
    assert s_kg == pytest.approx(80, abs=4 * 80 / math.sqrt(2 * 8_000))


@given(weights, st.lists(weights, min_size=1, max_size=4), st.floats(1, 500), st.floats(0, 300))
def test_the_error_is_the_mean_indication_less_the_reference(
    reference_kg: float, readings_kg: list[float], u_kg: float, s_kg: float
) -> None:
    result = evaluate_indication(refer_to_value(reference_kg, u_kg), readings_kg, 20, Repeatability(s_kg))
    assert result.error_kg == pytest.approx(statistics.fmean(readings_kg) - reference_kg, abs=1e-6)
    assert result.u_kg >= u_kg
    assert math.isfinite(result.U_kg)


@given(weights, weights, st.floats(-500, 500))
def test_a_change_shifts_the_error_by_itself(
    reference_kg: float, reading_kg: float, change_kg: float
) -> None:
    reference = refer_to_value(reference_kg, 10)
    plain = evaluate_indication(reference, (reading_kg,), 20, Repeatability(50))
    shifted = evaluate_indication(
        reference, (reading_kg,), 20, Repeatability(50), [Change("load", change_kg, 0)]
    )
    assert shifted.error_kg == pytest.approx(plain.error_kg - change_kg, abs=1e-6)


@pytest.mark.parametrize(
    ("reference_kg", "readings_kg", "division_kg", "s_kg", "degrees", "change"),
    [
        (0.0, (100.0,), 20, 80, math.inf, None),
        (-5.0, (100.0,), 20, 80, math.inf, None),
        (math.nan, (100.0,), 20, 80, math.inf, None),
        (1_000.0, (), 20, 80, math.inf, None),
        (1_000.0, (math.nan,), 20, 80, math.inf, None),
        (1_000.0, (100.0, math.inf), 20, 80, math.inf, None),
        (1_000.0, (1.7e308, 1.7e308), 20, 80, math.inf, None),
        (1_000.0, (100.0,), 0, 80, math.inf, None),
        (1_000.0, (100.0,), 20, -1, math.inf, None),
        (1_000.0, (100.0,), 20, math.nan, math.inf, None),
        (1_000.0, (100.0,), 20, 80, 0.0, None),
        (1_000.0, (100.0,), 20, 80, math.nan, None),
        (1_000.0, (100.0,), 20, 80, math.inf, Change("load lost", -1_000, 5)),
        (1_000.0, (100.0,), 20, 80, math.inf, Change("fuel", math.nan, 5)),
        (1_000.0, (100.0,), 20, 80, math.inf, Change("fuel", -10, -5)),
    ],
)
def test_it_refuses_an_input_out_of_shape(
    reference_kg: float,
    readings_kg: tuple[float, ...],
    division_kg: float,
    s_kg: float,
    degrees: float,
    change: Change | None,
) -> None:
    reference = Reference(reference_kg, (Component("reference", NORMAL, 10, 1.0),))
    changes = [] if change is None else [change]
    with pytest.raises(RefusedError):
        evaluate_indication(reference, readings_kg, division_kg, Repeatability(s_kg, degrees), changes)


def test_it_refuses_a_combination_without_displays_and_pooling_without_repeats() -> None:
    with pytest.raises(RefusedError):
        evaluate_combination(refer_to_value(1_000, 5), ())
    with pytest.raises(RefusedError):
        pooled_repeatability([[1.0], [2.0]])
    with pytest.raises(RefusedError):
        pooled_repeatability([[1.0, math.nan]])


@pytest.mark.parametrize(
    "arguments", [(-1, 1.5, 3.8, 0.01), (1, -1, 3.8, 0.01), (1, 1, 0, 0.01), (1, 1, 1, math.nan)]
)
def test_it_refuses_a_transfer_out_of_shape(arguments: tuple[float, float, float, float]) -> None:
    with pytest.raises(RefusedError):
        transfer_kg(*arguments)
