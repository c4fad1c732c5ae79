"""Budgets against the GUM (JCGM 100, from memory) and against the package uncertainties."""

import math
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat, umath  # type: ignore[import-untyped]

from fleetcal.metrology.budget import (
    NORMAL,
    RECTANGULAR,
    ROOT_3,
    TRIANGULAR,
    Budget,
    Component,
    RefusedError,
    resolution,
)

positive = st.floats(1e-3, 1e4)


def make_type_a(u: float, degrees: float) -> Component:
    return Component("repeated", NORMAL, u, 1.0, degrees_of_freedom=degrees, type_a=True)


def test_gum_g_4_1_effective_degrees_of_freedom() -> None:
    # Relative u in %, from memory; printed 1.03 % and 19.0.
    budget = Budget((make_type_a(0.25, 9), make_type_a(0.57, 4), make_type_a(0.82, 14)))
    assert budget.u == pytest.approx(1.029466, abs=5e-7)
    assert budget.effective_degrees_of_freedom == pytest.approx(18.9987, abs=5e-5)
    assert budget.k == pytest.approx(2.14, abs=5e-3)


@pytest.mark.parametrize(
    ("degrees", "k"),
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)],
)  # GUM table G.2, column 95.45 %, from memory
def test_k_is_students_t_of_table_g_2(degrees: float, k: float) -> None:
    assert Budget((make_type_a(1.0, degrees),)).k == pytest.approx(k, abs=5e-3)


@pytest.mark.parametrize(
    ("components", "k_is_two"),
    [
        ((Component("certificate", NORMAL, 40, 2.0),), True),
        ((Component("certificate", NORMAL, 40, 2.0, degrees_of_freedom=4),), True),  # type B throughout
        ((make_type_a(1, 51),), True),
        ((make_type_a(1, 50),), False),
        ((make_type_a(1, 3), Component("certificate", NORMAL, 40, 2.0)), True),  # swamped: dof far above 50
        ((make_type_a(1, 3), Component("certificate", NORMAL, 1, 2.0)), False),
    ],
)
def test_k_is_exactly_two_for_type_b_only_or_more_than_fifty_degrees(
    components: tuple[Component, ...], k_is_two: bool
) -> None:
    assert (Budget(components).k == 2.0) is k_is_two


@pytest.mark.parametrize(("d", "u"), [(10, 2.8868), (20, 5.7735), (50, 14.434), (100, 28.868)])
def test_resolution_is_d_over_root_twelve(d: float, u: float) -> None:
    assert resolution(d).u == pytest.approx(u, rel=2e-5)


def test_the_difference_of_two_readings_of_the_same_division_is_d_over_root_six() -> None:
    assert Budget((resolution(20), resolution(20))).u == pytest.approx(8.1650, abs=5e-5)


def test_a_constructed_weighing_budget_in_the_manner_of_cg_18() -> None:
    # Constructed example: d 20 kg at zero and load, s 8 kg, eccentricity 20 kg at 10 000 kg, load 40 000 kg.
    budget = Budget(
        (
            resolution(20, "zero"),
            resolution(20, "load"),
            Component("repeatability", NORMAL, 8, 1.0),
            Component("eccentricity", RECTANGULAR, 20 / (2 * 10_000), ROOT_3, sensitivity=40_000),
        )
    )
    assert [component.contribution for component in budget.components] == pytest.approx(
        [5.7735, 5.7735, 8, 23.094], abs=5e-4
    )
    assert budget.u == pytest.approx(25.768, abs=5e-4)
    assert 2 * budget.u == pytest.approx(51.54, abs=5e-3)
    assert budget.k == 2.0


def test_the_budget_of_a_transfer_agrees_with_automatic_differentiation() -> None:
    weight, height, base, angle = ufloat(18_000, 90), ufloat(1.5, 0.1), ufloat(3.8, 0.01), ufloat(0.01, 0.002)
    oracle = weight * height * umath.sin(angle) / base
    sine = math.sin(0.01)
    budget = Budget(
        (
            Component("weight", NORMAL, 90, 1, 1.5 * sine / 3.8),
            Component("height", NORMAL, 0.1, 1, 18_000 * sine / 3.8),
            Component("base", NORMAL, 0.01, 1, -18_000 * 1.5 * sine / 3.8**2),
            Component("slope", NORMAL, 0.002, 1, 18_000 * 1.5 * math.cos(0.01) / 3.8),
        )
    )
    assert budget.u == pytest.approx(oracle.std_dev, rel=1e-12)


@given(st.lists(st.tuples(positive, st.floats(1, 200)), min_size=1, max_size=6))
def test_effective_degrees_lie_between_the_smallest_and_the_sum(pairs: list[tuple[float, float]]) -> None:
    budget = Budget(tuple(make_type_a(u, degrees) for u, degrees in pairs))
    degrees = [pair[1] for pair in pairs]
    assert min(degrees) * (1 - 1e-9) <= budget.effective_degrees_of_freedom <= sum(degrees) * (1 + 1e-9)
    assert 2.0 <= budget.k < 14.0


@given(st.lists(positive, min_size=1, max_size=6), positive)
def test_one_more_component_never_makes_u_smaller(sizes: list[float], more: float) -> None:
    components = tuple(Component("c", NORMAL, size, 1.0) for size in sizes)
    assert Budget((*components, Component("more", NORMAL, more, 1.0))).u >= Budget(components).u


def test_a_budget_without_spread_has_no_nan() -> None:
    budget = Budget((make_type_a(0.0, 3),))
    assert (budget.u, budget.k, budget.U) == (0.0, 2.0, 0.0)
    assert budget.as_summary()["effective_degrees_of_freedom"] == "infinite"


def test_lines_are_strings_with_fixed_decimals() -> None:
    lines = Budget((resolution(20, "display, division"), make_type_a(8, 9))).as_lines()
    assert lines[0] == {
        "source": "display, division",
        "evaluation": "B",
        "distribution": "rectangular",
        "half_width_or_u": "10.000000",
        "divisor": "1.732051",
        "u": "5.773503",
        "sensitivity": "1.000000",
        "contribution": "5.773503",
        "degrees_of_freedom": "infinite",
    }
    assert (lines[1]["evaluation"], lines[1]["degrees_of_freedom"]) == ("A", "9.00")


@pytest.mark.parametrize(
    "arguments",
    [
        ("s", "uniform", 1.0, 1.0),
        ("s", TRIANGULAR, -1.0, 1.0),
        ("s", NORMAL, math.nan, 1.0),
        ("s", NORMAL, math.inf, 1.0),
        ("s", NORMAL, 1.0, 0.0),
        ("s", NORMAL, 1.0, math.nan),
        ("s", NORMAL, 1.0, 1.0, math.nan),
        ("s", NORMAL, 1.0, 1.0, 1.0, 0.5),
        ("s", NORMAL, 1.0, 1.0, 1.0, math.nan),
    ],
)
def test_it_refuses_a_component_out_of_shape(arguments: tuple[object, ...]) -> None:
    with pytest.raises(RefusedError):
        Component(*arguments)  # type: ignore[arg-type]


def test_it_refuses_an_empty_budget_and_one_too_large_to_square() -> None:
    with pytest.raises(RefusedError):
        Budget(())
    with pytest.raises(RefusedError):
        Budget((Component("s", NORMAL, 1e308, 1.0, sensitivity=10.0),))
    with pytest.raises(RefusedError):
        resolution(0)


def test_a_refusal_survives_the_way_between_processes() -> None:
    refusal = pickle.loads(pickle.dumps(RefusedError("load", 5, "less", "kg")))
    assert (str(refusal), refusal.value, refusal.unit) == ("load: 5 kg given, less expected", 5, "kg")
