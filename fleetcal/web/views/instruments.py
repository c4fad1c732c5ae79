from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.contrib import messages
from django.db.models import Count, Max, Min, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.models import Instrument
from fleetcal.fleet.models.instruments import ScaleClass
from fleetcal.fleet.selectors import depots_for
from fleetcal.fleet.services.instruments import (
    change_instrument,
    record_certificate,
    record_finding,
    register_instrument,
)
from fleetcal.metrology.scale_classes import interval_findings
from fleetcal.records.models import Calibration, CalibrationReading, Check
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.instruments import (
    CertificateForm,
    FindingForm,
    InstrumentForm,
    PointFormSet,
    instrument_as_stored,
    usual_finding,
)
from fleetcal.web.tables.instruments import InstrumentFilter, InstrumentTable, with_columns


@dataclass(frozen=True, slots=True)
class Resting:
    """How much rests on an instrument."""

    checks: int
    calibrations: int
    first: datetime | None
    last: datetime | None


@needs(Capability.MANAGE_REGISTER)
@require_safe
def list_instruments(request: HttpRequest) -> HttpResponse:
    everything = Instrument.objects.all()
    filtered = InstrumentFilter(request.GET, with_columns(everything))
    table = InstrumentTable(
        filtered.qs, unit=person(request).unit, book=InstrumentBook(), day=timezone.localdate()
    )
    context = {"table": configure(request, table), "filter": filtered, "has_any": everything.exists()}
    return export_asked(request, table, "instruments") or render(request, "instruments/list.html", context)


@needs(Capability.SEE_FLEET)
@require_safe
def show(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    user = person(request)
    instrument = get_object_or_404(Instrument.objects.select_related("depot"), pk=instrument_id)
    book = InstrumentBook([instrument.pk])
    context = {
        "instrument": instrument,
        "validity": book.validity(instrument.pk, timezone.localdate()),
        "certificates": book.terms(instrument.pk).certificates,
        "findings": instrument.findings.select_related("recorded_by"),
        "may_change": user.may(Capability.MANAGE_REGISTER) and _changeable_by(user).contains(instrument),
        "resting": _resting_on(instrument),
        "oddities": _oddities(instrument),
    }
    return render(request, "instruments/show.html", context)


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def register(request: HttpRequest) -> HttpResponse:
    user = person(request)
    form = InstrumentForm(request.POST or None, user=user)
    if form.is_valid():
        instrument = attempt(form, lambda: register_instrument(form.draft(), actor=user))
        if instrument:
            messages.success(
                request, f"{instrument} is registered. It counts once its certificate is on record."
            )
            return redirect("certificate_new", instrument.pk)
    return render(request, "instruments/edit.html", {"form": form})


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def edit(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    user = person(request)
    instrument = get_object_or_404(_changeable_by(user), pk=instrument_id)
    form = InstrumentForm(
        request.POST or None, user=user, instrument=instrument, initial=instrument_as_stored(instrument)
    )
    if form.is_valid():
        reason = form.cleaned_data["reason"]
        changed = attempt(
            form, lambda: change_instrument(instrument, form.draft(), actor=user, reason=reason)
        )
        if changed:
            messages.success(request, f"{changed} is changed.")
            return redirect("instrument", instrument.pk)
    return render(request, "instruments/edit.html", {"form": form, "instrument": instrument})


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def add_certificate(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    user = person(request)
    instrument = get_object_or_404(_changeable_by(user), pk=instrument_id)
    data = request.POST or None
    form = CertificateForm(data)
    points = PointFormSet(data, prefix="points", form_kwargs={"unit": user.unit})
    if data and all([form.is_valid(), points.is_valid()]):
        recorded = attempt(
            form, lambda: record_certificate(form.draft(points), actor=user, instrument=instrument)
        )
        if recorded:
            refresh_standings(_vehicles_resting_on(instrument))
            messages.success(request, f"Certificate {recorded} is on record.")
            return redirect("instrument", instrument.pk)
    context = {
        "form": form,
        "points": points,
        "instrument": instrument,
        "needs_points": instrument.scale_class == ScaleClass.CERTIFICATE,
    }
    return render(request, "instruments/certificate.html", context)


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def add_finding(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    user = person(request)
    instrument = get_object_or_404(_changeable_by(user), pk=instrument_id)
    form = FindingForm(request.POST or None, initial=usual_finding(instrument, timezone.localdate()))
    if form.is_valid():
        found = attempt(form, lambda: record_finding(form.draft(), actor=user, instrument=instrument))
        if found:
            vehicles = _vehicles_resting_on(instrument)
            refresh_standings(vehicles)
            told = f"On record. {len(vehicles)} vehicles have records that rest on {instrument}: see what is due."
            messages.warning(request, told)
            return redirect("instrument", instrument.pk)
    context = {"form": form, "instrument": instrument, "resting": _resting_on(instrument)}
    return render(request, "instruments/finding.html", context)


def _resting_on(instrument: Instrument) -> Resting:
    checks = (
        Check.objects.standing()
        .filter(instrument=instrument)
        .aggregate(n=Count("pk"), first=Min("happened_at"), last=Max("happened_at"))
    )
    calibrations = CalibrationReading.objects.filter(
        instrument=instrument, calibration__in=Calibration.objects.standing()
    ).aggregate(
        n=Count("calibration", distinct=True),
        first=Min("calibration__happened_at"),
        last=Max("calibration__happened_at"),
    )
    return Resting(
        checks=checks["n"],
        calibrations=calibrations["n"],
        first=min(filter(None, [checks["first"], calibrations["first"]]), default=None),
        last=max(filter(None, [checks["last"], calibrations["last"]]), default=None),
    )


def _changeable_by(user: User) -> QuerySet[Instrument]:
    """Everybody may see every instrument; those of a depot are kept by people who work with that depot."""
    depots = [depot.pk for depot in depots_for(user)]
    return Instrument.objects.filter(Q(depot__isnull=True) | Q(depot__in=depots))


def _vehicles_resting_on(instrument: Instrument) -> set[UUID]:
    checked = Check.objects.filter(instrument=instrument).order_by().values_list("vehicle", flat=True)
    calibrated = CalibrationReading.objects.filter(instrument=instrument).order_by()
    return {*checked.distinct(), *calibrated.values_list("calibration__vehicle", flat=True).distinct()}


def _oddities(instrument: Instrument) -> list[str]:
    """What is unusual about its interval and capacity, in words."""
    if instrument.scale_class == ScaleClass.CERTIFICATE:
        return []
    return [
        f"{each.rule}: {each.value:g} {each.unit}"
        + (f" against {each.limit:g} {each.unit}" if each.limit is not None else "")
        + f" ({each.source})"
        for each in interval_findings(
            instrument.scale_class, float(instrument.e_kg), float(instrument.capacity_kg)
        )
    ]
