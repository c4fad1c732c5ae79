"""The error of an on-board display against a reference weighing, with its budget.

e = Σ mean(indications) − (R + Σ changes); u² = Σ contribution². The structure follows EURAMET cg-18 clauses
on error and uncertainty (from memory): reference, division, repeatability, and what happened between the two
readings. All in kg.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fleetcal.metrology.budget import (
    NORMAL,
    RECTANGULAR,
    ROOT_3,
    Budget,
    Component,
    RefusedError,
    require_finite,
    require_not_negative,
    require_positive,
    resolution,
)
from fleetcal.metrology.scale_classes import permissible_error_kg, u_from_certificate


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference weight and the components of its uncertainty."""

    value_kg: float
    components: tuple[Component, ...]


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Standard deviation of a single settled reading, kg.

    A pooled estimate has finite degrees of freedom and counts as type A; infinite degrees of freedom mean a
    stated default, type B.
    """

    s_kg: float
    degrees_of_freedom: float = math.inf

    @property
    def is_stated(self) -> bool:
        return math.isinf(self.degrees_of_freedom)


@dataclass(frozen=True, slots=True)
class Display:
    """The settled readings of one display for one load, kg, each to the division d."""

    readings_kg: tuple[float, ...]
    division_kg: float
    repeatability: Repeatability
    name: str = "display"

    @property
    def mean_kg(self) -> float:
        return sum(self.readings_kg) / len(self.readings_kg)


@dataclass(frozen=True, slots=True)
class Change:
    """Load that came (positive) or went (negative) after the reference weighing, before the display's, kg."""

    source: str
    value_kg: float
    u_kg: float


@dataclass(frozen=True, slots=True)
class IndicationError:
    """e = indicated − reference, the reference being corrected to the moment of the display's reading."""

    error_kg: float
    budget: Budget
    reference_kg: float
    indicated_kg: float
    relative_error: float
    single_reading: bool

    @property
    def u_kg(self) -> float:
        return self.budget.u

    @property
    def U_kg(self) -> float:
        return self.budget.U


def refer_to_class(
    value_kg: float, scale_class: str, e_kg: float, rounding_division_kg: float | None = None
) -> Reference:
    """A reference on a verified instrument: rectangular, half-width the permissible error in service.

    `rounding_division_kg` adds the instrument's rounding where it is not inside the permissible error.
    """
    half_width_kg = permissible_error_kg(scale_class, e_kg, value_kg)
    source = f"reference, class {scale_class}, e = {e_kg:g} kg, permissible error in service"
    return _build_reference(
        value_kg, Component(source, RECTANGULAR, half_width_kg, ROOT_3), rounding_division_kg
    )


def refer_to_certificate(
    value_kg: float,
    points: Sequence[tuple[float, float]],
    k: float,
    rounding_division_kg: float | None = None,
) -> Reference:
    """A reference on an instrument with certificate: U at this load (points of load_kg, U_kg) over k."""
    U_kg = u_from_certificate(points, k, value_kg) * k
    return _build_reference(
        value_kg, Component("reference, certificate", NORMAL, U_kg, k), rounding_division_kg
    )


def refer_to_value(value_kg: float, u_kg: float, source: str = "reference") -> Reference:
    """A reference whose standard uncertainty is already known, such as a sum of separate weighings."""
    return _build_reference(value_kg, Component(source, NORMAL, u_kg, 1.0), None)


def evaluate_indication(
    reference: Reference,
    readings_kg: Sequence[float],
    division_kg: float,
    repeatability: Repeatability,
    changes: Sequence[Change] = (),
    further: Sequence[Component] = (),
) -> IndicationError:
    """The error of one display: its mean of n >= 1 readings against the reference, kg.

    The rounding d/√12 does not shrink with n, since a settled load rounds the same way each time;
    repeatability does, s/√n. `further` holds other terms in kg, such as the transfer between groups on a
    slope.
    """
    display = Display(tuple(readings_kg), division_kg, repeatability)
    return evaluate_combination(reference, (display,), changes, further)


def evaluate_combination(
    reference: Reference,
    displays: Sequence[Display],
    changes: Sequence[Change] = (),
    further: Sequence[Component] = (),
) -> IndicationError:
    """The error of the sum of several units' displays against one gross reference, kg.

    The displays are taken as independent of each other. Refuses no display, a display without readings, a
    value that is not finite, and a reference that is not above zero once the changes are applied.
    """
    if not displays:
        raise RefusedError("displays", 0, "at least one")
    require_positive("reference", reference.value_kg, "kg")
    components = list(reference.components)
    for display in displays:
        components += _list_display_components(display)
    for change in changes:
        require_finite(change.source, change.value_kg, "kg")
        components.append(Component(change.source, NORMAL, change.u_kg, 1.0))
    components += further

    reference_kg = reference.value_kg + sum(change.value_kg for change in changes)
    require_positive("reference after changes", reference_kg, "kg")
    indicated_kg = sum(display.mean_kg for display in displays)
    error_kg = indicated_kg - reference_kg
    require_finite("error of indication", error_kg, "kg")
    return IndicationError(
        error_kg=error_kg,
        budget=Budget(tuple(components)),
        reference_kg=reference_kg,
        indicated_kg=indicated_kg,
        relative_error=error_kg / reference_kg,
        single_reading=any(len(display.readings_kg) == 1 for display in displays),
    )


def transfer_kg(weight_kg: float, cg_height_m: float, wheelbase_m: float, slope: float) -> float:
    """Weight that a slope moves to the downhill group: W·h·sin θ / L, θ = atan(slope), kg.

    `slope` is rise over run (0.01 for 1 %), positive with the nose up, which loads the rear. Static balance
    as in Jazar, Vehicle Dynamics, eq. 2.44-2.46. The gross changes by cos θ only.
    """
    require_not_negative("weight", weight_kg, "kg")
    require_not_negative("height of the centre of gravity", cg_height_m, "m")
    require_positive("wheelbase", wheelbase_m, "m")
    require_finite("slope", slope)
    return weight_kg * cg_height_m * slope / math.hypot(1.0, slope) / wheelbase_m


def bound_transfer(weight_kg: float, cg_height_m: float, wheelbase_m: float, slope_limit: float) -> Component:
    """The transfer for a site known only to be within ± slope_limit: rectangular, kg.

    Leave it out of a group's budget where both directions of travel were averaged, and of every gross.
    """
    half_width_kg = abs(transfer_kg(weight_kg, cg_height_m, wheelbase_m, slope_limit))
    return Component("transfer between groups on the site's slope", RECTANGULAR, half_width_kg, ROOT_3)


def pooled_repeatability(groups: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Pooled standard deviation and degrees of freedom from groups of repeated readings of one load each, kg.

    s² = Σ Σ (x − mean)² / ν, ν = Σ (n − 1) (GUM H.3.6 and 4.2.4, from memory). Groups of one reading add
    nothing; refuses where no group repeats. The readings carry their rounding, which the budget counts once
    more: cautious.
    """
    squares: list[float] = []
    degrees = 0
    for group in groups:
        if not group:
            continue
        for reading in group:
            require_finite("repeated reading", reading, "kg")
        mean = math.fsum(group) / len(group)
        squares += [(reading - mean) ** 2 for reading in group]
        degrees += len(group) - 1
    if degrees == 0:
        raise RefusedError("groups of repeated readings", 0, "at least one load that was read twice")
    return math.sqrt(math.fsum(squares) / degrees), float(degrees)


def _build_reference(value_kg: float, component: Component, rounding_division_kg: float | None) -> Reference:
    if rounding_division_kg is None:
        return Reference(value_kg, (component,))
    return Reference(value_kg, (component, resolution(rounding_division_kg, "reference, rounding")))


def _list_display_components(display: Display) -> list[Component]:
    count = len(display.readings_kg)
    if count == 0:
        raise RefusedError(f"{display.name}, readings", 0, "at least one")
    for reading_kg in display.readings_kg:
        require_finite(f"{display.name}, reading", reading_kg, "kg")
    spread = display.repeatability
    source = f"{display.name}, repeatability of {count} reading{'s' if count > 1 else ''}"
    return [
        resolution(display.division_kg, f"{display.name}, division"),
        Component(
            source,
            NORMAL,
            spread.s_kg,
            math.sqrt(count),
            degrees_of_freedom=spread.degrees_of_freedom,
            type_a=not spread.is_stated,
        ),
    ]
