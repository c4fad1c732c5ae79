"""Is the present interval right? Simple rules on how checks at the end of it came out.

Lengths are in days, reliabilities are shares found in tolerance. The exact binomial limits and the test are
those of an interval test by public descriptions (from memory: Clopper and Pearson, 1934; method A3 of the
recommended practice on calibration intervals); its step sizes were not found, and the exponential
re-estimate with caps stands in for them. Staircase: method 1 of ILAC-G24 / OIML D 10:2022, whose text
leaves the factors to the user.
"""

import math
from dataclasses import dataclass

from scipy.special import betaincinv

from fleetcal.metrology.budget import RefusedError, require_not_negative, require_positive

TOO_LONG = "too long"
TOO_SHORT = "too short"
NOT_PROVEN = "not proven"

EXTEND = "extend"
KEEP = "keep"
REDUCE = "reduce"

CONFIDENCE = 0.95
# How far one re-estimate may move the interval: our choice, no source.
LOWER_CAP = 0.5
UPPER_CAP = 2.0

LONGEST_DAYS = 1e6


@dataclass(frozen=True, slots=True)
class IntervalJudgement:
    """Outcome of the interval test, and the limits of the reliability that it rests on."""

    outcome: str
    in_tolerance: int
    checks: int
    target: float
    confidence: float
    observed: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class IntervalProposal:
    """The next interval; `uncapped_days` is None where every check was in tolerance, for then it has no end."""

    interval_days: float
    uncapped_days: float | None
    capped: bool


@dataclass(frozen=True, slots=True)
class Staircase:
    """Extend where |E| is at most `extend_within` of the tolerance, reduce where |E| is beyond it.

    The 80 % is the guideline's example (from memory); both factors are our choice, no source.
    """

    extend_within: float = 0.8
    extend_factor: float = 1.1
    reduce_factor: float = 0.55
    shortest_days: float = 1.0
    longest_days: float = LONGEST_DAYS

    def __post_init__(self) -> None:
        if not 0.0 < self.extend_within <= 1.0:
            raise RefusedError("share of tolerance that extends", self.extend_within, "above 0, at most 1")
        require_extension(self.extend_factor)
        if not 0.0 < self.reduce_factor < 1.0:
            raise RefusedError("reducing factor", self.reduce_factor, "above 0, below 1")
        require_length("shortest interval", self.shortest_days)
        require_length("longest interval", self.longest_days)
        if self.shortest_days > self.longest_days:
            raise RefusedError(
                "shortest interval", self.shortest_days, f"at most the longest, {self.longest_days:g} d", "d"
            )


@dataclass(frozen=True, slots=True)
class StaircaseStep:
    """What the rule says after one result, and the interval after it, within the shortest and the longest."""

    outcome: str
    interval_days: float


def find_binomial_limits(successes: int, trials: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Clopper-Pearson: p_L = B⁻¹(α/2; g, n − g + 1), p_U = B⁻¹(1 − α/2; g + 1, n − g); 0 and 1 at the ends."""
    if trials < 1:
        raise RefusedError("checks", trials, "at least 1")
    if not 0 <= successes <= trials:
        raise RefusedError("checks found in tolerance", successes, f"0 to {trials}")
    require_share("confidence", confidence)
    tail = (1.0 - confidence) / 2.0
    missed = trials - successes
    lower = float(betaincinv(successes, missed + 1, tail)) if successes else 0.0
    upper = float(betaincinv(successes + 1, missed, 1.0 - tail)) if missed else 1.0
    return lower, upper


def judge_interval(
    in_tolerance: int, checks: int, target: float, confidence: float = CONFIDENCE
) -> IntervalJudgement:
    """Too long if the whole confidence interval of the reliability lies below the target, too short if above.

    Everything between is not proven either way: no evidence that the interval is right. The checks are as
    found, one an item and interval, at or near the end of the interval that is judged.
    """
    require_share("reliability target", target)
    lower, upper = find_binomial_limits(in_tolerance, checks, confidence)
    outcome = TOO_LONG if upper < target else TOO_SHORT if lower > target else NOT_PROVEN
    return IntervalJudgement(
        outcome, in_tolerance, checks, target, confidence, in_tolerance / checks, lower, upper
    )


def reestimate_interval(
    interval_days: float,
    observed: float,
    target: float,
    lower_cap: float = LOWER_CAP,
    upper_cap: float = UPPER_CAP,
) -> IntervalProposal:
    """I·ln(R*)/ln(R_obs), the interval of an exponential reliability that passes through (I, R_obs).

    Kept between lower_cap·I and upper_cap·I. It takes the observed share for the truth, whatever the number
    of checks: `propose_interval` asks for proof first.
    """
    require_length("present interval", interval_days)
    require_share("reliability target", target)
    if not 0.0 <= observed <= 1.0:
        raise RefusedError("observed reliability", observed, "0 to 1")
    if not 0.0 < lower_cap <= 1.0:
        raise RefusedError("lower cap", lower_cap, "above 0, at most 1")
    if not (math.isfinite(upper_cap) and upper_cap >= 1.0):
        raise RefusedError("upper cap", upper_cap, "a finite number of at least 1")
    if observed == 1.0:
        return IntervalProposal(upper_cap * interval_days, None, capped=True)
    uncapped_days = interval_days * math.log(target) / math.log(observed) if observed else 0.0
    capped_days = min(max(uncapped_days, lower_cap * interval_days), upper_cap * interval_days)
    return IntervalProposal(capped_days, uncapped_days, capped=capped_days != uncapped_days)


def propose_interval(interval_days: float, judgement: IntervalJudgement) -> IntervalProposal:
    """The capped re-estimate where the test has proven something, else the present interval unchanged."""
    if judgement.outcome == NOT_PROVEN:
        require_length("present interval", interval_days)
        return IntervalProposal(interval_days, interval_days, capped=False)
    return reestimate_interval(interval_days, judgement.observed, judgement.target)


def step_interval(interval_days: float, error_kg: float, limit_kg: float, rule: Staircase) -> StaircaseStep:
    """Staircase: the next interval after one as-found error, without memory of how much data backs the step."""
    require_length("present interval", interval_days)
    require_not_negative("size of the error", abs(error_kg), "kg")
    require_positive("tolerance", limit_kg, "kg")
    # 80 % of a decimal tolerance is rarely a binary number; a result exactly on it still extends.
    share = round(abs(error_kg) / limit_kg, 12)
    outcome = EXTEND if share <= rule.extend_within else KEEP if share <= 1.0 else REDUCE
    factor = {EXTEND: rule.extend_factor, KEEP: 1.0, REDUCE: rule.reduce_factor}[outcome]
    return StaircaseStep(outcome, min(max(factor * interval_days, rule.shortest_days), rule.longest_days))


def find_staircase_rate(extend_factor: float, reduce_factor: float) -> float:
    """The out-of-tolerance rate p* = ln u/(ln u − ln d) about which u and d hover.

    It holds for a rule that extends after every result in tolerance; one that keeps after some hovers lower.
    """
    require_extension(extend_factor)
    require_share("reducing factor", reduce_factor)
    return math.log(extend_factor) / (math.log(extend_factor) - math.log(reduce_factor))


def balance_reduction(extend_factor: float, target: float) -> float:
    """The reducing factor u^(−R/(1 − R)) with which the staircase hovers at the reliability target R."""
    require_extension(extend_factor)
    require_share("reliability target", target)
    return math.exp(-math.log(extend_factor) * target / (1.0 - target))


def require_share(quantity: str, value: float) -> None:
    """Refuse what is not strictly between 0 and 1."""
    if not 0.0 < value < 1.0:
        raise RefusedError(quantity, value, "above 0, below 1")


def require_extension(factor: float) -> None:
    """Refuse a factor that does not extend, or leaves the range of any interval."""
    if not 1.0 < factor <= LONGEST_DAYS:
        raise RefusedError("extending factor", factor, f"above 1, at most {LONGEST_DAYS:g}")


def require_length(quantity: str, days: float) -> None:
    """Refuse an interval that is not above zero and at most a million days."""
    if not 0.0 < days <= LONGEST_DAYS:
        raise RefusedError(quantity, days, f"above 0, at most {LONGEST_DAYS:g} d", "d")
