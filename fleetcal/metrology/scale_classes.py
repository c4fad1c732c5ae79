"""Permissible errors of reference instruments by class, and what they mean for the uncertainty of a reading.

Classes III and IIII: OIML R 76 / Directive 2014/31/EU, read in UK SI 1995/1907 Sch. 2 para 4 (Table 3 and
4.2) and in French Décret 91-330 Annexe I; twice the initial value in service. Class III L: maintenance
tolerance of NIST Handbook 44 section 2.20, Table 6 (from memory); it is the in-service value and is not
doubled, acceptance is half. Handbook 44's own classes III and IIII follow another table and are not offered
here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from fleetcal.metrology.budget import ROOT_3, RefusedError, require_not_negative, require_positive

CLASS_III = "III"
CLASS_IIII = "IIII"
CLASS_III_L = "III L"
CERTIFICATE = "certificate"

POUND_KG = 0.45359237

# Upper ends in scale intervals and the initial error in e. Above Max + 9 e an instrument shows nothing.
INITIAL_STEPS = {
    CLASS_III: ((500.0, 0.5), (2_000.0, 1.0), (10_000.0, 1.5)),
    CLASS_IIII: ((50.0, 0.5), (200.0, 1.0), (1_000.0, 1.5)),
}
INTERVALS_ABOVE_MAXIMUM = 9.0

# R 76 Tableau 1 for III and IIII. III L: Handbook 44 2.20 Tables 3 and 8, from memory.
NUMBER_OF_INTERVALS = {CLASS_III: (500, 10_000), CLASS_IIII: (100, 1_000), CLASS_III_L: (2_000, 10_000)}
MINIMUM_LOAD_INTERVALS = {CLASS_III: 20, CLASS_IIII: 10, CLASS_III_L: 50}

_NEARLY = 1e-9


@dataclass(frozen=True, slots=True)
class ScaleFinding:
    """Something about an instrument or a load that its class does not provide for."""

    rule: str
    value: float
    limit: float | None
    unit: str
    source: str


def permissible_error_kg(scale_class: str, e_kg: float, load_kg: float) -> float:
    """Maximum permissible error in service, kg, at a load of load_kg on a class with scale interval e_kg.

    III and IIII: twice 0.5 e, 1 e, 1.5 e by load; III L: 1 d up to 500 d and 1 d more for each further 500 d
    or fraction. Refuses an unknown class, e <= 0, a negative load, and a load above the class's last interval
    + 9 e.
    """
    if scale_class == CLASS_III_L:
        return _maintenance_divisions(e_kg, load_kg) * e_kg
    return 2.0 * initial_error_kg(scale_class, e_kg, load_kg)


def initial_error_kg(scale_class: str, e_kg: float, load_kg: float) -> float:
    """Maximum permissible error at initial verification (acceptance for III L), kg. Refuses as in service."""
    if scale_class == CLASS_III_L:
        return _maintenance_divisions(e_kg, load_kg) * e_kg / 2.0
    steps = INITIAL_STEPS.get(scale_class)
    if steps is None:
        raise RefusedError("scale class", scale_class, "III, IIII or III L")
    intervals = _count_intervals(e_kg, load_kg)
    for upper, error in steps:
        if intervals <= upper:
            return error * e_kg
    upper, error = steps[-1]
    if intervals <= upper + INTERVALS_ABOVE_MAXIMUM:
        return error * e_kg
    most_kg = (upper + INTERVALS_ABOVE_MAXIMUM) * e_kg
    raise RefusedError(
        f"load on class {scale_class}, e = {e_kg:g} kg", load_kg, f"at most {most_kg:g} kg", "kg"
    )


def u_from_class(scale_class: str, e_kg: float, load_kg: float) -> float:
    """Standard uncertainty of a reading on a verified instrument, kg: mpe in service / √3."""
    return permissible_error_kg(scale_class, e_kg, load_kg) / ROOT_3


def u_from_certificate(points: Sequence[tuple[float, float]], k: float, load_kg: float) -> float:
    """Standard uncertainty from a certificate's points (load_kg, U_kg), kg: U interpolated linearly, over k.

    Below the first point its U is used; above the last point nothing is known and the load is refused.
    """
    _check_certificate(points, k)
    require_not_negative("load", load_kg, "kg")
    last_kg = points[-1][0]
    if load_kg > last_kg * (1.0 + _NEARLY):
        raise RefusedError("load on the certificate", load_kg, f"at most {last_kg:g} kg", "kg")
    if load_kg <= points[0][0]:
        return points[0][1] / k
    for (low_kg, low_U), (high_kg, high_U) in pairwise(points):
        if load_kg <= high_kg:
            return (low_U + (high_U - low_U) * (load_kg - low_kg) / (high_kg - low_kg)) / k
    return points[-1][1] / k


def interval_findings(
    scale_class: str, e_kg: float, maximum_kg: float | None = None
) -> tuple[ScaleFinding, ...]:
    """What is unusual about an instrument: e is not 1, 2 or 5 × 10^k, or it has too few or many intervals.

    III L intervals may be round in pounds.
    """
    limits = NUMBER_OF_INTERVALS.get(scale_class)
    if limits is None:
        raise RefusedError("scale class", scale_class, "III, IIII or III L")
    require_positive("scale interval", e_kg, "kg")
    found = []
    round_in_pounds = scale_class == CLASS_III_L and _is_one_two_five(e_kg / POUND_KG)
    if not (_is_one_two_five(e_kg) or round_in_pounds):
        found.append(
            ScaleFinding("interval is 1, 2 or 5 times a power of ten", e_kg, None, "kg", "R 76 Annexe I")
        )
    if maximum_kg is not None:
        require_positive("maximum capacity", maximum_kg, "kg")
        source = "HB 44 2.20 Table 3 (from memory)" if scale_class == CLASS_III_L else "R 76 Tableau 1"
        intervals = _count_intervals(e_kg, maximum_kg)
        fewest, most = limits
        if intervals < fewest:
            found.append(ScaleFinding("fewest intervals of the class", intervals, fewest, "e", source))
        if intervals > most:
            found.append(ScaleFinding("most intervals of the class", intervals, most, "e", source))
    return tuple(found)


def load_findings(
    scale_class: str, e_kg: float, load_kg: float, maximum_kg: float | None = None
) -> tuple[ScaleFinding, ...]:
    """Whether a load lies below the class's minimum load or above Max + 9 e."""
    least = MINIMUM_LOAD_INTERVALS.get(scale_class)
    if least is None:
        raise RefusedError("scale class", scale_class, "III, IIII or III L")
    intervals = _count_intervals(e_kg, load_kg)
    found = []
    if intervals < least:
        source = "HB 44 2.20 Table 8 (from memory)" if scale_class == CLASS_III_L else "R 76 Tableau 1"
        found.append(ScaleFinding("minimum load", load_kg, least * e_kg, "kg", source))
    if maximum_kg is not None:
        require_positive("maximum capacity", maximum_kg, "kg")
        highest_kg = maximum_kg + INTERVALS_ABOVE_MAXIMUM * e_kg
        if load_kg > highest_kg * (1.0 + _NEARLY):
            found.append(
                ScaleFinding("maximum load and nine intervals", load_kg, highest_kg, "kg", "R 76 Annexe I")
            )
    return tuple(found)


def _count_intervals(e_kg: float, load_kg: float) -> float:
    require_positive("scale interval", e_kg, "kg")
    require_not_negative("load", load_kg, "kg")
    intervals = load_kg / e_kg
    whole = round(intervals)
    # Pounds turned into kilograms miss whole intervals by the last bit, which would jump a whole step.
    return float(whole) if abs(intervals - whole) <= _NEARLY * max(1.0, intervals) else intervals


def _maintenance_divisions(d_kg: float, load_kg: float) -> int:
    divisions = _count_intervals(d_kg, load_kg)
    most = NUMBER_OF_INTERVALS[CLASS_III_L][1] + INTERVALS_ABOVE_MAXIMUM
    if divisions > most:
        raise RefusedError(
            f"load on class III L, d = {d_kg:g} kg", load_kg, f"at most {most * d_kg:g} kg", "kg"
        )
    return max(1, math.ceil(divisions / 500.0))


def _is_one_two_five(value: float) -> bool:
    leading = value / 10.0 ** math.floor(math.log10(value) + _NEARLY)
    return any(abs(leading - mantissa) <= _NEARLY * 10.0 for mantissa in (1.0, 2.0, 5.0))


def _check_certificate(points: Sequence[tuple[float, float]], k: float) -> None:
    if not points:
        raise RefusedError("certificate", "no point", "at least one point of load and U")
    require_positive("certificate's coverage factor k", k)
    previous_kg = -1.0
    for load_kg, U_kg in points:
        require_not_negative("certificate's load", load_kg, "kg")
        require_positive("certificate's U", U_kg, "kg")
        if load_kg <= previous_kg:
            raise RefusedError("certificate's loads", load_kg, f"more than {previous_kg:g} kg", "kg")
        previous_kg = load_kg
