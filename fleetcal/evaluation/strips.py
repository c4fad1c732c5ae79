"""The newest gross error of each vehicle, for its error strip."""

from collections.abc import Collection
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import OuterRef, Subquery

from fleetcal.fleet.models import Vehicle
from fleetcal.records.models import Check, CheckResult


def newest_gross_errors(vehicle_ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """For each vehicle with a gross result: error, U, tolerance and guard band in % of the weight that the tolerance refers to.

    Values are strings, as they are stored; *on* is the day of the check in UTC.
    """
    newest = (
        CheckResult.objects.filter(
            subject=0,
            error_kg__isnull=False,
            comparison__vehicle=OuterRef("pk"),
            comparison__withdrawn=False,
            comparison__superseded_by__isnull=True,
        )
        .order_by("-comparison__happened_at")
        .values("pk")[:1]
    )
    chosen = (
        Vehicle.objects.filter(pk__in=vehicle_ids)
        .order_by()
        .annotate(newest=Subquery(newest))
        .values_list("newest")
    )
    rows = CheckResult.objects.filter(pk__in=chosen).select_related(
        "comparison", "comparison__policy_version"
    )
    return {row.comparison.vehicle_id: strip_of(row, row.comparison) for row in rows}


def strip_of(result: CheckResult, check: Check) -> dict[str, Any]:
    version = check.policy_version
    is_of_maximum = version.basis == "maximum" and result.maximum_kg
    base = result.maximum_kg if is_of_maximum else result.reference_kg
    return {
        "error": _percent(result.error_kg, base),
        "U": _percent(result.expanded_kg, base),
        "tolerance": _percent(result.limit_kg, base),
        "guard": _percent((result.limit_kg or Decimal(0)) - (result.acceptance_limit_kg or Decimal(0)), base),
        "on": check.happened_at.date().isoformat(),
        "word": result.word,
        "check": str(check.pk),
    }


def _percent(part: Decimal | None, whole: Decimal | None) -> str | None:
    if part is None or not whole:
        return None
    return f"{part / whole * 100:.3f}"
