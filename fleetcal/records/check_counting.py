"""Whether a judged check counts for the schedule, and if not, why: in words for people. No database."""

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
) -> str:
    gross, why = outcome.gross, []
    if unsupported:
        why.append(f"the reference instrument does not count on that day: {unsupported}")
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
