"""Statements of conformity with their rule and their risk (JCGM 106:2012, ILAC-G8:09/2019; both from memory).

A result |E| ± U is held against ±T. Quantities are in kg; p_c is the probability that the true error lies
within ±T.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from fleetcal.metrology.budget import RefusedError, require_finite, require_not_negative, require_positive

PASS = "pass"
CONDITIONAL_PASS = "conditional pass"
CONDITIONAL_FAIL = "conditional fail"
FAIL = "fail"

BASIS_REFERENCE = "reference"
BASIS_MAXIMUM = "maximum"

SIMPLE_ACCEPTANCE = "simple acceptance"
GUARD_BAND = "guard band"
PROBABILITY_OF_CONFORMITY = "probability of conformity"
RULES = frozenset({SIMPLE_ACCEPTANCE, GUARD_BAND, PROBABILITY_OF_CONFORMITY})

FALSE_ACCEPTANCE = "false acceptance"
FALSE_REJECTION = "false rejection"

# A solved reference carries binary noise far below a milligram: an error of exactly T must not become a fail by it.
SOLVING_NOISE_KG = 1e-6

# Beyond this many standard deviations the normal density is below 1e-18 and adds nothing.
_REACH = 9.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """±percent of the reference or of the maximum, never below floor_kg."""

    percent: float
    basis: str = BASIS_REFERENCE
    floor_kg: float = 0.0

    def __post_init__(self) -> None:
        require_positive("tolerance", self.percent, "%")
        require_not_negative("tolerance's floor", self.floor_kg, "kg")
        if self.basis not in (BASIS_REFERENCE, BASIS_MAXIMUM):
            raise RefusedError("tolerance's basis", self.basis, f"{BASIS_REFERENCE} or {BASIS_MAXIMUM}")

    def limit_kg(self, reference_kg: float, maximum_kg: float | None = None) -> float:
        """T in kg. Refuses a tolerance on the maximum where no maximum is given."""
        base_kg = reference_kg
        if self.basis == BASIS_MAXIMUM:
            if maximum_kg is None:
                raise RefusedError(
                    "maximum", "none", "the maximum that the tolerance is a percentage of", "kg"
                )
            base_kg = maximum_kg
        require_positive(self.basis, base_kg, "kg")
        return max(self.percent * base_kg / 100.0, self.floor_kg)


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How a result is held against its limit: r in w = r·U, or the p_c that is wanted."""

    kind: str
    guard_factor: float = 1.0
    probability: float = 0.95

    def __post_init__(self) -> None:
        if self.kind not in RULES:
            raise RefusedError("decision rule", self.kind, " or ".join(sorted(RULES)))
        # A relaxing guard band (w < 0) would call a display reliable that probably is not.
        require_not_negative("guard factor r", self.guard_factor)
        if not 0.5 <= self.probability < 1.0:
            raise RefusedError("probability of conformity", self.probability, "0.5 or more, below 1")


@dataclass(frozen=True, slots=True)
class Decision:
    """One of the four words and what it rests on; not `achievable` where no result at all could pass."""

    word: str
    rule: DecisionRule
    error_kg: float
    u_kg: float
    U_kg: float
    limit_kg: float
    guard_kg: float
    acceptance_limit_kg: float
    probability_of_conformity: float
    specific_risk: float
    risk: str
    achievable: bool

    @property
    def accepted(self) -> bool:
        return self.word in (PASS, CONDITIONAL_PASS)


def decide(error_kg: float, u_kg: float, U_kg: float, limit_kg: float, rule: DecisionRule) -> Decision:
    """One of the four words by the rule, with p_c, the specific risk and the acceptance limit.

    Simple acceptance: pass for |E| <= T, else fail. Guard band: the words of `zone` with w = r·U.
    Probability: pass for p_c >= p, fail for p_c < 1 − p outside T, conditional between; its acceptance limit
    is the |E| at which p_c is p. The specific risk is 1 − p_c for what is accepted and p_c for what is
    rejected (JCGM 106, 9.3).
    """
    require_finite("error", error_kg, "kg")
    require_not_negative("standard uncertainty", u_kg, "kg")
    require_positive("tolerance", limit_kg, "kg")
    if not (math.isfinite(U_kg) and U_kg >= u_kg):
        raise RefusedError(
            "expanded uncertainty", U_kg, f"at least the standard uncertainty {u_kg:g} kg", "kg"
        )
    conforming = conformance_probability(error_kg, u_kg, -limit_kg, limit_kg)
    guard_kg = rule.guard_factor * U_kg if rule.kind == GUARD_BAND else 0.0
    if rule.kind == PROBABILITY_OF_CONFORMITY:
        acceptance_kg = find_acceptance_limit(limit_kg, u_kg, rule.probability)
        guard_kg = limit_kg - acceptance_kg
        word = _name_by_probability(error_kg, limit_kg, conforming, rule.probability)
    else:
        acceptance_kg = limit_kg - guard_kg
        word = zone(error_kg, limit_kg, guard_kg)
    accepted = word in (PASS, CONDITIONAL_PASS)
    return Decision(
        word=word,
        rule=rule,
        error_kg=error_kg,
        u_kg=u_kg,
        U_kg=U_kg,
        limit_kg=limit_kg,
        guard_kg=guard_kg,
        acceptance_limit_kg=acceptance_kg,
        probability_of_conformity=conforming,
        specific_risk=(
            nonconformance_probability(error_kg, u_kg, -limit_kg, limit_kg) if accepted else conforming
        ),
        risk=FALSE_ACCEPTANCE if accepted else FALSE_REJECTION,
        achievable=acceptance_kg >= 0.0,
    )


def zone(error_kg: float, limit_kg: float, guard_kg: float) -> str:
    """The word for |E|: to T − w pass, to T conditional pass, to T + w conditional fail, else fail."""
    size_kg = abs(error_kg) - SOLVING_NOISE_KG
    if size_kg <= limit_kg - guard_kg:
        return PASS
    if size_kg <= limit_kg:
        return CONDITIONAL_PASS
    if size_kg <= limit_kg + guard_kg:
        return CONDITIONAL_FAIL
    return FAIL


def conformance_probability(value: float, u: float, lower: float, upper: float) -> float:
    """p_c = Φ((upper − y)/u) − Φ((lower − y)/u) (JCGM 106, 7.2-7.4); either limit may be infinite."""
    if u == 0.0:
        return 1.0 if lower <= value <= upper else 0.0
    below, above = (lower - value) / u, (upper - value) / u
    # On the side of the small tail the difference keeps its digits.
    if below > 0.0:
        return float(ndtr(-below) - ndtr(-above))
    return float(ndtr(above) - ndtr(below))


def nonconformance_probability(value: float, u: float, lower: float, upper: float) -> float:
    """1 − p_c, by the tails themselves so that a risk of 1e-9 keeps its digits."""
    if u == 0.0:
        return 0.0 if lower <= value <= upper else 1.0
    return float(ndtr((lower - value) / u) + ndtr((value - upper) / u))


def find_acceptance_limit(limit_kg: float, u_kg: float, probability: float) -> float:
    """The largest |E| whose p_c within ±T is at least `probability`, kg.

    Below zero where even E = 0 falls short: then T − z·u for the two-sided z, by which the tolerance is too
    narrow.
    """
    if u_kg == 0.0:
        return limit_kg
    shortfall_kg = limit_kg - float(ndtri((1.0 + probability) / 2.0)) * u_kg
    if shortfall_kg < 0.0:
        return shortfall_kg
    # One-sided first: it is the answer to the last digit unless the far tail is felt.
    low_kg, high_kg = 0.0, limit_kg - float(ndtri(probability)) * u_kg
    if conformance_probability(high_kg, u_kg, -limit_kg, limit_kg) >= probability - 1e-12:
        return high_kg
    for _ in range(60):
        middle_kg = (low_kg + high_kg) / 2.0
        if conformance_probability(middle_kg, u_kg, -limit_kg, limit_kg) >= probability:
            low_kg = middle_kg
        else:
            high_kg = middle_kg
    return low_kg


def global_risks(
    prior_mean: float, prior_u: float, u_m: float, limit: float, guard: float
) -> tuple[float, float]:
    """Consumer's and producer's global risk for true errors ~ N(prior_mean, prior_u²) and limits ±T.

    JCGM 106, 9.5. R_C = ∫ outside T of f0(x)·P(|y| <= T − w | x) dx and R_P = ∫ inside T of
    f0(x)·(1 − P(|y| <= T − w | x)) dx, with y|x ~ N(x, u_m²). Gauss-Legendre on panels no wider than the
    prior's u, cut finer where acceptance turns.
    """
    require_finite("prior mean", prior_mean)
    require_positive("prior standard deviation", prior_u)
    require_positive("measurement uncertainty", u_m)
    require_positive("tolerance", limit)
    require_finite("guard band", guard)
    acceptance = limit - guard
    edges = _place_panels(prior_mean, prior_u, u_m, limit, acceptance)
    half = np.diff(edges)[:, None] / 2.0
    x = edges[:-1, None] + half * (1.0 + _NODES)
    density = np.exp(-0.5 * ((x - prior_mean) / prior_u) ** 2) / (prior_u * math.sqrt(2.0 * math.pi))
    accepted = np.zeros_like(x)
    rejected = np.ones_like(x)
    if acceptance > 0.0:
        accepted = ndtr((acceptance - x) / u_m) - ndtr((-acceptance - x) / u_m)
        rejected = ndtr((-acceptance - x) / u_m) + ndtr((x - acceptance) / u_m)
    outside = np.abs(x) > limit
    mass = density * half * _WEIGHTS
    return float(np.sum(mass * accepted * outside)), float(np.sum(mass * rejected * ~outside))


def combine_with_prior(prior_mean: float, prior_u: float, measured: float, u_m: float) -> tuple[float, float]:
    """Posterior value (u_m²·y0 + u0²·y_m)/(u0² + u_m²) and its u = u0·u_m/√(u0² + u_m²) (JCGM 106)."""
    require_finite("prior mean", prior_mean)
    require_finite("measured value", measured)
    require_positive("prior standard deviation", prior_u)
    require_positive("measurement uncertainty", u_m)
    spread = math.hypot(prior_u, u_m)
    weight = (prior_u / spread) ** 2
    return prior_mean + weight * (measured - prior_mean), prior_u / spread * u_m


def e_n(x: float, X: float, U_x: float, U_X: float) -> float:
    """(x − X)/√(U_x² + U_X²) with expanded uncertainties; |E_n| <= 1 is satisfactory (ISO 13528).

    Source: NIST Dataplot reference, EN score. Refuses where both uncertainties are zero.
    """
    require_finite("value", x)
    require_finite("reference", X)
    require_not_negative("U of the value", U_x)
    require_not_negative("U of the reference", U_X)
    spread = math.hypot(U_x, U_X)
    require_positive("combined U of value and reference", spread)
    return (x - X) / spread


def _name_by_probability(error_kg: float, limit_kg: float, conforming: float, probability: float) -> str:
    if conforming >= probability:
        return PASS
    if abs(error_kg) - SOLVING_NOISE_KG <= limit_kg:
        return CONDITIONAL_PASS
    return CONDITIONAL_FAIL if conforming >= 1.0 - probability else FAIL


def _place_panels(
    mean: float, prior_u: float, u_m: float, limit: float, acceptance: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    steps = np.arange(-_REACH, _REACH + 1.0)
    cuts = np.concatenate(
        [mean + steps * prior_u, acceptance + steps * u_m, -acceptance + steps * u_m, [-limit, limit]]
    )
    lowest, highest = mean - _REACH * prior_u, mean + _REACH * prior_u
    return np.unique(np.clip(cuts, lowest, highest))
