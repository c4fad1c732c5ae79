"""What a check says, in a sentence. Percentages are of what the tolerance is a percentage of."""

from dataclasses import dataclass
from decimal import Decimal

from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.models.policies import Rule, ToleranceBasis
from fleetcal.metrology.rounding import round_by_uncertainty
from fleetcal.records.models import CheckResult
from fleetcal.records.models.checks import Word

# What each word means where a guard band decides; own words for the four of ILAC-G8:09/2019.
MEANING = {
    Word.PASS: "inside the tolerance, by more than the guard band",
    Word.CONDITIONAL_PASS: "inside the tolerance, but so near its limit that the uncertainty could change that",
    Word.CONDITIONAL_FAIL: "outside the tolerance, but so near its limit that the uncertainty could change that",
    Word.FAIL: "outside the tolerance, by more than the guard band",
}
PLAIN_MEANING = {Word.PASS: "inside the tolerance", Word.FAIL: "outside the tolerance"}


@dataclass(frozen=True, slots=True)
class Percentages:
    """A decided result relative to the base of its tolerance, all in percent of *base_kg*."""

    error: float
    expanded: float
    tolerance: float
    guard: float
    base_kg: float
    base: str


def percentages(result: CheckResult, version: PolicyVersion) -> Percentages | None:
    """None where the result has no decision."""
    if result.error_kg is None or result.limit_kg is None or not result.expanded_kg:
        return None
    is_of_maximum = version.basis == ToleranceBasis.MAXIMUM
    base_kg = float((result.maximum_kg if is_of_maximum else result.reference_kg) or 0)
    guard_kg = result.limit_kg - (result.acceptance_limit_kg or Decimal(0))
    return Percentages(
        error=100 * float(result.error_kg) / base_kg,
        expanded=100 * float(result.expanded_kg) / base_kg,
        tolerance=100 * float(result.limit_kg) / base_kg,
        guard=100 * max(float(guard_kg), 0.0) / base_kg,
        base_kg=base_kg,
        base="of the maximum" if is_of_maximum else "of the reference",
    )


def describe_result(result: CheckResult, version: PolicyVersion) -> str:
    """ "The display reads 1.3 % high ± 0.4 % of the maximum; tolerance ±3 %: pass, inside the tolerance, …" """
    found = percentages(result, version)
    if found is None:
        if not result.is_separable:
            return "The readings of the platform do not give this weight by itself, so there is no decision."
        return "There is no reading of the display to compare, so there is no decision."
    rounded = round_by_uncertainty(found.error, found.expanded)
    side = "high" if rounded.value > 0 else "low"
    reads = f"{abs(rounded.value):f} % {side}" if rounded.value else "right"
    meanings = PLAIN_MEANING if version.rule == Rule.SIMPLE else MEANING
    word = Word(result.word)
    return (
        f"The display reads {reads} ± {rounded.U:f} % {found.base}; tolerance ±{_plain(found.tolerance)} %: "
        f"{word.label}, {meanings.get(word, MEANING[word])}."
    )


def _plain(percent: float) -> str:
    return f"{percent:.2f}".rstrip("0").rstrip(".")
