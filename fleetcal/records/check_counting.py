"""Whether a judged check counts for the schedule, and if not, why: in words for people. No database."""

from collections.abc import Collection
from decimal import Decimal

from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.records.check_drafts import CheckDraft
from fleetcal.records.comparison_terms import ComparisonOutcome
from fleetcal.records.models.checks import Purpose


def load_percent_of(outcome: ComparisonOutcome, shape: VehicleShape) -> float | None:
    """Of the maximum gross: by the reference, or by the display where the gross is not separable."""
    gross = outcome.gross
    load_kg = gross.reference_kg if gross.reference_kg is not None else gross.indicated_kg
    return None if load_kg is None else min(100.0 * load_kg / shape.max_gross_kg, 9999.9)


def why_not_counting(
    draft: CheckDraft,
    outcome: ComparisonOutcome,
    version: PolicyVersion,
    load_percent: float | None,
    unsupported: str,
    calibrated_lifted: tuple[int, ...] | None,
) -> str:
    """*calibrated_lifted* are the axles that were lifted when the display was calibrated, None where it was not."""
    gross, why = outcome.gross, []
    if unsupported:
        why.append(f"the reference instrument does not count on that day: {unsupported}")
    if calibrated_lifted is not None and set(calibrated_lifted) != set(draft.lift_axles_up):
        why.append(
            f"{_name_lifted(draft.lift_axles_up)} on the check and {_name_lifted(calibrated_lifted)} when the display was "
            "calibrated: tares and spans hold only for that state"
        )
    if draft.purpose == Purpose.TRADE and not version.trade_tickets_count:
        why.append("everyday tickets do not count by the policy")
    if not gross.is_separable:
        why.append("the platform readings do not give the gross of this vehicle by itself")
    elif gross.error_kg is None:
        why.append("there is no display reading of the gross")
    if load_percent is not None and Decimal(f"{load_percent:.1f}") < version.check_min_load_percent:
        why.append(
            f"the load was {load_percent:.1f} % of the maximum gross; the policy asks for {version.check_min_load_percent:f} %"
        )
    if gross.is_separable and 0 < gross.readings < version.check_min_readings:
        why.append(
            f"the display was read {gross.readings} time{'s' if gross.readings > 1 else ''}; the policy asks for "
            f"{version.check_min_readings}"
        )
    return "; ".join(why)


def _name_lifted(axles: Collection[int]) -> str:
    return f"axle {' and '.join(map(str, sorted(axles)))} was lifted" if axles else "no axle was lifted"
