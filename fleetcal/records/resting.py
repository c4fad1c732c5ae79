"""Which records rest on a reference instrument, over all its time or over the days on which it was found to have been wrong."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Count, Exists, Max, Min, OuterRef, Q, QuerySet

from fleetcal.fleet.models import Depot, Vehicle
from fleetcal.fleet.models.vehicles import VehicleQuerySet
from fleetcal.records.models import Calibration, CalibrationReading, Check


@dataclass(frozen=True, slots=True)
class Resting:
    """How much rests on an instrument, of the records that stand."""

    checks: int
    calibrations: int
    vehicles: int
    first: datetime | None
    last: datetime | None

    @property
    def records(self) -> int:
        return self.checks + self.calibrations


def checks_resting_on(instrument_id: UUID) -> QuerySet[Check]:
    found: QuerySet[Check] = Check.objects.standing().filter(instrument=instrument_id)
    return found


def calibrations_resting_on(instrument_id: UUID) -> QuerySet[Calibration]:
    """A calibration rests on every instrument that it has a reading of."""
    readings = CalibrationReading.objects.filter(calibration=OuterRef("pk"), instrument=instrument_id)
    found: QuerySet[Calibration] = Calibration.objects.standing().filter(Exists(readings))
    return found


def happened_within(since: date, until: date) -> Q:
    """The condition that a record happened on these days, each by the calendar of its vehicle's depot."""
    condition = Q(pk__in=[])
    for name in Depot.objects.order_by().values_list("time_zone", flat=True).distinct():
        zone = ZoneInfo(name or "UTC")
        begin = datetime.combine(since, time.min, zone)
        end = datetime.combine(until + timedelta(days=1), time.min, zone)
        condition |= Q(vehicle__depot__time_zone=name, happened_at__gte=begin, happened_at__lt=end)
    return condition


def resting_on(instrument_id: UUID, within: Q | None = None) -> Resting:
    """How much rests on the instrument; with *within*, of what happened then."""
    condition = within if within is not None else Q()
    checks, calibrations = (
        rows.filter(condition)
        for rows in (checks_resting_on(instrument_id), calibrations_resting_on(instrument_id))
    )
    (n_checks, *days_of_checks), (n_calibrations, *days_of_calibrations) = _sum(checks), _sum(calibrations)
    days = [day for day in (*days_of_checks, *days_of_calibrations) if day]
    vehicles = with_records_on(instrument_id, condition).count()
    return Resting(n_checks, n_calibrations, vehicles, min(days, default=None), max(days, default=None))


def with_records_on(instrument_id: UUID, within: Q) -> VehicleQuerySet:
    """The vehicles with a record that rests on the instrument and happened *within*."""
    checks, calibrations = (
        rows.filter(within).order_by().values("vehicle")
        for rows in (checks_resting_on(instrument_id), calibrations_resting_on(instrument_id))
    )
    return Vehicle.objects.filter(Q(pk__in=checks) | Q(pk__in=calibrations))


def vehicles_resting_on(instrument_id: UUID) -> set[UUID]:
    """The vehicles that have ever had a record of it, corrected and withdrawn ones among them: a cautious list to judge anew."""
    checked = Check.objects.filter(instrument=instrument_id).order_by().values_list("vehicle", flat=True)
    calibrated = CalibrationReading.objects.filter(instrument=instrument_id).order_by()
    return {*checked.distinct(), *calibrated.values_list("calibration__vehicle", flat=True).distinct()}


def _sum(rows: "QuerySet[Check] | QuerySet[Calibration]") -> tuple[int, datetime | None, datetime | None]:
    found = rows.order_by().aggregate(n=Count("pk"), first=Min("happened_at"), last=Max("happened_at"))
    return found["n"], found["first"], found["last"]
