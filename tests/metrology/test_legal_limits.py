"""EU: figures of 96/53/EC Annex I as reproduced in NI SR 1999/258 Sch. 3 Table VI and secondary texts.

US: Va. Code 46.2-1126, California (AB 1953 text) and 67 Pa. Code 185.3, each named where used.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.legal_limits import (
    LOCAL_RULES_DECIDE,
    NEAREST_FOOT,
    NEXT_FOOT,
    RIGID,
    SEMI_TRAILER,
    TIES_UP,
    TRACTOR,
    TRAILER,
    Axle,
    LimitFinding,
    bridge_formula_lb,
    find_excesses,
    limit_eu_combination,
    list_eu_limits,
    list_us_limits,
)
from fleetcal.metrology.scale_classes import POUND_KG

FOOT_MM = Fraction(3048, 10)


def make_axles(
    *gaps_mm: int, driven: str = "", steered: str = "1", twin: str = "", air: str = ""
) -> list[Axle]:
    positions = [sum(gaps_mm[:end]) for end in range(len(gaps_mm) + 1)]
    return [
        Axle(
            number,
            position,
            driven=str(number) in driven,
            steered=str(number) in steered,
            twin_tyred=str(number) in twin,
            air_suspended=str(number) in air,
        )
        for number, position in enumerate(positions, start=1)
    ]


def make_axles_ft(*gaps_ft: float) -> list[Axle]:
    return make_axles(*(round(gap * FOOT_MM) for gap in gaps_ft))


def limit_of(findings: tuple[LimitFinding, ...], *axles: int) -> list[float]:
    return [finding.limit_kg for finding in findings if finding.axles == axles]


def limit_lb(findings: tuple[LimitFinding, ...], *axles: int) -> int:
    (limit_kg,) = limit_of(findings, *axles)
    return round(limit_kg / POUND_KG)


@pytest.mark.parametrize(
    ("gap_mm", "limit_kg"),
    [
        (990, 11_000), (999, 11_000), (1_000, 16_000), (1_290, 16_000), (1_299, 16_000),
        (1_300, 18_000), (1_799, 18_000), (1_800, 20_000), (2_500, 20_000),
    ],
)  # fmt: skip
def test_a_trailer_s_tandem_by_its_spacing(gap_mm: int, limit_kg: float) -> None:
    assert limit_of(list_eu_limits(make_axles(gap_mm), SEMI_TRAILER), 1, 2) == [limit_kg]


@pytest.mark.parametrize(
    ("gaps_mm", "limit_kg"),
    [((1_300, 1_300), 21_000), ((1_310, 1_310), 24_000), ((1_400, 1_400), 24_000), ((1_300, 1_400), 21_000)],
)
def test_a_trailer_s_tridem_by_its_closer_spacing(gaps_mm: tuple[int, int], limit_kg: float) -> None:
    findings = list_eu_limits(make_axles(*gaps_mm), SEMI_TRAILER)
    assert limit_of(findings, 1, 2, 3) == [limit_kg]
    assert limit_of(findings, 1, 2) == []


def test_three_trailer_axles_further_apart_are_two_tandems() -> None:
    findings = list_eu_limits(make_axles(1_410, 1_410), SEMI_TRAILER)
    assert limit_of(findings, 1, 2, 3) == []
    assert limit_of(findings, 1, 2) == limit_of(findings, 2, 3) == [18_000]


@pytest.mark.parametrize(
    ("gap_mm", "twin", "air", "limit_kg"),
    [
        (999, "3", "3", [11_500]),
        (1_000, "3", "3", [16_000]),
        (1_299, "3", "3", [16_000]),
        (1_300, "", "", [18_000]),
        (1_300, "3", "", [18_000]),
        (1_300, "", "3", [18_000]),
        (1_370, "3", "3", [19_000]),
        (1_799, "3", "3", [19_000]),
        (1_800, "3", "3", []),
    ],
)
def test_a_motor_vehicle_s_tandem_by_spacing_tyres_and_suspension(
    gap_mm: int, twin: str, air: str, limit_kg: list[float]
) -> None:
    findings = list_eu_limits(make_axles(3_900, gap_mm, driven="3", twin=twin, air=air), RIGID)
    assert limit_of(findings, 2, 3) == limit_kg


def test_single_axles_by_whether_they_are_driven() -> None:
    findings = list_eu_limits(make_axles(3_900, driven="2"), RIGID)
    assert limit_of(findings, 1) == [10_000]
    assert limit_of(findings, 2) == [11_500]


@pytest.mark.parametrize(
    ("axles", "kind", "limit_kg"),
    [
        (make_axles(3_900, driven="2"), RIGID, [18_000]),
        (make_axles(3_700, driven="2"), TRACTOR, [18_000]),
        (make_axles(5_000), TRAILER, [20_000, 18_000]),  # the two single axles, the gross
        (make_axles(3_900, 1_370, driven="2", twin="2"), RIGID, [25_000]),
        (make_axles(3_900, 1_370, driven="2", twin="2", air="2"), RIGID, [26_000]),
        (make_axles(3_900, 1_370), TRAILER, [24_000]),
        (
            make_axles(1_700, 3_000, 1_370, driven="34", steered="12", twin="34", air="34"),
            RIGID,
            [30_350, 32_000],
        ),
        (make_axles(1_700, 3_000, 1_370, driven="34", steered="1", twin="34", air="34"), RIGID, [30_350]),
        (make_axles(3_000, 4_000, 1_370, 1_370), TRAILER, []),
    ],
)
def test_gross_by_number_of_axles_and_kind(axles: list[Axle], kind: str, limit_kg: list[float]) -> None:
    assert limit_of(list_eu_limits(axles, kind), *range(1, len(axles) + 1)) == limit_kg


def test_a_semi_trailer_has_no_gross_of_its_own() -> None:
    assert limit_of(list_eu_limits(make_axles(1_310, 1_310), SEMI_TRAILER), 1, 2, 3) == [24_000]  # the tridem


@pytest.mark.parametrize(
    ("motor", "trailer", "articulated", "more", "limit_kg"),
    [
        (2, 2, True, {}, 36_000),
        (2, 2, True, {"semi_spacing_mm": 1_801, "air_suspended": True}, 38_000),
        (2, 2, True, {"semi_spacing_mm": 1_800, "air_suspended": True}, 36_000),
        (2, 2, True, {"semi_spacing_mm": 1_900}, 36_000),
        (2, 2, False, {"semi_spacing_mm": 1_900, "air_suspended": True}, 36_000),
        (2, 3, True, {}, 40_000),
        (3, 2, False, {}, 40_000),
        (3, 3, True, {}, 40_000),
        (3, 2, True, {"container": True}, 44_000),
        (3, 3, True, {"container": True}, 44_000),
        (2, 3, True, {"container": True}, 40_000),
        (3, 3, False, {"container": True}, 40_000),
        (2, 1, True, {}, None),
        (4, 3, False, {}, None),
    ],
)
def test_gross_of_a_combination(
    motor: int, trailer: int, articulated: bool, more: dict[str, object], limit_kg: float | None
) -> None:
    finding = limit_eu_combination(motor, trailer, articulated, **more)  # type: ignore[arg-type]
    assert (finding.limit_kg if finding else None) == limit_kg


# Va. Code 46.2-1126; every cell equals the formula with ties rounded down.
VIRGINIA = {
    9: {2: 39_000, 3: 42_500}, 10: {2: 40_000, 3: 43_500}, 12: {3: 45_000, 4: 50_000},
    14: {3: 46_500, 4: 51_500},
    16: {3: 48_000, 4: 52_500, 5: 58_000}, 18: {3: 49_500, 4: 54_000, 5: 59_000},
    20: {3: 51_000, 4: 55_500, 5: 60_500, 6: 66_000},
    24: {3: 54_000, 4: 58_000, 5: 63_000, 6: 68_500, 7: 74_000},
    27: {3: 56_000, 4: 60_000, 5: 65_000, 6: 70_000, 7: 75_500},
    30: {3: 58_500, 4: 62_000, 5: 66_500, 6: 72_000, 7: 77_500},
    32: {3: 60_000, 4: 63_500, 5: 68_000, 6: 73_000, 7: 78_500}, 34: {4: 64_500, 5: 69_000, 6: 74_500},
}  # fmt: skip


@pytest.mark.parametrize(
    ("distance_ft", "axles", "weight_lb"),
    [(feet, axles, weight) for feet, row in VIRGINIA.items() for axles, weight in row.items()],
)
def test_the_federal_style_table_rounds_ties_down(distance_ft: int, axles: int, weight_lb: int) -> None:
    assert bridge_formula_lb(axles, distance_ft) == weight_lb


@pytest.mark.parametrize(
    ("axles", "distance_ft", "weight_lb"),
    [
        (3, 11, 44_000), (3, 13, 45_500), (3, 15, 47_000), (3, 21, 51_500), (4, 22, 56_500),  # California
        # computed
        (3, 20, 51_000), (5, 51, 80_000), (4, 35, 65_500), (2, 9, 39_000), (6, 40, 78_000), (5, 50, 79_000),
    ],
)  # fmt: skip
def test_further_cells_with_ties_down(axles: int, distance_ft: int, weight_lb: int) -> None:
    assert bridge_formula_lb(axles, distance_ft) == weight_lb


@pytest.mark.parametrize(
    ("axles", "distance_ft", "weight_lb"),
    [
        (3, 11, 44_500), (3, 13, 46_000), (3, 19, 50_500), (5, 18, 59_500), (5, 22, 62_000), (5, 30, 67_000),
        (7, 27, 76_000), (6, 34, 74_500), (5, 43, 75_000), (6, 43, 80_000),
    ],
)  # fmt: skip
def test_pennsylvania_s_table_rounds_ties_up(axles: int, distance_ft: int, weight_lb: int) -> None:
    assert bridge_formula_lb(axles, distance_ft, TIES_UP) == weight_lb


@given(st.integers(2, 9), st.integers(1, 100))
def test_ties_are_all_that_the_two_tables_differ_in(axles: int, distance_ft: int) -> None:
    down, up = bridge_formula_lb(axles, distance_ft), bridge_formula_lb(axles, distance_ft, TIES_UP)
    raw = 500 * (Fraction(distance_ft * axles, axles - 1) + 12 * axles + 36)
    tie = raw % 500 == 250
    assert up - down == (500 if tie and up <= 80_000 and down < 80_000 else 0)
    assert -250 <= down - min(raw, Fraction(80_000)) <= 250
    assert bridge_formula_lb(axles, distance_ft + 1) >= down


def test_the_worked_example_of_a_five_axle_combination() -> None:
    # FHWA's worked example, from memory: 12 000 lb and four axles of 17 000 lb over 51 ft.
    axles = make_axles_ft(16, 4, 27, 4)
    findings = list_us_limits(axles)
    assert limit_lb(findings, 1, 2, 3) == 51_000
    assert limit_lb(findings, 1, 2, 3, 4, 5) == 80_000
    # The example stops at the formula's 65 500 lb over 35 ft, one foot short of the exception.
    assert limit_lb(findings, 2, 3, 4, 5) == 65_500
    loads_kg = dict.fromkeys(range(2, 6), 17_000 * POUND_KG) | {1: 12_000 * POUND_KG}
    excesses = find_excesses(findings, loads_kg)
    assert [excess.finding.axles for excess in excesses] == [(2, 3, 4, 5)]
    assert excesses[0].load_kg == pytest.approx(68_000 * POUND_KG)


@pytest.mark.parametrize(
    ("middle_ft", "limit"), [(27.9, 66_000), (28, 68_000), (30, 68_000), (31, 68_000), (32, 68_500)]
)
def test_two_tandems_36_ft_or_more_apart_may_carry_34000_lb_each(middle_ft: float, limit: int) -> None:
    assert limit_lb(list_us_limits(make_axles_ft(4, middle_ft, 4)), 1, 2, 3, 4) == limit


def test_four_axles_that_are_not_two_tandems_keep_the_formula() -> None:
    assert limit_lb(list_us_limits(make_axles_ft(9, 18, 9)), 1, 2, 3, 4) == 66_000


@pytest.mark.parametrize(
    ("gap_mm", "limit"),
    [
        (1_016, 20_000),  # 40 in
        (1_017, 34_000),
        (2_438, 34_000),  # just under 96 in
        (2_439, 38_000),
        (2_742, 38_000),
        (2_743, 39_000),  # 9 ft, rounded down to whole millimetres
    ],
)  # 40 in and 96 in as quoted from 23 CFR 658.17; 38 000 lb as in Pennsylvania's table
def test_two_axles_by_the_inch(gap_mm: int, limit: int) -> None:
    assert limit_lb(list_us_limits(make_axles(gap_mm)), 1, 2) == limit


@pytest.mark.parametrize(
    ("gaps_mm", "limit"), [((1_219, 1_219), 34_000), ((1_220, 1_220), 42_000), ((1_372, 1_372), 42_500)]
)
def test_three_axles_close_together(gaps_mm: tuple[int, int], limit: int) -> None:
    assert limit_lb(list_us_limits(make_axles(*gaps_mm)), 1, 2, 3) == limit


@pytest.mark.parametrize(
    ("inches", "nearest", "following"),
    [(605, 50, 51), (606, 51, 51), (600, 50, 50)],  # 50 ft 5 in = 50, 50 ft 6 in = 51: Wisconsin 348.15(5m)
)
def test_distances_to_the_nearest_foot_or_the_next(inches: int, nearest: int, following: int) -> None:
    # mm cannot say 605 in exactly: the last mm is rounded up, which stays on the same side.
    axles = make_axles(3_000, 3_000, 3_000, -(-inches * 254 // 10) - 9_000)
    for distances, feet in ((NEAREST_FOOT, nearest), (NEXT_FOOT, following)):
        findings = list_us_limits(axles, distances=distances)
        (note,) = [finding.note for finding in findings if len(finding.axles) == 5]
        assert f"{feet} ft between" in note
        assert limit_lb(findings, 1, 2, 3, 4, 5) == bridge_formula_lb(5, feet)


@given(st.lists(st.integers(400, 12_000), min_size=1, max_size=8))
def test_every_group_of_consecutive_axles_is_there_once(gaps_mm: list[int]) -> None:
    axles = make_axles(*gaps_mm)
    findings = list_us_limits(axles)
    count = len(axles)
    assert len(findings) == len({finding.axles for finding in findings}) == count + count * (count - 1) // 2
    assert all(0 < finding.limit_kg <= 80_000 * POUND_KG for finding in findings)
    assert all(finding.axles == tuple(range(finding.axles[0], finding.axles[-1] + 1)) for finding in findings)


def test_a_group_with_an_unknown_axle_is_not_judged() -> None:
    findings = list_us_limits(make_axles_ft(16, 4))
    assert find_excesses(findings, {2: 30_000, 3: 30_000}) != ()
    assert find_excesses(findings, {1: 5_000, 2: 15_000}) == find_excesses(findings, {2: 15_000})


def test_a_load_that_equals_its_limit_in_pounds_is_no_excess() -> None:
    findings = list_us_limits(make_axles_ft(4))
    assert find_excesses(findings, {1: 17_000 * POUND_KG, 2: 17_000 * POUND_KG}) == ()
    assert len(find_excesses(findings, {1: 17_000 * POUND_KG, 2: 17_001 * POUND_KG})) == 1


def test_the_words_that_local_rules_decide_come_with_it() -> None:
    assert "information only" in LOCAL_RULES_DECIDE
    assert "local rules and permits" in LOCAL_RULES_DECIDE


@pytest.mark.parametrize(
    "axles",
    [
        [],
        [Axle(1, 0), Axle(3, 4_000)],
        [Axle(1, 0), Axle(2, 0)],
        [Axle(1, 4_000), Axle(2, 100)],
        [Axle(2, 0), Axle(1, 4_000)],
    ],
)
def test_it_refuses_axles_out_of_order(axles: list[Axle]) -> None:
    with pytest.raises(RefusedError):
        list_eu_limits(axles, RIGID)
    with pytest.raises(RefusedError):
        list_us_limits(axles)


def test_it_refuses_options_it_does_not_have() -> None:
    axles = make_axles(3_900, 4_000)
    with pytest.raises(RefusedError):
        list_eu_limits(axles, "bus")
    with pytest.raises(RefusedError):
        list_us_limits(axles, ties="even")
    with pytest.raises(RefusedError):
        list_us_limits(axles, distances="inch")
    with pytest.raises(RefusedError):
        bridge_formula_lb(1, 20)
    with pytest.raises(RefusedError):
        bridge_formula_lb(3, 0)
    with pytest.raises(RefusedError):
        limit_eu_combination(1, 2, True)
    with pytest.raises(RefusedError):
        find_excesses(list_us_limits(axles), {1: -5.0})
