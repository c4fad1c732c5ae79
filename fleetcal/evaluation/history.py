"""The error of one vehicle over time, in the shape that the error history is drawn from."""

from datetime import date, datetime, time
from decimal import Decimal
from zoneinfo import ZoneInfo

from fleetcal.drawing.history import HistoryData, HistoryPoint, HistoryRule
from fleetcal.evaluation.facts import GROSS
from fleetcal.evaluation.strips import strip_of
from fleetcal.fleet.models import Vehicle
from fleetcal.records.models import Calibration, Check, CheckResult, Repair


def error_history(
    vehicle: Vehicle, since: date, until: date, known_at: datetime | None = None, *, subject: int = GROSS
) -> HistoryData | None:
    """The errors of the gross or of one group between two days, in % of what the tolerance refers to; None where there are none.

    Days are those of the vehicle's depot. The tolerance and guard band are those of the newest check in the period.
    """
    zone = ZoneInfo(vehicle.depot.time_zone)
    results = (
        CheckResult.objects.filter(
            comparison__in=Check.objects.filter(vehicle=vehicle).standing(known_at).order_by().values("pk"),
            comparison__happened_at__range=_moments(since, until, zone),
            subject=subject,
            error_kg__isnull=False,
        )
        .select_related("comparison", "comparison__policy_version", "comparison__instrument")
        .order_by("comparison__happened_at", "comparison_id")
    )
    strips = [(result, strip_of(result, result.comparison)) for result in results]
    usable = [
        (result, strip) for result, strip in strips if strip["error"] is not None and strip["tolerance"]
    ]
    if not usable:
        return None
    newest = usable[-1][1]
    return HistoryData(
        name=f"{vehicle.registration}, {'gross' if subject == GROSS else f'axle group {subject}'}",
        tolerance=float(newest["tolerance"]),
        guard=max(0.0, float(newest["guard"] or 0)),
        today=until,
        points=tuple(
            HistoryPoint(
                on=result.comparison.happened_at.astimezone(zone).date(),
                error=float(strip["error"]),
                U=float(strip["U"]) if strip["U"] else None,
                counted=result.comparison.counts,
                record=_told(result),
            )
            for result, strip in usable
        ),
        rules=_rules(vehicle, _moments(since, until, zone), zone, known_at),
    )


def _told(result: CheckResult) -> str:
    check = result.comparison
    error = (result.error_kg or Decimal(0)).quantize(Decimal(1))
    return f"{check.get_purpose_display()}, ticket {check.ticket}, {check.instrument.name}: {error:+} kg, {result.word}"


def _moments(since: date, until: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The first and the last moment of a period of days."""
    return datetime.combine(since, time.min, zone), datetime.combine(until, time.max, zone)


def _rules(
    vehicle: Vehicle, moments: tuple[datetime, datetime], zone: ZoneInfo, known_at: datetime | None
) -> tuple[HistoryRule, ...]:
    """A rule for each calibration, and for each repair that means something for the weighing."""
    period = {"happened_at__range": moments}
    calibrations = Calibration.objects.filter(vehicle=vehicle, **period).standing(known_at)
    repairs = Repair.objects.filter(vehicle=vehicle, **period).standing(known_at).exclude(effect="none")
    rules = [
        HistoryRule(
            on=calibration.happened_at.astimezone(zone).date(),
            word="calibrated" if calibration.accepted else "not accepted",
            record="calibration accepted" if calibration.accepted else "calibration not accepted",
        )
        for calibration in calibrations
    ]
    rules += [
        HistoryRule(
            on=repair.happened_at.astimezone(zone).date(),
            word=repair.component,
            record=f"{repair.component} {repair.work}: {repair.effect}",
        )
        for repair in repairs
    ]
    return tuple(sorted(rules, key=lambda rule: (rule.on, rule.word)))
