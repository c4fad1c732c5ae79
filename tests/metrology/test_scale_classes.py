"""R 76: SI 1995/1907 Sch. 2 para 4, Table 3 and 4.2. Class III L: NIST HB 44 2.20 Table 6 (from memory)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.scale_classes import (
    CERTIFICATE,
    CLASS_III,
    CLASS_III_L,
    CLASS_IIII,
    POUND_KG,
    initial_error_kg,
    interval_findings,
    load_findings,
    permissible_error_kg,
    u_from_certificate,
    u_from_class,
)

POINTS = ((1_000.0, 10.0), (10_000.0, 20.0), (40_000.0, 50.0))


@pytest.mark.parametrize(
    ("scale_class", "e_kg", "load_kg", "initial_kg"),
    [
        (CLASS_III, 20, 0, 10),
        (CLASS_III, 20, 10_000, 10),  # 500 e
        (CLASS_III, 20, 10_000.1, 20),
        (CLASS_III, 20, 10_020, 20),  # 501 e
        (CLASS_III, 20, 40_000, 20),  # 2 000 e
        (CLASS_III, 20, 40_020, 30),  # 2 001 e
        (CLASS_III, 20, 200_000, 30),  # 10 000 e
        (CLASS_III, 20, 200_180, 30),  # 10 000 e + 9 e
        (CLASS_IIII, 50, 2_500, 25),  # 50 e
        (CLASS_IIII, 50, 2_550, 50),  # 51 e
        (CLASS_IIII, 50, 10_000, 50),  # 200 e
        (CLASS_IIII, 50, 10_050, 75),  # 201 e
        (CLASS_IIII, 50, 50_000, 75),  # 1 000 e
    ],
)
def test_classes_iii_and_iiii_step_at_the_table_s_loads_and_double_in_service(
    scale_class: str, e_kg: float, load_kg: float, initial_kg: float
) -> None:
    assert initial_error_kg(scale_class, e_kg, load_kg) == initial_kg
    assert permissible_error_kg(scale_class, e_kg, load_kg) == 2 * initial_kg


@pytest.mark.parametrize(
    ("divisions", "maintenance"),
    [
        (0, 1), (1, 1), (500, 1), (501, 2), (1_000, 2), (1_001, 3),
        (1_500, 3), (1_501, 4), (4_000, 8), (4_001, 9), (10_000, 20),
    ],
)  # fmt: skip
def test_class_iii_l_is_not_doubled_and_acceptance_is_half(divisions: int, maintenance: int) -> None:
    d_kg = 20 * POUND_KG
    load_kg = divisions * 20 * POUND_KG
    assert permissible_error_kg(CLASS_III_L, d_kg, load_kg) == pytest.approx(maintenance * d_kg)
    assert initial_error_kg(CLASS_III_L, d_kg, load_kg) == pytest.approx(maintenance * d_kg / 2)


def test_an_80000_lb_load_on_class_iii_l_has_160_lb_maintenance_and_80_lb_acceptance() -> None:
    d_kg, load_kg = 20 * POUND_KG, 80_000 * POUND_KG
    assert permissible_error_kg(CLASS_III_L, d_kg, load_kg) / POUND_KG == pytest.approx(160)
    assert initial_error_kg(CLASS_III_L, d_kg, load_kg) / POUND_KG == pytest.approx(80)


@given(st.integers(1, 10_000))
def test_a_load_in_pounds_never_jumps_a_step_by_its_last_bit(divisions: int) -> None:
    in_pounds = permissible_error_kg(CLASS_III_L, 20 * POUND_KG, divisions * 20 * POUND_KG) / (20 * POUND_KG)
    assert in_pounds == pytest.approx(permissible_error_kg(CLASS_III_L, 20.0, divisions * 20.0) / 20.0)


@pytest.mark.parametrize(
    ("load_kg", "u_kg"), [(10_000, 11.547), (40_000, 23.094)]
)  # computed from the table above
def test_the_uncertainty_of_a_verified_bridge_is_its_error_in_service_over_root_three(
    load_kg: float, u_kg: float
) -> None:
    assert u_from_class(CLASS_III, 20, load_kg) == pytest.approx(u_kg, abs=5e-4)


@given(
    st.sampled_from([CLASS_III, CLASS_III_L, CLASS_IIII]),
    st.sampled_from([1.0, 2.0, 5.0, 10.0, 20.0, 50.0]),
    st.floats(0, 1_000),
    st.floats(0, 1_000),
)
def test_the_permissible_error_never_falls_with_the_load(
    scale_class: str, e_kg: float, one: float, other: float
) -> None:
    low, high = sorted((one, other))
    assert permissible_error_kg(scale_class, e_kg, low * e_kg) <= permissible_error_kg(
        scale_class, e_kg, high * e_kg
    )


@pytest.mark.parametrize(
    ("scale_class", "e_kg", "load_kg"),
    [
        (CLASS_III, 20, 200_181),
        (CLASS_IIII, 50, 50_451),
        (CLASS_III_L, 20, 200_181),
        (CLASS_III, 0, 100),
        (CLASS_III, -20, 100),
        (CLASS_III, 20, -1),
        (CLASS_III, 20, math.nan),
        (CLASS_III, math.inf, 100),
        (CLASS_III_L, 20, math.inf),
        ("II", 20, 100),
        (CERTIFICATE, 20, 100),
    ],
)
def test_it_refuses_what_no_class_provides_for(scale_class: str, e_kg: float, load_kg: float) -> None:
    with pytest.raises(RefusedError):
        permissible_error_kg(scale_class, e_kg, load_kg)
    with pytest.raises(RefusedError):
        initial_error_kg(scale_class, e_kg, load_kg)


def test_a_refusal_says_what_was_given_and_what_is_accepted_with_units() -> None:
    with pytest.raises(RefusedError, match=r"60000 kg given, at most 50450 kg expected"):
        u_from_class(CLASS_IIII, 50, 60_000)


@pytest.mark.parametrize(
    ("load_kg", "U_kg"),
    [(0, 10), (999, 10), (1_000, 10), (5_500, 15), (10_000, 20), (25_000, 35), (40_000, 50)],
)
def test_a_certificate_is_interpolated_and_held_at_its_first_point_below_it(
    load_kg: float, U_kg: float
) -> None:
    assert u_from_certificate(POINTS, 2.0, load_kg) == pytest.approx(U_kg / 2)


@pytest.mark.parametrize(
    ("points", "k", "load_kg"),
    [
        (POINTS, 2.0, 40_001),
        (POINTS, 2.0, -1),
        (POINTS, 0.0, 1_000),
        (POINTS, math.nan, 1_000),
        ((), 2.0, 1_000),
        (((1_000.0, 10.0), (1_000.0, 12.0)), 2.0, 1_000),
        (((2_000.0, 10.0), (1_000.0, 12.0)), 2.0, 1_000),
        (((1_000.0, 0.0),), 2.0, 1_000),
        (((1_000.0, math.nan),), 2.0, 1_000),
        (((math.inf, 10.0),), 2.0, 1_000),
    ],
)
def test_it_refuses_a_load_beyond_the_certificate_and_a_certificate_out_of_shape(
    points: tuple[tuple[float, float], ...], k: float, load_kg: float
) -> None:
    with pytest.raises(RefusedError):
        u_from_certificate(points, k, load_kg)


@pytest.mark.parametrize("e_kg", [0.01, 0.02, 0.05, 0.1, 0.5, 1, 2, 5, 10, 20, 50, 100, 1_000, 5_000])
def test_one_two_and_five_times_a_power_of_ten_are_proper_intervals(e_kg: float) -> None:
    assert interval_findings(CLASS_III, e_kg) == ()


@pytest.mark.parametrize("e_kg", [0.03, 0.25, 3, 4, 15, 25, 40, 99, 101])
def test_any_other_interval_is_a_finding(e_kg: float) -> None:
    (finding,) = interval_findings(CLASS_III, e_kg)
    assert finding.value == e_kg


def test_a_class_iii_l_interval_may_be_round_in_pounds() -> None:
    assert interval_findings(CLASS_III_L, 20 * POUND_KG) == ()
    assert interval_findings(CLASS_III, 20 * POUND_KG) != ()


@pytest.mark.parametrize(
    ("scale_class", "e_kg", "maximum_kg", "rules"),
    [
        (CLASS_III, 20, 60_000, []),
        (CLASS_III, 20, 10_000, []),
        (CLASS_III, 20, 9_980, ["fewest intervals of the class"]),
        (CLASS_III, 1, 10_001, ["most intervals of the class"]),
        (CLASS_IIII, 50, 10_000, []),
        (CLASS_IIII, 50, 4_950, ["fewest intervals of the class"]),
        (CLASS_IIII, 5, 10_000, ["most intervals of the class"]),
        (
            CLASS_IIII,
            4,
            10_000,
            ["interval is 1, 2 or 5 times a power of ten", "most intervals of the class"],
        ),
    ],
)
def test_the_number_of_intervals_belongs_to_the_class(
    scale_class: str, e_kg: float, maximum_kg: float, rules: list[str]
) -> None:
    assert [finding.rule for finding in interval_findings(scale_class, e_kg, maximum_kg)] == rules


@pytest.mark.parametrize(
    ("scale_class", "load_kg", "rules"),
    [
        (CLASS_III, 399, ["minimum load"]),  # 20 e
        (CLASS_III, 400, []),
        (CLASS_III, 60_180, []),  # Max + 9 e
        (CLASS_III, 60_181, ["maximum load and nine intervals"]),
        (CLASS_IIII, 199, ["minimum load"]),  # 10 e
        (CLASS_IIII, 200, []),
        (CLASS_III_L, 999, ["minimum load"]),  # 50 d, HB 44 Table 8 from memory
        (CLASS_III_L, 1_000, []),
    ],
)
def test_a_load_below_minimum_or_above_max_and_nine_intervals_is_a_finding(
    scale_class: str, load_kg: float, rules: list[str]
) -> None:
    assert [finding.rule for finding in load_findings(scale_class, 20, load_kg, 60_000)] == rules


def test_findings_refuse_a_class_without_a_table() -> None:
    with pytest.raises(RefusedError):
        interval_findings(CERTIFICATE, 20)
    with pytest.raises(RefusedError):
        load_findings(CERTIFICATE, 20, 100)
