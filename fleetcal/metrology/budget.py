"""Uncertainty budgets, line by line (JCGM 100:2008, clauses 4, 5 and annex G; clause numbers from memory)."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from scipy.special import stdtrit

NORMAL = "normal"
RECTANGULAR = "rectangular"
TRIANGULAR = "triangular"
DISTRIBUTIONS = frozenset({NORMAL, RECTANGULAR, TRIANGULAR})

ROOT_3 = math.sqrt(3.0)

# The two-sided probability of ±2 standard deviations, the 95.45 % of GUM table G.2.
COVERAGE_PROBABILITY = math.erf(math.sqrt(2.0))
# Above this many effective degrees of freedom Student's t is within 2.5 % of 2, and the budget says 2.00.
LARGE_DEGREES_OF_FREEDOM = 50.0


class RefusedError(ValueError):
    """A quantity that the computation does not take, with its value, its unit and what would be accepted."""

    def __init__(self, quantity: str, value: object, accepted: str, unit: str = "") -> None:
        super().__init__(quantity, value, accepted, unit)
        self.quantity = quantity
        self.value = value
        self.accepted = accepted
        self.unit = unit

    def __str__(self) -> str:
        given = f"{self.value} {self.unit}".rstrip()
        return f"{self.quantity}: {given} given, {self.accepted} expected"


def require_finite(quantity: str, value: float, unit: str = "") -> None:
    """Refuse NaN and infinities."""
    if not math.isfinite(value):
        raise RefusedError(quantity, value, "a finite number", unit)


def require_positive(quantity: str, value: float, unit: str = "") -> None:
    """Refuse what is not a finite number above zero."""
    if not (math.isfinite(value) and value > 0.0):
        raise RefusedError(quantity, value, "a finite number above zero", unit)


def require_not_negative(quantity: str, value: float, unit: str = "") -> None:
    """Refuse what is not a finite number of at least zero."""
    if not (math.isfinite(value) and value >= 0.0):
        raise RefusedError(quantity, value, "a finite number of at least zero", unit)


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget: u = half_width_or_u / divisor, contribution = |sensitivity|·u.

    `type_a` marks an evaluation from repeated observations (GUM 4.2); its degrees of freedom then matter.
    """

    source: str
    distribution: str
    half_width_or_u: float
    divisor: float
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf
    type_a: bool = False

    def __post_init__(self) -> None:
        if self.distribution not in DISTRIBUTIONS:
            raise RefusedError("distribution", self.distribution, " or ".join(sorted(DISTRIBUTIONS)))
        require_not_negative(f"{self.source}, half-width or u", self.half_width_or_u)
        require_positive(f"{self.source}, divisor", self.divisor)
        require_finite(f"{self.source}, sensitivity", self.sensitivity)
        # Written so that NaN is refused too; infinity is meant.
        if not self.degrees_of_freedom >= 1.0:
            raise RefusedError(f"{self.source}, degrees of freedom", self.degrees_of_freedom, "at least 1")

    @property
    def u(self) -> float:
        return self.half_width_or_u / self.divisor

    @property
    def contribution(self) -> float:
        return abs(self.sensitivity) * self.half_width_or_u / self.divisor

    def as_line(self) -> dict[str, str]:
        """The line as strings with six decimals, for pages, files and the ledger, which holds no floats."""
        return {
            "source": self.source,
            "evaluation": "A" if self.type_a else "B",
            "distribution": self.distribution,
            "half_width_or_u": f"{self.half_width_or_u:.6f}",
            "divisor": f"{self.divisor:.6f}",
            "u": f"{self.u:.6f}",
            "sensitivity": f"{self.sensitivity:.6f}",
            "contribution": f"{self.contribution:.6f}",
            "degrees_of_freedom": _format_degrees(self.degrees_of_freedom),
        }


@dataclass(frozen=True, slots=True)
class Budget:
    """Independent components combined: u² = Σ contribution² (GUM 5.1.2), U = k·u.

    The effective degrees of freedom follow Welch and Satterthwaite, ν = u⁴ / Σ(contribution⁴/ν_i) (GUM
    G.4.1). k is Student's t at 95.45 % for ν, taken between whole numbers as it comes; it is exactly 2 where
    every component is of type B or ν is above 50. Contributions share one unit, which is the unit of u and U.
    """

    components: tuple[Component, ...]
    u: float = field(init=False)
    effective_degrees_of_freedom: float = field(init=False)
    k: float = field(init=False)

    def __post_init__(self) -> None:
        if not self.components:
            raise RefusedError("uncertainty budget", "no component", "at least one component")
        u = math.hypot(*[component.contribution for component in self.components])
        require_finite("combined standard uncertainty", u)
        degrees = _combine_degrees(self.components, u)
        object.__setattr__(self, "u", u)
        object.__setattr__(self, "effective_degrees_of_freedom", degrees)
        object.__setattr__(self, "k", _find_coverage_factor(self.components, degrees))

    @property
    def U(self) -> float:
        return self.k * self.u

    def as_lines(self) -> list[dict[str, str]]:
        """Every component as strings, in the order given."""
        return [component.as_line() for component in self.components]

    def as_summary(self) -> dict[str, str]:
        """u, effective degrees of freedom, k and U as strings."""
        return {
            "u": f"{self.u:.6f}",
            "effective_degrees_of_freedom": _format_degrees(self.effective_degrees_of_freedom),
            "k": f"{self.k:.2f}",
            "U": f"{self.U:.6f}",
        }


def resolution(d: float, source: str = "resolution") -> Component:
    """Rounding to a division d: rectangular with half-width d/2, so u = d/√12 (GUM F.2.2.1, from memory)."""
    require_positive(f"{source}, division", d)
    return Component(source, RECTANGULAR, d / 2.0, ROOT_3)


def _combine_degrees(components: Sequence[Component], u: float) -> float:
    if u == 0.0:
        return math.inf
    # Ratios, not fourth powers of kg, so that nothing over- or underflows.
    total = sum((c.contribution / u) ** 4 / c.degrees_of_freedom for c in components)
    return 1.0 / total if total > 0.0 else math.inf


def _find_coverage_factor(components: Sequence[Component], degrees: float) -> float:
    if degrees > LARGE_DEGREES_OF_FREEDOM or not any(component.type_a for component in components):
        return 2.0
    return float(stdtrit(degrees, (1.0 + COVERAGE_PROBABILITY) / 2.0))


def _format_degrees(degrees: float) -> str:
    return f"{degrees:.2f}" if math.isfinite(degrees) else "infinite"
