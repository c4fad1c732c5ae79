"""The checks and calibrations that rest on a reference instrument, as one list in one query."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import django_filters as filters
import django_tables2 as tables
from django.db.models import Case, CharField, F, OuterRef, Q, QuerySet, Subquery, Value, When
from django.db.models.functions import Coalesce
from django.http import QueryDict
from django.urls import reverse
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.evaluation.standing import StandingWord
from fleetcal.fleet.instrument_book import FindingTerms
from fleetcal.fleet.models.vehicles import plate_key
from fleetcal.fleet.selectors import vehicles_for
from fleetcal.records.models import Calibration, Check, CheckResult
from fleetcal.records.models.checks import Purpose, Word
from fleetcal.records.resting import calibrations_resting_on, checks_resting_on
from fleetcal.web.forms.days import DayField
from fleetcal.web.templatetags.standings import standing_mark

CALIBRATION = "calibration"
COLUMNS = (
    "id",
    "vehicle_id",
    "happened_at",
    "plate",
    "zone",
    "what",
    "decision",
    "is_counted",
    "standing_word",
    "severity",
)
PURPOSES = dict(Purpose.choices)
WORST_FIRST = tuple(reversed(Word.values))
KEEP = {"td": {"class": "keep"}}


class DayFilter(filters.Filter):
    field_class = DayField


class RestingFilter(filters.FilterSet):
    """Asked of the checks and of the calibrations alike; stays in the URL."""

    vehicle = filters.CharFilter(label="Plate or number", method="by_vehicle")
    since = DayFilter(label="From", field_name="happened_at", lookup_expr="date__gte")
    until = DayFilter(label="Until", field_name="happened_at", lookup_expr="date__lte")

    def by_vehicle(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        plate = Q(vehicle__plate_key__contains=plate_key(value)) if plate_key(value) else Q()
        return queryset.filter(plate | Q(vehicle__fleet_number__icontains=value))


def resting_rows(
    instrument_id: UUID, user: User, data: QueryDict, within: Q | None = None
) -> tuple[RestingFilter, QuerySet[Any]]:
    """The filter, and the rows of the vehicles that *user* may see; with *within*, those that happened then."""
    in_reach = Q(vehicle__in=vehicles_for(user).order_by().values("pk")) & (within or Q())
    checks = RestingFilter(data, checks_resting_on(instrument_id).filter(in_reach))
    calibrations = RestingFilter(data, calibrations_resting_on(instrument_id).filter(in_reach))
    return checks, _check_rows(checks.qs).union(_calibration_rows(calibrations.qs), all=True)


def _check_rows(checks: QuerySet[Check]) -> QuerySet[Any]:
    rank = Case(*(When(word=word, then=Value(place)) for place, word in enumerate(WORST_FIRST)))
    worst = CheckResult.objects.filter(comparison=OuterRef("pk")).exclude(word="").order_by(rank)
    return _with_columns(
        checks,
        what=F("purpose"),
        decision=Coalesce(Subquery(worst.values("word")[:1]), Value("no decision")),
        is_counted=F("counts"),
    )


def _calibration_rows(calibrations: QuerySet[Calibration]) -> QuerySet[Any]:
    decision = Case(
        When(accepted=True, then=Value("accepted")),
        default=Value("not accepted"),
        output_field=CharField(),
    )
    what = Value(CALIBRATION, output_field=CharField())
    return _with_columns(calibrations, what=what, decision=decision, is_counted=F("accepted"))


def _with_columns(rows: "QuerySet[Check] | QuerySet[Calibration]", **columns: Any) -> QuerySet[Any]:
    # A query within a union has no order of its own.
    found: QuerySet[Any] = (
        rows.order_by()
        .annotate(
            plate=F("vehicle__registration"),
            zone=F("vehicle__depot__time_zone"),
            standing_word=Coalesce(F("vehicle__standing__word"), Value("")),
            severity=Coalesce(F("vehicle__standing__severity"), Value(len(StandingWord))),
            **columns,
        )
        .values(*COLUMNS)
    )
    return found


class RestingTable(tables.Table):
    plate = tables.Column(
        "Vehicle", linkify=lambda record: reverse("vehicle", args=[record["vehicle_id"]]), attrs=KEEP
    )
    happened_at = tables.DateTimeColumn(verbose_name="When", order_by=("happened_at", "id"), attrs=KEEP)
    what = tables.Column("Record", linkify=lambda record: _page_of(record))
    decision = tables.Column()
    is_counted = tables.Column("Counts", empty_values=())
    standing_word = tables.Column(
        "Standing of the vehicle", order_by=("severity", "plate", "id"), empty_values=()
    )

    caption = "Checks and calibrations; the decision of a check is the worst of its gross and axle groups"

    class Meta:
        order_by = "-happened_at"
        empty_text = "No record here that fits the filter."

    def __init__(self, data: QuerySet[Any], *, findings: Sequence[FindingTerms], **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        self.findings = findings

    def render_what(self, value: str) -> str:
        return PURPOSES.get(value, value)

    def render_is_counted(self, record: dict[str, Any]) -> str:
        day = record["happened_at"].astimezone(ZoneInfo(record["zone"] or "UTC")).date()
        if any(each.wrong_from <= day <= each.wrong_until for each in self.findings):
            return "no: the instrument was wrong"
        return "yes" if record["is_counted"] else "no"

    def render_standing_word(self, value: str) -> str:
        return standing_mark(value) if value else "not evaluated"

    def value_standing_word(self, value: str) -> str:
        return value

    def value_happened_at(self, value: datetime) -> datetime:
        return timezone.localtime(value)


def _page_of(record: dict[str, Any]) -> str:
    return reverse("calibration" if record["what"] == CALIBRATION else "check", args=[record["id"]])
