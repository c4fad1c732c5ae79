"""The comparison without a database: outside numbers first, then what combinations can and cannot give."""

import math
from dataclasses import replace

import pytest
from uncertainties import correlated_values, ufloat

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.conformity import GUARD_BAND, PROBABILITY_OF_CONFORMITY, DecisionRule, Tolerance
from fleetcal.metrology.indication import Repeatability
from fleetcal.records.comparison import compare
from fleetcal.records.comparison_terms import (
    ComparisonInputs,
    DisplayValue,
    GroupTerms,
    PlatformValue,
    Requirement,
    UnitTerms,
)
from fleetcal.records.references import ReferenceTerms, weigh

BRIDGE = ReferenceTerms("bridge", "weighbridge", "III", 20.0, 20.0)
GUARDED = Requirement(
    Tolerance(3.0, "maximum"), Tolerance(5.0, "maximum"), DecisionRule(GUARD_BAND, guard_factor=1.0)
)


def make_unit(key: str = "T", groups: tuple[float, ...] = (8_000.0, 19_000.0), **fields: object) -> UnitTerms:
    unit = UnitTerms(
        key=key,
        max_gross_kg=26_000.0,
        division_kg=20.0,
        repeatability=Repeatability(78.0),
        groups=tuple(
            GroupTerms(position, max_kg, Repeatability(0.003 * max_kg))
            for position, max_kg in enumerate(groups, 1)
        ),
        span_m=5.2,
    )
    return replace(unit, **fields)  # type: ignore[arg-type]


def make_inputs(
    unit: UnitTerms, platform: dict[str, float], display: dict[int, tuple[float, ...]], **fields: object
) -> ComparisonInputs:
    """*platform* by the keys that stood on it, as "T:1 T:2"."""
    inputs = ComparisonInputs(
        unit=unit,
        instrument=BRIDGE,
        requirement=GUARDED,
        platform=tuple(PlatformValue(kg, frozenset(keys.split())) for keys, kg in platform.items()),
        display=tuple(DisplayValue(unit.key, subject, values) for subject, values in display.items()),
    )
    return replace(inputs, **fields)  # type: ignore[arg-type]


def test_the_constructed_budget_of_a_display_of_100_kg_on_a_bridge_with_40_kg_permissible_error():
    # standards.md 10: d = 100 kg, s = 80 kg, one reading, mpe in service 40 kg -> u = 88.13 kg, U = 176.3 kg.
    # The whole numbers of u stand there only to two decimals of rounded terms, hence the loose bounds.
    unit = make_unit(division_kg=100.0, repeatability=Repeatability(80.0), groups=(8_000.0, 19_000.0))
    gross = compare(make_inputs(unit, {"T:1 T:2": 25_000.0}, {0: (25_300.0,)})).gross
    assert gross.error_kg == pytest.approx(300.0)
    assert gross.u_kg == pytest.approx(88.13, abs=0.02)
    assert gross.expanded_kg == pytest.approx(176.3, abs=0.1)
    assert gross.k == 2.0
    assert gross.degrees_of_freedom is None
    assert gross.u_shared_kg == pytest.approx(23.094, abs=0.001)
    assert math.sqrt(sum(float(str(line["contribution"])) ** 2 for line in gross.budget)) == pytest.approx(
        gross.u_kg, abs=1e-3
    )


@pytest.mark.parametrize(
    ("rule", "word", "acceptance_kg"),
    [
        # statistics.md 2.4: e = 420, u = 45, T = 500, U = 90; the two rules give opposite answers.
        (DecisionRule(GUARD_BAND, guard_factor=1.0), "conditional pass", 410.0),
        (DecisionRule(PROBABILITY_OF_CONFORMITY, probability=0.95), "pass", 425.982),
    ],
)
def test_the_rule_decides_and_is_the_only_difference(rule: DecisionRule, word: str, acceptance_kg: float):
    # A certificate with U = 2 · √(45² − u of the display's and the bridge's rounding²) gives u = 45 kg exactly.
    d_kg = 20.0
    u_kg = math.sqrt(45.0**2 - 2 * d_kg**2 / 12.0)
    bridge = replace(BRIDGE, scale_class="certificate", points=((10_000.0, 2 * u_kg), (60_000.0, 2 * u_kg)))
    unit = make_unit(repeatability=Repeatability(0.0))
    requirement = Requirement(Tolerance(2.0, "reference"), Tolerance(5.0, "maximum"), rule)
    inputs = make_inputs(
        unit, {"T:1 T:2": 25_000.0}, {0: (25_420.0,)}, instrument=bridge, requirement=requirement
    )
    gross = compare(inputs).gross
    assert gross.limit_kg == pytest.approx(500.0)
    assert gross.u_kg == pytest.approx(45.0)
    assert gross.word == word
    assert gross.acceptance_limit_kg == pytest.approx(acceptance_kg, abs=0.001)
    assert gross.conformance_probability == pytest.approx(0.962280, abs=1e-6)


def test_repeated_readings_shrink_repeatability_and_nothing_else():
    unit = make_unit(repeatability=Repeatability(80.0))
    one, four = (
        compare(make_inputs(unit, {"T:1 T:2": 25_000.0}, {0: (25_100.0,) * count})).gross for count in (1, 4)
    )
    assert one.u_kg is not None
    assert four.u_kg is not None
    assert one.u_kg**2 - four.u_kg**2 == pytest.approx(80.0**2 * 0.75)
    assert (one.readings, four.readings) == (1, 4)


def test_a_pooled_repeatability_brings_students_t():
    unit = make_unit(repeatability=Repeatability(80.0, 12.0))
    gross = compare(make_inputs(unit, {"T:1 T:2": 25_000.0}, {0: (25_100.0,)})).gross
    assert gross.degrees_of_freedom == pytest.approx(12.0 * (gross.u_kg or 0) ** 4 / 80.0**4)
    assert 2.0 < (gross.k or 0) < 2.3


def test_group_references_are_propagated_as_the_gum_says():
    """Gross and one group read; the other group is their difference, its common error the difference of the two."""
    unit = make_unit()
    outcome = compare(
        make_inputs(
            unit, {"T:1 T:2": 25_000.0, "T:1": 7_000.0}, {0: (25_100.0,), 1: (7_100.0,), 2: (18_000.0,)}
        )
    )
    whole, steer = weigh(BRIDGE, [(25_000.0, frozenset("T")), (7_000.0, frozenset("T"))])
    common = ufloat(0.0, 1.0)
    read = [ufloat(each.value_kg, each.u_own_kg) + each.u_shared_kg * common for each in (whole, steer)]
    difference = read[0] - read[1]
    shown = ufloat(18_000.0, math.hypot(20.0 / math.sqrt(12.0), 0.003 * 19_000.0))
    rear = outcome.subjects[2]
    assert rear.reference_kg == pytest.approx(difference.nominal_value)
    assert rear.u_kg == pytest.approx((shown - difference).std_dev)
    assert rear.u_shared_kg == pytest.approx(abs(whole.u_shared_kg - steer.u_shared_kg))
    assert outcome.gross.reference_kg == pytest.approx(25_000.0)


def test_the_gross_as_the_sum_of_its_groups_does_not_average_the_bridges_own_error_out():
    unit = make_unit()
    gross = compare(make_inputs(unit, {"T:1": 7_000.0, "T:2": 18_000.0}, {0: (25_100.0,)})).gross
    readings = weigh(BRIDGE, [(7_000.0, frozenset("a")), (18_000.0, frozenset("b"))])
    covariance = [
        [
            first.u_shared_kg * second.u_shared_kg + (first.u_own_kg**2 if first is second else 0.0)
            for second in readings
        ]
        for first in readings
    ]
    total = sum(correlated_values([r.value_kg for r in readings], covariance))
    shown = ufloat(25_100.0, math.hypot(20.0 / math.sqrt(12.0), 78.0))
    assert gross.reference_kg == pytest.approx(25_000.0)
    assert gross.u_kg == pytest.approx((shown - total).std_dev)
    assert (gross.u_shared_kg or 0) > 40.0 / math.sqrt(3.0) * 0.99


def test_one_reading_among_several_keeps_the_uncertainty_that_it_has_alone():
    for value_kg in (3_000.0, 12_000.0, 38_000.0):
        for reading in weigh(BRIDGE, [(value_kg, frozenset("a")), (25_000.0, frozenset("b"))])[:1]:
            alone = {3_000.0: 20.0, 12_000.0: 40.0, 38_000.0: 40.0}[value_kg] / math.sqrt(3.0)
            assert math.hypot(reading.u_own_kg, reading.u_shared_kg) == pytest.approx(
                max(alone, math.hypot(reading.u_shared_kg, 20.0 / math.sqrt(12.0)))
            )


def test_redundant_readings_that_contradict_each_other_are_said_to():
    unit = make_unit()
    gross = compare(
        make_inputs(unit, {"T:1 T:2": 25_000.0, "T:1": 7_000.0, "T:2": 19_000.0}, {0: (25_100.0,)})
    ).gross
    consistency = gross.budget[-1]["consistency"]
    assert isinstance(consistency, dict)
    assert consistency["is_consistent"] is False
    assert consistency["degrees_of_freedom"] == "1"


def test_fuel_burned_is_taken_from_the_reference_and_leaves_its_doubt():
    unit = make_unit()
    dry, burned = (
        compare(
            make_inputs(unit, {"T:1 T:2": 25_000.0}, {0: (25_000.0,), 1: (7_000.0,)}, fuel_used_kg=fuel)
        ).gross
        for fuel in (0.0, 50.0)
    )
    assert burned.reference_kg == pytest.approx(24_950.0)
    assert burned.error_kg == pytest.approx(50.0)
    assert burned.u_kg == pytest.approx(math.hypot(dry.u_kg or 0, 10.0))


def test_a_trailer_does_not_lose_the_fuel_that_its_tractor_burned():
    trailer = make_unit("S", (24_000.0,), carries_fuel=False)
    gross = compare(make_inputs(trailer, {"S:1": 20_000.0}, {0: (20_000.0,)}, fuel_used_kg=50.0)).gross
    assert gross.error_kg == pytest.approx(0.0)


def test_the_slope_of_the_site_adds_to_groups_weighed_separately_and_not_to_the_gross():
    unit = make_unit()
    platform, display = {"T:1": 7_000.0, "T:2": 18_000.0}, {0: (25_000.0,), 1: (7_000.0,), 2: (18_000.0,)}
    level, sloped = (
        compare(make_inputs(unit, platform, display, slope_percent=percent)) for percent in (0.0, 1.0)
    )
    assert sloped.gross.u_kg == pytest.approx(level.gross.u_kg)
    # W h sin θ / L with W 25 t, h 1.8 m, L 5.2 m at 1 %: 86.53 kg, rectangular.
    added = math.sqrt((sloped.subjects[1].u_kg or 0) ** 2 - (level.subjects[1].u_kg or 0) ** 2)
    assert added == pytest.approx(86.53 / math.sqrt(3.0), abs=0.01)


def test_a_display_without_a_gross_is_judged_by_the_sum_of_its_groups():
    gross = compare(
        make_inputs(make_unit(), {"T:1 T:2": 25_000.0}, {1: (7_100.0, 7_120.0), 2: (18_000.0, 18_020.0)})
    ).gross
    assert gross.indicated_kg == pytest.approx(25_120.0)
    assert gross.word
    assert gross.readings == 2


def test_a_group_without_a_reference_of_its_own_gets_no_decision():
    outcome = compare(make_inputs(make_unit(), {"T:1 T:2": 25_000.0}, {0: (25_100.0,), 1: (7_100.0,)}))
    group = outcome.subjects[1]
    assert (group.is_separable, group.word, group.error_kg) == (False, "", None)
    assert group.indicated_kg == pytest.approx(7_100.0)


TRACTOR = make_unit("T", (7_500.0, 11_500.0), max_gross_kg=18_000.0)
TRAILER = make_unit("S", (24_000.0,), max_gross_kg=24_000.0, carries_fuel=False)


def make_combination(unit: UnitTerms, platform: dict[str, float]) -> ComparisonInputs:
    other = TRAILER if unit is TRACTOR else TRACTOR
    displays = (DisplayValue("T", 0, (16_000.0,)), DisplayValue("S", 0, (22_100.0,)))
    return replace(make_inputs(unit, platform, {}), coupled=(other,), display=displays)


@pytest.mark.parametrize("unit", [TRACTOR, TRAILER])
def test_a_combination_in_one_draft_gives_no_unit_a_decision_but_the_sum_an_error(unit: UnitTerms):
    gross = compare(make_combination(unit, {"T:1 T:2 S:1": 38_000.0})).gross
    assert (gross.is_separable, gross.word, gross.error_kg) == (False, "", None)
    combination = gross.budget[-1]["combination"]
    assert isinstance(combination, dict)
    assert combination["error_kg"] == "100.000"
    # mpe in service 40 kg at 38 t, two displays of d = 20 kg and s = 78 kg each.
    expected = math.sqrt(40.0**2 / 3 + 2 * (20.0**2 / 12 + 78.0**2))
    assert float(combination["u_kg"]) == pytest.approx(expected, abs=0.001)


def test_a_combination_with_a_reading_of_the_tractor_alone_separates_both_units():
    platform = {"T:1 T:2 S:1": 38_000.0, "T:1 T:2": 15_900.0}
    tractor, trailer = (compare(make_combination(unit, platform)).gross for unit in (TRACTOR, TRAILER))
    assert tractor.error_kg == pytest.approx(100.0)
    assert trailer.error_kg == pytest.approx(0.0, abs=1e-6)
    assert tractor.word
    assert trailer.word
    assert trailer.u_kg is not None


def test_pads_read_in_two_halves_that_share_their_permissible_error():
    pads = ReferenceTerms("pads", "pads", "IIII", 50.0, 50.0)
    gross = compare(
        make_inputs(
            make_unit(), {"T:1": 7_000.0, "T:2": 18_000.0}, {0: (25_000.0,), 1: (7_000.0,)}, instrument=pads
        )
    )
    # OIML R 76 class IIII: 3 500 kg on each pad is 70 e, so 1 e initial, 2 e in service: 100 kg a pad.
    assert gross.subjects[1].u_kg == pytest.approx(
        math.sqrt((200.0 / math.sqrt(3.0)) ** 2 + 20.0**2 / 12 + 24.0**2), rel=1e-3
    )


def test_a_certificate_of_pads_speaks_for_each_pad_and_both_round():
    # 11 500 kg are above one pad's 10 000 kg, 5 750 kg are not: U = 40 kg, k = 2, so u = 20 kg a pad, taken as one error: 40 kg.
    pads = ReferenceTerms("pads", "pads", "IIII", 50.0, 50.0, ((10_000.0, 40.0),), 2.0)
    platform, display = {"T:1": 7_000.0, "T:2": 11_500.0}, {2: (11_500.0,)}
    drive = compare(make_inputs(make_unit(), platform, display, instrument=pads)).subjects[1]
    expected = math.sqrt(40.0**2 + 2 * 50.0**2 / 12 + 20.0**2 / 12 + (0.003 * 19_000) ** 2)
    assert drive.u_kg == pytest.approx(expected, rel=1e-3)


def test_one_reading_of_certified_pads_rounds_twice():
    pads = ReferenceTerms("pads", "pads", "IIII", 50.0, 50.0, ((10_000.0, 40.0),), 2.0)
    drive = compare(make_inputs(make_unit(), {"T:2": 11_500.0}, {2: (11_500.0,)}, instrument=pads)).subjects[
        1
    ]
    expected = math.sqrt(40.0**2 + 2 * 50.0**2 / 12 + 20.0**2 / 12 + (0.003 * 19_000) ** 2)
    assert drive.u_kg == pytest.approx(expected, rel=1e-6)


def test_a_load_above_the_instruments_class_is_refused_with_its_numbers():
    tiny = replace(BRIDGE, e_kg=0.5, d_kg=0.5)
    with pytest.raises(RefusedError, match="25000"):
        compare(make_inputs(make_unit(), {"T:1 T:2": 25_000.0}, {0: (25_000.0,)}, instrument=tiny))
