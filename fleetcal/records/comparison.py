"""One ticket held against the display: reference, error, uncertainty and decision for the gross and every axle group.

Takes plain numbers and asks no database. Masses in kg. The references are the sums that the platform readings determine
(`axle_weights.estimate`); the error and its budget are those of `indication`, the four words those of `conformity`.
"""

import math
from collections.abc import Sequence

from fleetcal.metrology.axle_weights import CONSISTENCY_PROBABILITY, SumEstimates, estimate
from fleetcal.metrology.budget import Component, RefusedError
from fleetcal.metrology.conformity import DecisionRule, Tolerance, decide
from fleetcal.metrology.indication import (
    Change,
    Display,
    IndicationError,
    Reference,
    bound_transfer,
    evaluate_combination,
)
from fleetcal.records.comparison_terms import (
    GROSS,
    ComparisonInputs,
    ComparisonOutcome,
    GroupTerms,
    Line,
    SubjectOutcome,
    UnitTerms,
)
from fleetcal.records.references import refer_directly, refer_to_estimate, weigh

# Assumptions, no source: how well the fuel burned between two readings is known, and how high a laden truck carries its load.
FUEL_U_SHARE = 0.2
CG_HEIGHT_M = 1.8
# Kingpin or drawbar to the only axle group, where no distance between groups is on record; an assumption as well.
SPAN_M = 7.5


def compare(inputs: ComparisonInputs) -> ComparisonOutcome:
    """The outcome for the unit's gross and for every group with a display reading.

    A sum that the platform readings do not determine is not separable and gets no decision. For a combination, the error of the
    sum of the displays against the reference of all units stands as a line ``{"combination": …}`` in the gross's budget.
    Raises RefusedError (of `metrology.budget`) or UnusableReadings (of `metrology.axle_weights`), both ValueError.
    """
    unit = inputs.unit
    shown = {(each.unit, each.subject): each.readings_kg for each in inputs.display}
    groups = [group for group in unit.groups if (unit.key, group.position) in shown]
    targets = [unit.covers(), *(unit.covers(group.position) for group in groups)]
    if inputs.coupled:
        targets.append(unit.covers().union(*(other.covers() for other in inputs.coupled)))
    references, estimates = _find_references(inputs, targets)
    gross = _compare_gross(inputs, references[0], shown)
    further = _list_further(inputs, references[-1] if inputs.coupled else None, shown, estimates)
    if further:
        gross = _with_lines(gross, further)
    return ComparisonOutcome(
        (
            gross,
            *(
                _compare_group(inputs, group, reference, references[0], shown[unit.key, group.position])
                for group, reference in zip(groups, references[1:], strict=False)
            ),
        )
    )


def _find_references(
    inputs: ComparisonInputs, targets: Sequence[frozenset[str]]
) -> tuple[list[Reference | None], SumEstimates | None]:
    if len(inputs.platform) == 1:
        # Almost every ticket of an import: its one reading speaks for itself.
        only = inputs.platform[0]
        direct = refer_directly(inputs.instrument, only.value_kg)
        return [direct if target == only.covers else None for target in targets], None
    units = (inputs.unit, *inputs.coupled)
    keys = sorted(frozenset[str]().union(*(unit.covers() for unit in units)))
    readings = weigh(inputs.instrument, [(each.value_kg, each.covers) for each in inputs.platform])
    estimates = estimate(readings, keys, targets)
    return [refer_to_estimate(estimates, index) for index in range(len(targets))], estimates


def _compare_gross(
    inputs: ComparisonInputs,
    reference: Reference | None,
    shown: dict[tuple[str, int], tuple[float, ...]],
) -> SubjectOutcome:
    unit = inputs.unit
    displays = _gross_displays(unit, shown)
    plain = SubjectOutcome(
        GROSS,
        unit.max_gross_kg,
        reference is not None,
        readings=min((len(each.readings_kg) for each in displays), default=0),
        reference_kg=reference.value_kg if reference else None,
        indicated_kg=sum(each.mean_kg for each in displays) if displays else None,
    )
    if reference is None or not displays:
        return plain
    changes = [_burn(inputs.fuel_used_kg)] if inputs.fuel_used_kg and unit.carries_fuel else []
    error = evaluate_combination(reference, displays, changes)
    return _judge(plain, error, reference, inputs.requirement.gross, inputs.requirement.rule)


def _compare_group(
    inputs: ComparisonInputs,
    group: GroupTerms,
    reference: Reference | None,
    gross: Reference | None,
    readings_kg: tuple[float, ...],
) -> SubjectOutcome:
    unit = inputs.unit
    display = Display(readings_kg, unit.division_kg, group.repeatability)
    plain = SubjectOutcome(
        group.position,
        group.max_kg,
        reference is not None,
        readings=len(readings_kg),
        reference_kg=reference.value_kg if reference else None,
        indicated_kg=display.mean_kg,
    )
    if reference is None:
        return plain
    changes: list[Change] = []
    if inputs.fuel_used_kg and unit.carries_fuel:
        # Where the tank hangs is not on record: any part of the fuel may have come off this group.
        share = group.max_kg / sum(each.max_kg for each in unit.groups)
        changes = [_burn(inputs.fuel_used_kg, share, inputs.fuel_used_kg / math.sqrt(12.0))]
    further: list[Component] = []
    if inputs.slope_percent and len(inputs.platform) > 1:
        weight_kg = gross.value_kg if gross else unit.max_gross_kg
        further = [
            bound_transfer(weight_kg, CG_HEIGHT_M, unit.span_m or SPAN_M, inputs.slope_percent / 100.0)
        ]
    error = evaluate_combination(reference, (display,), changes, further)
    return _judge(plain, error, reference, inputs.requirement.group, inputs.requirement.rule)


def _judge(
    plain: SubjectOutcome,
    error: IndicationError,
    reference: Reference,
    tolerance: Tolerance,
    rule: DecisionRule,
) -> SubjectOutcome:
    limit_kg = tolerance.limit_kg(error.reference_kg, plain.maximum_kg)
    decision = decide(error.error_kg, error.u_kg, error.U_kg, limit_kg, rule)
    degrees = error.budget.effective_degrees_of_freedom
    return SubjectOutcome(
        plain.subject,
        plain.maximum_kg,
        is_separable=True,
        readings=plain.readings,
        reference_kg=error.reference_kg,
        indicated_kg=error.indicated_kg,
        error_kg=error.error_kg,
        u_kg=error.u_kg,
        expanded_kg=error.U_kg,
        k=error.budget.k,
        degrees_of_freedom=degrees if math.isfinite(degrees) else None,
        u_shared_kg=reference.components[0].contribution,
        limit_kg=limit_kg,
        acceptance_limit_kg=decision.acceptance_limit_kg,
        word=decision.word,
        conformance_probability=decision.probability_of_conformity,
        budget=tuple(_line(component) for component in error.budget.components),
    )


def _line(component: Component) -> Line:
    """A line of the budget in kg, as strings, which is what the ledger takes; degrees of freedom only where they are finite.

    The sensitivity is 1 in every line: an error is a difference of masses.
    """
    line: Line = {
        "source": component.source,
        "evaluation": "A" if component.type_a else "B",
        "distribution": component.distribution,
        "half_width_or_u": f"{component.half_width_or_u:.4f}",
        "divisor": f"{component.divisor:.4f}",
        "contribution": f"{component.contribution:.4f}",
    }
    if math.isfinite(component.degrees_of_freedom):
        line["degrees_of_freedom"] = f"{component.degrees_of_freedom:.1f}"
    return line


def _gross_displays(unit: UnitTerms, shown: dict[tuple[str, int], tuple[float, ...]]) -> tuple[Display, ...]:
    """The display's gross, or the groups that make it up where the display showed each of them and no gross."""
    gross = shown.get((unit.key, GROSS))
    if gross:
        return (Display(gross, unit.division_kg, unit.repeatability),)
    parts = [(group, shown.get((unit.key, group.position))) for group in unit.groups]
    if not all(readings for _, readings in parts):
        return ()
    return tuple(
        Display(readings, unit.division_kg, group.repeatability, f"display, group {group.position}")
        for group, readings in parts
        if readings
    )


def _list_further(
    inputs: ComparisonInputs,
    reference: Reference | None,
    shown: dict[tuple[str, int], tuple[float, ...]],
    estimates: SumEstimates | None,
) -> list[Line]:
    lines: list[Line] = []
    if reference is not None:
        combination = _compare_combination(inputs, reference, shown)
        if combination:
            lines.append({"combination": combination})
    if estimates is not None and estimates.probability is not None:
        lines.append(
            {
                "consistency": {
                    "chi_square": f"{estimates.chi_square:.3f}",
                    "degrees_of_freedom": str(estimates.degrees_of_freedom),
                    "probability": f"{estimates.probability:.5f}",
                    "is_consistent": estimates.probability >= CONSISTENCY_PROBABILITY,
                }
            }
        )
    return lines


def _compare_combination(
    inputs: ComparisonInputs, reference: Reference, shown: dict[tuple[str, int], tuple[float, ...]]
) -> dict[str, str] | None:
    displays: list[Display] = []
    for unit in (inputs.unit, *inputs.coupled):
        of_unit = _gross_displays(unit, shown)
        if not of_unit:
            return None
        displays += of_unit
    error = evaluate_combination(
        reference, displays, [_burn(inputs.fuel_used_kg)] if inputs.fuel_used_kg else []
    )
    return {
        "reference_kg": f"{error.reference_kg:.3f}",
        "indicated_kg": f"{error.indicated_kg:.3f}",
        "error_kg": f"{error.error_kg:.3f}",
        "u_kg": f"{error.u_kg:.3f}",
        "expanded_kg": f"{error.U_kg:.3f}",
        "k": f"{error.budget.k:.3f}",
    }


def _burn(fuel_kg: float, share: float = 1.0, u_kg: float | None = None) -> Change:
    if not (math.isfinite(fuel_kg) and fuel_kg >= 0):
        raise RefusedError("fuel used", fuel_kg, "a number of at least zero", "kg")
    return Change(
        "fuel used between the readings", -fuel_kg * share, FUEL_U_SHARE * fuel_kg if u_kg is None else u_kg
    )


def _with_lines(outcome: SubjectOutcome, lines: list[Line]) -> SubjectOutcome:
    values = {name: getattr(outcome, name) for name in SubjectOutcome.__slots__}
    return SubjectOutcome(**(values | {"budget": (*outcome.budget, *lines)}))
