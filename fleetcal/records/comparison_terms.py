"""What a comparison takes and what it gives. Masses in kg; no database."""

from dataclasses import dataclass

from fleetcal.metrology.conformity import DecisionRule, Tolerance
from fleetcal.metrology.indication import Repeatability
from fleetcal.records.references import ReferenceTerms

GROSS = 0
Line = dict[str, object]


@dataclass(frozen=True, slots=True)
class GroupTerms:
    position: int
    max_kg: float
    repeatability: Repeatability


@dataclass(frozen=True, slots=True)
class UnitTerms:
    """A vehicle as a comparison sees it. *span_m* is the distance between its outer axle groups, None where not known."""

    key: str
    max_gross_kg: float
    division_kg: float
    repeatability: Repeatability
    groups: tuple[GroupTerms, ...]
    carries_fuel: bool = True
    span_m: float | None = None

    def covers(self, position: int = GROSS) -> frozenset[str]:
        """The keys of one group, or of all groups for the gross."""
        return frozenset(
            f"{self.key}:{group.position}" for group in self.groups if position in (GROSS, group.position)
        )


@dataclass(frozen=True, slots=True)
class PlatformValue:
    value_kg: float
    covers: frozenset[str]


@dataclass(frozen=True, slots=True)
class DisplayValue:
    unit: str
    subject: int
    readings_kg: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Requirement:
    """What the policy holds the display to."""

    gross: Tolerance
    group: Tolerance
    rule: DecisionRule


@dataclass(frozen=True, slots=True)
class ComparisonInputs:
    """*coupled* are the other units of a combination. *slope_percent* is the site's, 0 where it does not matter (both directions)."""

    unit: UnitTerms
    instrument: ReferenceTerms
    requirement: Requirement
    platform: tuple[PlatformValue, ...]
    display: tuple[DisplayValue, ...]
    coupled: tuple[UnitTerms, ...] = ()
    fuel_used_kg: float = 0.0
    slope_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class SubjectOutcome:
    """The gross (subject 0) or one group. None where the readings do not give the number; *word* empty without a decision."""

    subject: int
    maximum_kg: float
    is_separable: bool
    readings: int = 0
    reference_kg: float | None = None
    indicated_kg: float | None = None
    error_kg: float | None = None
    u_kg: float | None = None
    expanded_kg: float | None = None
    k: float | None = None
    degrees_of_freedom: float | None = None
    u_shared_kg: float | None = None
    limit_kg: float | None = None
    acceptance_limit_kg: float | None = None
    word: str = ""
    conformance_probability: float | None = None
    budget: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True)
class ComparisonOutcome:
    """The gross first, then each group that the display showed."""

    subjects: tuple[SubjectOutcome, ...]

    @property
    def gross(self) -> SubjectOutcome:
        return self.subjects[0]
