"""Beginning a calibration, and reading a concluded one."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import shape_of, vehicles_for
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.mass import from_kg
from fleetcal.metrology.rounding import round_by_uncertainty
from fleetcal.records.acceptance_rules import RuleText, tell_stored, tell_tick
from fleetcal.records.models import Calibration, CalibrationAxle, Check, Worksheet
from fleetcal.records.models.checks import Purpose
from fleetcal.records.readiness import Readiness, readiness_of
from fleetcal.records.services.worksheets import open_worksheet, set_conditions
from fleetcal.web.access import needs, person, row_of_vehicle_or_404, vehicle_or_404
from fleetcal.web.forms.attachments import AttachmentForm
from fleetcal.web.forms.calibrations import BeginForm, ConditionsForm
from fleetcal.web.records import attach_to, describe_record
from fleetcal.web.templatetags.quantities import THIN_SPACE
from fleetcal.web.views.finding import find_vehicle

COVERAGE_FACTOR = 2


@dataclass(frozen=True, slots=True)
class SettingLine:
    """One setting of the display as a page shows it, in the reader's unit, rounded by its uncertainty (k = 2)."""

    name: str
    empty: str
    loaded: str
    span: str
    tare_entered_kg: Decimal | None
    span_entered_kg: Decimal | None
    tare_rounding_kg: Decimal | None
    span_rounding_kg: Decimal | None


@require_safe
@needs(Capability.RECORD_CALIBRATION)
def calibration_start(request: HttpRequest) -> HttpResponse:
    if request.GET.get("q", "").strip():
        return find_vehicle(request, "calibrations/start.html", "calibration_begin")
    worksheets = (
        Worksheet.objects.filter(closed_at__isnull=True, vehicle__in=vehicles_for(person(request)))
        .select_related("vehicle__depot", "started_by")
        .order_by("-changed_at")
    )
    return render(request, "calibrations/start.html", {"worksheets": worksheets})


@require_http_methods(["GET", "POST"])
@needs(Capability.RECORD_CALIBRATION)
def calibration_begin(request: HttpRequest, pk: UUID) -> HttpResponse:
    vehicle = vehicle_or_404(request, pk)
    worksheet = Worksheet.objects.filter(vehicle=vehicle, closed_at__isnull=True).first()
    if worksheet:
        return redirect("worksheet", worksheet.pk)
    readiness = readiness_of(vehicle, timezone.now(), unit=person(request).unit)
    shape = shape_of(vehicle)
    data = request.POST or None
    form = BeginForm(data, shape=shape, asks_for_reason=_asks_for_reason(request, readiness))
    conditions = ConditionsForm(data, shape=shape, prefix="conditions")
    if data and all([form.is_valid(), conditions.is_valid()]):
        begun = _begin(request, vehicle, form, conditions)
        if begun:
            return redirect("worksheet", begun.pk)
    context = {
        "vehicle": vehicle,
        "readiness": readiness,
        "can_begin": not readiness.problem
        and (not readiness.blocking or _asks_for_reason(request, readiness)),
        "form": form,
        "conditions": conditions,
    }
    return render(request, "calibrations/begin.html", context)


@require_safe
@needs(Capability.SEE_FLEET)
def calibration(request: HttpRequest, pk: UUID) -> HttpResponse:
    return _page(request, _calibration_or_404(request, pk), AttachmentForm())


@require_POST
@needs(Capability.RECORD_CALIBRATION)
def calibration_attach(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = _calibration_or_404(request, pk)
    form = attach_to(request, found)
    return _page(request, found, form) if form else redirect("calibration", pk)


def _calibration_or_404(request: HttpRequest, pk: UUID) -> Calibration:
    rows = Calibration.objects.select_related(
        "vehicle__depot", "system", "policy_version__policy", "recorded_by", "supersedes"
    )
    found: Calibration = row_of_vehicle_or_404(request, rows, pk)
    return found


def _page(request: HttpRequest, found: Calibration, form: AttachmentForm) -> HttpResponse:
    unit = person(request).unit
    rules = _tell_rules(found, unit)
    context = {
        "calibration": found,
        "vehicle": found.vehicle,
        "readings": found.readings.select_related("instrument").order_by("number"),
        "settings": [describe_stored(row, found, unit) for row in found.axles.all()],
        "rules": rules,
        "has_excuse": any(rule.excuse for rule in rules),
        "ticks": [tell_tick(code) for code in found.ticks],
        "checks": _checks_of_the_day(found),
        "record": describe_record(found),
        "attachment_form": form,
    }
    return render(request, "calibrations/calibration.html", context, status=400 if form.errors else 200)


def write_measured(value_kg: float | Decimal, u_kg: float | Decimal, unit: str) -> str:
    """A weight with its expanded uncertainty (k = 2), both rounded by it: "5 100 ± 28 kg"."""
    value, expanded = (from_kg(Decimal(str(n)), unit) for n in (value_kg, COVERAGE_FACTOR * u_kg))
    rounded = round_by_uncertainty(value, expanded)
    return f"{rounded.value:,f} ± {rounded.U:,f} {unit}".replace(",", THIN_SPACE)


def describe_stored(row: CalibrationAxle, found: Calibration, unit: str) -> SettingLine:
    loaded, span = (row.loaded_kg, row.u_loaded_kg), (row.span_kg, row.u_span_kg)
    return SettingLine(
        name=f"Group {row.group}" if found.system.mode == "group" else f"Axle {row.axle}",
        empty=write_measured(row.empty_kg, row.u_empty_kg, unit),
        loaded=write_measured(loaded[0], loaded[1], unit) if loaded[0] is not None and loaded[1] else "",
        span=write_measured(span[0], span[1], unit) if span[0] is not None and span[1] else "",
        tare_entered_kg=row.tare_entered_kg,
        span_entered_kg=row.span_entered_kg,
        tare_rounding_kg=row.tare_entered_kg - row.empty_kg,
        span_rounding_kg=_difference(row.span_entered_kg, row.span_kg),
    )


def _difference(entered_kg: Decimal | None, exact_kg: Decimal | None) -> Decimal | None:
    return None if entered_kg is None or exact_kg is None else entered_kg - exact_kg


def _tell_rules(found: Calibration, unit: str) -> list[RuleText]:
    steer_unit = found.policy_version.steer_increase_unit
    return [
        tell_stored(
            row,
            unit=unit,
            steer_unit=steer_unit,
            suspects=found.consistency.get(row.subject, {}).get("suspects", ())
            if row.rule == "redundancy"
            else (),
        )
        for row in found.outcomes.all()
    ]


def _checks_of_the_day(found: Calibration) -> QuerySet[Check]:
    """As-found and as-left checks on the day of the calibration."""
    begin = timezone.localtime(found.started_at).replace(hour=0, minute=0, second=0, microsecond=0)
    end = _next_midnight(found.happened_at)
    rows: QuerySet[Check] = Check.objects.standing().filter(
        vehicle=found.vehicle_id,
        purpose__in=[Purpose.AS_FOUND, Purpose.AS_LEFT],
        happened_at__gte=begin,
        happened_at__lt=end,
    )
    return rows.select_related("instrument")


def _next_midnight(moment: datetime) -> datetime:
    local = timezone.localtime(moment)
    return local.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)


def _asks_for_reason(request: HttpRequest, readiness: Readiness) -> bool:
    return readiness.only_waits_for_cure and person(request).may(Capability.EXCUSE)


def _begin(
    request: HttpRequest, vehicle: Vehicle, form: BeginForm, conditions: ConditionsForm
) -> Worksheet | None:
    actor = person(request)
    try:
        with transaction.atomic():
            worksheet = open_worksheet(
                actor=actor,
                vehicle=vehicle,
                covers_groups=form.groups(),
                cure_reason=form.cleaned_data.get("cure_reason", ""),
            )
            set_conditions(worksheet.pk, conditions.conditions(), actor=actor, revision=0)
    except Refused as refusal:
        form.add_error(refusal.field if refusal.field in form.fields else None, str(refusal))
        return None
    messages.success(request, "The worksheet is open. Begin with the empty vehicle.")
    return worksheet
