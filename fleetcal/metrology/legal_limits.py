"""Axle, group and gross limits of two published tables, for information only.

EU: Directive 96/53/EC Annex I; tandem and tridem figures read in NI SR 1999/258
Sch. 3 Table VI, the others in secondary texts that reproduce the annex. US: 23 U.S.C. 127(a)(2) and the
tables made from it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from fleetcal.metrology.budget import RefusedError, require_not_negative
from fleetcal.metrology.scale_classes import POUND_KG

LOCAL_RULES_DECIDE = (
    "For information only: local rules and permits, and the rating plate, decide what a vehicle may carry."
)

RIGID = "rigid"
TRACTOR = "tractor"
TRAILER = "trailer"
SEMI_TRAILER = "semi-trailer"
KINDS = (RIGID, TRACTOR, TRAILER, SEMI_TRAILER)

TIES_DOWN = "down"
TIES_UP = "up"
NEAREST_FOOT = "nearest foot"
NEXT_FOOT = "next foot"

SINGLE_AXLE_LB = 20_000
TANDEM_LB = 34_000
GROSS_LB = 80_000
INCHES_OF_SINGLE_AXLE = 40
INCHES_OF_TANDEM = 96
INCHES_OF_SHORT_GROUP = 108
FEET_OF_TWO_TANDEMS = 36

_INCH_MM = Fraction(254, 10)


@dataclass(frozen=True, slots=True)
class Axle:
    """An axle by its number from the front and its distance behind the first one, mm."""

    number: int
    position_mm: int
    driven: bool = False
    steered: bool = False
    twin_tyred: bool = False
    air_suspended: bool = False


@dataclass(frozen=True, slots=True)
class LimitFinding:
    """What a table gives for a group of axles, by their numbers; never a permission (LOCAL_RULES_DECIDE)."""

    axles: tuple[int, ...]
    limit_kg: float
    rule_name: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Excess:
    """A group whose load is above what a table gives."""

    finding: LimitFinding
    load_kg: float


def list_eu_limits(axles: Sequence[Axle], kind: str) -> tuple[LimitFinding, ...]:
    """Limits of 96/53/EC Annex I for one unit: each axle, each tandem or tridem, and its gross, kg.

    Two axles less than 1.8 m apart are a tandem, on trailers any two that belong to no tridem; three axles of
    a trailer no more than 1.4 m apart are a tridem. A semi-trailer has no gross limit of its own in the
    annex.
    """
    _check_axles(axles)
    if kind not in KINDS:
        raise RefusedError("kind of vehicle", kind, ", ".join(KINDS))
    motor = kind in (RIGID, TRACTOR)
    found = [_limit_eu_axle(axle) for axle in axles]
    tridems = [] if motor else _find_tridems(axles)
    found += [_limit_eu_tridem(group) for group in tridems]
    for pair in pairwise(axles):
        inside = any(set(pair) <= set(tridem) for tridem in tridems)
        finding = None if inside else _limit_eu_tandem(pair, motor)
        if finding is not None:
            found.append(finding)
    found += _limit_eu_gross(axles, kind)
    return tuple(found)


def limit_eu_combination(
    motor_axles: int,
    trailer_axles: int,
    articulated: bool,
    *,
    semi_spacing_mm: int | None = None,
    air_suspended: bool = False,
    container: bool = False,
) -> LimitFinding | None:
    """Gross limit of a combination (96/53/EC Annex I), or None where the annex has no row for it.

    `semi_spacing_mm` is the distance of a semi-trailer's two axles; `container` means combined transport. The
    finding's axles are counted through the combination.
    """
    if motor_axles < 2 or trailer_axles < 1:
        raise RefusedError("axles of the combination", f"{motor_axles} + {trailer_axles}", "at least 2 + 1")
    total = motor_axles + trailer_axles
    numbers = tuple(range(1, total + 1))
    rule = "96/53/EC Annex I, gross of the combination"
    if articulated and container and motor_axles == 3 and trailer_axles in (2, 3):
        return LimitFinding(numbers, 44_000.0, rule, "container in combined transport")
    if total in (5, 6) and motor_axles <= 3 and trailer_axles <= 3:
        return LimitFinding(numbers, 40_000.0, rule)
    if motor_axles == 2 and trailer_axles == 2:
        if articulated and air_suspended and semi_spacing_mm is not None and semi_spacing_mm > 1_800:
            note = "where the tractor keeps 18 t and the semi-trailer's tandem 20 t"
            return LimitFinding(numbers, 38_000.0, rule, note)
        return LimitFinding(numbers, 36_000.0, rule)
    return None


def list_us_limits(
    axles: Sequence[Axle], ties: str = TIES_DOWN, distances: str = NEAREST_FOOT
) -> tuple[LimitFinding, ...]:
    """Limits of 23 U.S.C. 127(a)(2): each axle, and each of the N(N−1)/2 groups of two or more in a row, kg.

    Distances are those between the outer axles, to the nearest foot with the half foot up, or any fraction up
    (`distances`). `ties` rounds an exact 250 lb down, as tables in the federal manner do, or up.
    """
    _check_axles(axles)
    if distances not in (NEAREST_FOOT, NEXT_FOOT):
        raise RefusedError("rounding of distances", distances, f"{NEAREST_FOOT} or {NEXT_FOOT}")
    found = [_find_us((axle,), SINGLE_AXLE_LB, "single axle", "") for axle in axles]
    for first in range(len(axles) - 1):
        ends = range(first + 2, len(axles) + 1)
        found += [_limit_us_group(tuple(axles[first:end]), ties, distances) for end in ends]
    return tuple(found)


def bridge_formula_lb(axles: int, distance_ft: int, ties: str = TIES_DOWN) -> int:
    """W = 500·(L·N/(N−1) + 12·N + 36) to the nearest 500 lb, at most 80 000 lb; N axles over L whole feet.

    Exact in fractions. Ties down is inferred from Virginia's copy of the federal table (Va. Code 46.2-1126),
    ties up from Pennsylvania's (67 Pa. Code 185.3); the statute itself is silent.
    """
    if axles < 2:
        raise RefusedError("axles in the group", axles, "at least 2")
    if distance_ft < 1:
        raise RefusedError("distance between the outer axles", distance_ft, "at least 1 ft", "ft")
    steps = Fraction(distance_ft * axles, axles - 1) + 12 * axles + 36
    half = Fraction(1, 2)
    if ties == TIES_DOWN:
        rounded = math.ceil(steps - half)
    elif ties == TIES_UP:
        rounded = math.floor(steps + half)
    else:
        raise RefusedError("rounding of ties", ties, f"{TIES_DOWN} or {TIES_UP}")
    return min(500 * rounded, GROSS_LB)


def find_excesses(findings: Sequence[LimitFinding], load_kg: Mapping[int, float]) -> tuple[Excess, ...]:
    """The findings whose group carries more than the table gives; load_kg by axle number.

    A group with an axle whose load is not known is left out: nothing can be said of it.
    """
    for number, load in load_kg.items():
        require_not_negative(f"load of axle {number}", load, "kg")
    excesses = []
    for finding in findings:
        if all(number in load_kg for number in finding.axles):
            total_kg = math.fsum(load_kg[number] for number in finding.axles)
            # A load entered in pounds equals its limit only to the last bit.
            if total_kg > finding.limit_kg * (1.0 + 1e-9):
                excesses.append(Excess(finding, total_kg))
    return tuple(excesses)


def _check_axles(axles: Sequence[Axle]) -> None:
    if not axles:
        raise RefusedError("axles", 0, "at least one")
    for front, rear in pairwise(axles):
        if rear.number != front.number + 1:
            raise RefusedError("axle number", rear.number, f"{front.number + 1}, counted from the front")
        if rear.position_mm <= front.position_mm:
            place = f"behind axle {front.number}, more than {front.position_mm} mm"
            raise RefusedError(f"position of axle {rear.number}", rear.position_mm, place, "mm")


def _number(axles: Sequence[Axle]) -> tuple[int, ...]:
    return tuple(axle.number for axle in axles)


def _limit_eu_axle(axle: Axle) -> LimitFinding:
    if axle.driven:
        return LimitFinding((axle.number,), 11_500.0, "96/53/EC Annex I, driving axle")
    return LimitFinding((axle.number,), 10_000.0, "96/53/EC Annex I, axle that is not driven")


def _find_tridems(axles: Sequence[Axle]) -> list[tuple[Axle, Axle, Axle]]:
    triples = zip(axles, axles[1:], axles[2:], strict=False)
    return [triple for triple in triples if max(_measure_gaps(triple)) <= 1_400]


def _measure_gaps(axles: Sequence[Axle]) -> list[int]:
    return [rear.position_mm - front.position_mm for front, rear in pairwise(axles)]


def _limit_eu_tridem(group: tuple[Axle, Axle, Axle]) -> LimitFinding:
    gaps = _measure_gaps(group)
    limit_kg = 21_000.0 if min(gaps) <= 1_300 else 24_000.0
    note = f"{gaps[0]} mm and {gaps[1]} mm between the axles"
    return LimitFinding(_number(group), limit_kg, "96/53/EC Annex I, tridem of a trailer", note)


def _limit_eu_tandem(pair: tuple[Axle, Axle], motor: bool) -> LimitFinding | None:
    gap_mm = pair[1].position_mm - pair[0].position_mm
    note = f"{gap_mm} mm between the axles"
    if motor:
        if gap_mm >= 1_800:
            return None
        rule = "96/53/EC Annex I, tandem of a motor vehicle"
        limit_kg = 11_500.0 if gap_mm < 1_000 else 16_000.0 if gap_mm < 1_300 else 18_000.0
        if limit_kg == 18_000.0 and _has_spared_drive(pair):
            limit_kg, note = 19_000.0, f"{note}; driving axle with twin tyres and air suspension"
        elif limit_kg == 18_000.0 and _has_twin_drive(pair):
            note = f"{note}; 19 t while no driving axle is above 9.5 t"
        return LimitFinding(_number(pair), limit_kg, rule, note)
    rule = "96/53/EC Annex I, tandem of a trailer"
    if gap_mm >= 1_800:
        note += ", as two single axles"
    steps = ((1_000, 11_000.0), (1_300, 16_000.0), (1_800, 18_000.0))
    limit_kg = next((limit for end_mm, limit in steps if gap_mm < end_mm), 20_000.0)
    return LimitFinding(_number(pair), limit_kg, rule, note)


def _has_twin_drive(axles: Sequence[Axle]) -> bool:
    driven = [axle for axle in axles if axle.driven]
    return bool(driven) and all(axle.twin_tyred for axle in driven)


def _has_spared_drive(axles: Sequence[Axle]) -> bool:
    return _has_twin_drive(axles) and all(axle.air_suspended for axle in axles if axle.driven)


def _limit_eu_gross(axles: Sequence[Axle], kind: str) -> list[LimitFinding]:
    numbers = _number(axles)
    if kind == SEMI_TRAILER:
        return []
    if kind == TRAILER:
        by_axles = {2: 18_000.0, 3: 24_000.0}
        rule = "96/53/EC Annex I, gross of a trailer"
        return [LimitFinding(numbers, by_axles[len(axles)], rule)] if len(axles) in by_axles else []
    rule = "96/53/EC Annex I, gross of a motor vehicle"
    share = "in international traffic the driving axles carry at least a quarter of the gross"
    if len(axles) == 2:
        return [LimitFinding(numbers, 18_000.0, rule, share)]
    if len(axles) == 3:
        spared = _has_spared_drive(axles)
        alternative = "; 26 t while no driving axle is above 9.5 t"
        note = share + (alternative if _has_twin_drive(axles) and not spared else "")
        return [LimitFinding(numbers, 26_000.0 if spared else 25_000.0, rule, note)]
    if len(axles) == 4 and kind == RIGID:
        return _limit_eu_four_axles(axles, share)
    return []


def _limit_eu_four_axles(axles: Sequence[Axle], share: str) -> list[LimitFinding]:
    numbers = _number(axles)
    length_mm = axles[-1].position_mm - axles[0].position_mm
    found = [
        LimitFinding(
            numbers,
            5.0 * length_mm,  # 5 t a metre is 5 kg a millimetre
            "96/53/EC Annex I, four axles over their length",
            f"five tonnes for each metre of {length_mm} mm between the outer axles",
        )
    ]
    if sum(axle.steered for axle in axles) == 2 and _has_twin_drive(axles):
        note = share
        if not _has_spared_drive(axles):
            note += "; while no driving axle is above 9.5 t"
        found.append(LimitFinding(numbers, 32_000.0, "96/53/EC Annex I, two steering axles", note))
    return found


def _find_us(axles: Sequence[Axle], limit_lb: int, rule: str, note: str) -> LimitFinding:
    text = f"{limit_lb} lb" + (f"; {note}" if note else "")
    return LimitFinding(_number(axles), limit_lb * POUND_KG, f"23 U.S.C. 127(a)(2), {rule}", text)


def _limit_us_group(axles: tuple[Axle, ...], ties: str, distances: str) -> LimitFinding:
    # Feet and inches stored as whole millimetres lose up to half a millimetre for each gap: 36 ft stay 36 ft.
    slack = Fraction(len(axles) - 1, 2)
    distance_mm = axles[-1].position_mm - axles[0].position_mm
    least_in, most_in = (distance_mm - slack) / _INCH_MM, (distance_mm + slack) / _INCH_MM
    # 40 in and 96 in: 23 CFR 658.17 as quoted in a secondary text; the short groups: from memory.
    if least_in <= INCHES_OF_SINGLE_AXLE:
        return _find_us(axles, SINGLE_AXLE_LB, "axles that count as one", "not more than 40 in apart")
    if least_in <= INCHES_OF_TANDEM:
        return _find_us(axles, TANDEM_LB, "tandem", "more than 40 in, not more than 96 in")
    if most_in < INCHES_OF_SHORT_GROUP and len(axles) in (2, 3):
        limit_lb = 38_000 if len(axles) == 2 else 42_000
        return _find_us(axles, limit_lb, "short group", "more than 8 ft, less than 9 ft")
    next_foot = distances == NEXT_FOOT
    whole_ft = math.ceil(least_in / 12) if next_foot else math.floor(most_in / 12 + Fraction(1, 2))
    limit_lb = bridge_formula_lb(len(axles), whole_ft, ties)
    # The true distance, not the rounded one: the statute says 36 feet or more.
    if most_in >= 12 * FEET_OF_TWO_TANDEMS and _are_two_tandems(axles) and limit_lb < 2 * TANDEM_LB:
        return _find_us(axles, 2 * TANDEM_LB, "two tandems", "36 ft or more between the outer axles")
    return _find_us(axles, limit_lb, "bridge formula", f"{whole_ft} ft between the outer axles")


def _are_two_tandems(axles: Sequence[Axle]) -> bool:
    if len(axles) != 4:
        return False
    gaps = _measure_gaps(axles)
    half_mm = Fraction(1, 2)
    sets_in = [(gap_mm - half_mm) / _INCH_MM for gap_mm in (gaps[0], gaps[2])]
    return all(INCHES_OF_SINGLE_AXLE < set_in <= INCHES_OF_TANDEM for set_in in sets_in)
