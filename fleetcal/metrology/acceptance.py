"""Whether a calibration's data are good enough, rule by rule, while the vehicle still stands there.

The thresholds are common practice without a published source, or assumptions; each is a policy's to set.
"""

import math
from collections.abc import Callable, Iterable, Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Literal

from fleetcal.metrology.axle_weights import CONSISTENCY_PROBABILITY, AxleWeights, GrossAgreement, Labels

KG_PER_LB = 0.45359237  # exact, international pound of 1959
COMPARISON_NOISE = 1e-9  # relative; a sum of solved weights that equals its limit must count as equal

MassUnit = Literal["kg", "lb"]
WEIGHINGS: tuple[Literal["empty", "loaded"], ...] = ("empty", "loaded")


class AcceptanceError(ValueError):
    """Facts or limits that cannot be judged; the message gives the number and its unit."""


@dataclass(frozen=True, slots=True)
class AcceptanceLimits:
    """Fractions: common practice, no source. Slope, wind and coverage factor: assumptions.

    `steer_increase` is in `unit` and compared in it; `default_limits` knows the usual value of each unit.
    """

    steer_increase: float
    unit: MassUnit
    gross_fraction: float = 0.90
    axle_fraction: float = 0.70
    slope_percent: float = 1.0
    wind_m_per_s: float = 8.0
    coverage_factor: float = 2.0

    def __post_init__(self) -> None:
        for name in ("gross_fraction", "axle_fraction"):
            if not 0 < getattr(self, name) <= 1:
                raise AcceptanceError(f"{name} {getattr(self, name)} is not above 0 and at most 1")
        for name in ("steer_increase", "slope_percent", "wind_m_per_s", "coverage_factor"):
            if not 0 < getattr(self, name) < math.inf:
                raise AcceptanceError(f"{name} {getattr(self, name)} is not a positive number")
        if self.unit not in ("kg", "lb"):
            raise AcceptanceError(f"unit {self.unit!r} is neither kg nor lb")


def default_limits(unit: MassUnit = "kg") -> AcceptanceLimits:
    """Common practice, no source: 900 kg on the steer axle, or 2 000 lb where the policy is in pounds."""
    return AcceptanceLimits(steer_increase=2000.0 if unit == "lb" else 900.0, unit=unit)


@dataclass(frozen=True, slots=True)
class AxleFacts:
    """One axle or axle group; None is not yet known. `maximum_kg` is from the rating plate."""

    key: str
    maximum_kg: float | None = None
    empty_kg: float | None = None
    loaded_kg: float | None = None
    is_steer: bool = False


@dataclass(frozen=True, slots=True)
class Consistency:
    """What the redundancy of one weighing says; probability None if there is none."""

    probability: float | None
    suspects: tuple[Labels, ...] = ()


def describe_consistency(weights: AxleWeights) -> Consistency:
    return Consistency(weights.probability, weights.suspects)


@dataclass(frozen=True, slots=True)
class CalibrationFacts:
    """What is known so far; None is not yet known.

    `draft_gross_kg` is the loaded gross in one draft and stands in for the sum while axles are missing. The
    two agreements are absent where no draft can be compared; `empty_weighed` and `loaded_weighed` say that
    the readings of that weighing are complete, so that a missing agreement is final.
    """

    axles: tuple[AxleFacts, ...]
    maximum_gross_kg: float | None = None
    draft_gross_kg: float | None = None
    empty_weighed: bool = False
    loaded_weighed: bool = False
    empty_agreement: GrossAgreement | None = None
    loaded_agreement: GrossAgreement | None = None
    empty_consistency: Consistency | None = None
    loaded_consistency: Consistency | None = None
    slope_percent: float | None = None
    wind_m_per_s: float | None = None
    instrument_valid: bool | None = None
    bond_cured: bool | None = None
    level_and_calm: bool | None = None
    alarms_set: bool | None = None
    brakes_released: bool | None = None
    has_air_suspension: bool = True
    ride_height: bool | None = None
    has_lift_axles: bool = True
    lift_state_recorded: bool | None = None

    def __post_init__(self) -> None:
        keys = [axle.key for axle in self.axles]
        if not keys or len(set(keys)) != len(keys):
            raise AcceptanceError(f"axles must be given, each once: {', '.join(keys) or 'none'}")
        for axle in self.axles:
            _check_mass(f"maximum of {axle.key}", axle.maximum_kg, is_maximum=True)
            _check_mass(f"empty weight of {axle.key}", axle.empty_kg)
            _check_mass(f"loaded weight of {axle.key}", axle.loaded_kg)
        _check_mass("maximum gross", self.maximum_gross_kg, is_maximum=True)
        _check_mass("gross in one draft", self.draft_gross_kg)
        if self.slope_percent is not None and not math.isfinite(self.slope_percent):
            raise AcceptanceError(f"slope of {self.slope_percent} % is not finite")
        if self.wind_m_per_s is not None and not 0 <= self.wind_m_per_s < math.inf:
            raise AcceptanceError(f"wind of {self.wind_m_per_s} m/s is not a speed")

    @property
    def loaded_gross_kg(self) -> float | None:
        weights = [axle.loaded_kg for axle in self.axles if axle.loaded_kg is not None]
        return math.fsum(weights) if len(weights) == len(self.axles) else self.draft_gross_kg


def _check_mass(name: str, mass_kg: float | None, *, is_maximum: bool = False) -> None:
    # A solved weight may be negative where readings were mixed up: that is judged, not refused.
    if mass_kg is None:
        return
    if not math.isfinite(mass_kg) or (is_maximum and mass_kg <= 0):
        raise AcceptanceError(f"{name}: {mass_kg} kg is not a {'positive' if is_maximum else 'finite'} mass")


@dataclass(frozen=True, slots=True)
class Outcome:
    """One rule on one subject: met, not met, or (None) not yet known.

    `value` and `limit` are in `unit` ("1" is a fraction or probability). `missing_kg` is the load to add,
    negative to take off. `warning` marks a rule that only warns; `applicable` False one with nothing to judge
    on this vehicle.
    """

    rule: str
    met: bool | None
    value: float | None = None
    limit: float | None = None
    missing_kg: float | None = None
    subject: str = ""
    warning: bool = False
    applicable: bool = True
    unit: str = "1"
    suspects: tuple[Labels, ...] = ()


def judge(facts: CalibrationFacts, limits: AcceptanceLimits) -> tuple[Outcome, ...]:
    """Every acceptance rule on the facts so far, in a fixed order that does not depend on what is known."""
    families = (
        _judge_gross,
        _judge_steer,
        _judge_axles,
        _judge_agreement,
        _judge_redundancy,
        _judge_site,
        _judge_confirmations,
    )
    return tuple(outcome for family in families for outcome in family(facts, limits))


def is_acceptable(outcomes: Iterable[Outcome], excused: AbstractSet[str] = frozenset()) -> bool:
    """All applicable rules that do more than warn are met, or their code is excused; False of no outcomes."""
    judged = tuple(outcomes)
    binding = (o for o in judged if o.applicable and not o.warning)
    return bool(judged) and all(o.met is True or o.rule in excused for o in binding)


def _is_at_least(value: float, limit: float) -> bool:
    return value >= limit - COMPARISON_NOISE * abs(limit)


def _judge_gross(facts: CalibrationFacts, limits: AcceptanceLimits) -> Iterator[Outcome]:
    gross, maximum = facts.loaded_gross_kg, facts.maximum_gross_kg
    yield _judge_fraction("gross_fraction", gross, maximum, limits.gross_fraction)
    yield _judge_maximum("gross_maximum", gross, maximum)


def _judge_fraction(
    rule: str,
    mass_kg: float | None,
    maximum_kg: float | None,
    limit: float,
    subject: str = "",
    warning: bool = False,
) -> Outcome:
    if mass_kg is None or maximum_kg is None:
        return Outcome(rule, None, limit=limit, subject=subject, warning=warning)
    met = _is_at_least(mass_kg, limit * maximum_kg)
    missing = None if met else limit * maximum_kg - mass_kg
    return Outcome(rule, met, mass_kg / maximum_kg, limit, missing, subject, warning)


def _judge_maximum(rule: str, mass_kg: float | None, maximum_kg: float | None, subject: str = "") -> Outcome:
    if mass_kg is None or maximum_kg is None:
        return Outcome(rule, None, mass_kg, maximum_kg, subject=subject, unit="kg")
    met = _is_at_least(maximum_kg, mass_kg)
    return Outcome(rule, met, mass_kg, maximum_kg, None if met else maximum_kg - mass_kg, subject, unit="kg")


def _judge_steer(facts: CalibrationFacts, limits: AcceptanceLimits) -> Iterator[Outcome]:
    rule, limit, unit = "steer_increase", limits.steer_increase, limits.unit
    kg_per_unit = KG_PER_LB if unit == "lb" else 1.0
    steer = [axle for axle in facts.axles if axle.is_steer]
    if not steer:
        yield Outcome(rule, None, limit=limit, unit=unit, applicable=False)
    for axle in steer:
        if axle.empty_kg is None or axle.loaded_kg is None:
            yield Outcome(rule, None, limit=limit, subject=axle.key, unit=unit)
            continue
        increase = (axle.loaded_kg - axle.empty_kg) / kg_per_unit
        met = _is_at_least(increase, limit)
        missing = None if met else (limit - increase) * kg_per_unit
        yield Outcome(rule, met, increase, limit, missing, axle.key, unit=unit)


def _judge_axles(facts: CalibrationFacts, limits: AcceptanceLimits) -> Iterator[Outcome]:
    for axle in facts.axles:
        yield _judge_fraction(
            "axle_fraction", axle.loaded_kg, axle.maximum_kg, limits.axle_fraction, axle.key, warning=True
        )
        yield _judge_maximum("axle_maximum", axle.loaded_kg, axle.maximum_kg, axle.key)
        yield _judge_increase(axle)


def _judge_increase(axle: AxleFacts) -> Outcome:
    if axle.empty_kg is None or axle.loaded_kg is None:
        return Outcome("increase", None, limit=0.0, subject=axle.key, unit="kg")
    increase = axle.loaded_kg - axle.empty_kg
    # An empty axle that weighs nothing or less comes from readings that were mixed up.
    met = increase > 0 and axle.empty_kg > 0
    return Outcome("increase", met, increase, 0.0, -increase if increase <= 0 else None, axle.key, unit="kg")


def _judge_agreement(facts: CalibrationFacts, limits: AcceptanceLimits) -> Iterator[Outcome]:
    for weighing in WEIGHINGS:
        agreement = facts.empty_agreement if weighing == "empty" else facts.loaded_agreement
        is_complete = facts.empty_weighed if weighing == "empty" else facts.loaded_weighed
        if agreement is None:
            yield Outcome("gross_agreement", None, subject=weighing, applicable=not is_complete, unit="kg")
            continue
        difference, limit = abs(agreement.difference_kg), limits.coverage_factor * agreement.u_difference_kg
        met = _is_at_least(limit, difference)
        yield Outcome("gross_agreement", met, difference, limit, subject=weighing, unit="kg")


def _judge_redundancy(facts: CalibrationFacts, limits: AcceptanceLimits) -> Iterator[Outcome]:
    rule, limit = "redundancy", CONSISTENCY_PROBABILITY
    for weighing in WEIGHINGS:
        found = facts.empty_consistency if weighing == "empty" else facts.loaded_consistency
        if found is None or found.probability is None:
            yield Outcome(rule, None, limit=limit, subject=weighing, applicable=found is None)
            continue
        met = found.probability >= limit
        suspects = () if met else found.suspects
        yield Outcome(rule, met, found.probability, limit, subject=weighing, suspects=suspects)


def _judge_site(facts: CalibrationFacts, limits: AcceptanceLimits) -> Iterator[Outcome]:
    rule = "slope_and_wind"
    slope = None if facts.slope_percent is None else abs(facts.slope_percent)
    for subject, value, limit, unit in (
        ("slope", slope, limits.slope_percent, "%"),
        ("wind", facts.wind_m_per_s, limits.wind_m_per_s, "m/s"),
    ):
        met = None if value is None else _is_at_least(limit, value)
        yield Outcome(rule, met, value, limit, subject=subject, unit=unit)


CONFIRMATIONS: tuple[tuple[str, Callable[[CalibrationFacts], bool]], ...] = (
    ("instrument_valid", lambda facts: True),
    ("bond_cured", lambda facts: True),
    ("level_and_calm", lambda facts: True),
    ("alarms_set", lambda facts: True),
    ("brakes_released", lambda facts: True),
    ("ride_height", lambda facts: facts.has_air_suspension),
    ("lift_state_recorded", lambda facts: facts.has_lift_axles),
)


def _judge_confirmations(facts: CalibrationFacts, limits: AcceptanceLimits) -> Iterator[Outcome]:
    for rule, is_applicable in CONFIRMATIONS:
        applies = is_applicable(facts)
        met: bool | None = getattr(facts, rule) if applies else None
        yield Outcome(rule, met, applicable=applies)
