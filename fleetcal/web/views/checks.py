"""Recording a comparison of the display with a weighbridge or pads, and reading what came of it."""

from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import shape_of
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Check
from fleetcal.records.models.checks import Purpose
from fleetcal.records.services.attachments import add_attachment
from fleetcal.records.services.checks import record_checks
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, row_of_vehicle_or_404, vehicle_or_404
from fleetcal.web.forms.attachments import AttachmentForm
from fleetcal.web.forms.checks import CheckForm
from fleetcal.web.forms.recorded_checks import initial_of
from fleetcal.web.records import attach_to, describe_record, posted, sent_files
from fleetcal.web.results import conditions_of, display_readings, platform_readings, read_result
from fleetcal.web.views.finding import find_vehicle


@require_safe
@needs(Capability.RECORD_CHECK)
def check_start(request: HttpRequest) -> HttpResponse:
    return find_vehicle(request, "checks/start.html", "check_new")


def _purpose_asked(request: HttpRequest) -> str:
    """The purpose that the link here stood for, such as an as-left check after a calibration."""
    asked = request.GET.get("purpose", "")
    return asked if asked in Purpose.values else str(Purpose.CHECK)


@require_http_methods(["GET", "POST"])
@needs(Capability.RECORD_CHECK)
def check_new(request: HttpRequest, pk: UUID) -> HttpResponse:
    vehicle = vehicle_or_404(request, pk)
    form = CheckForm(
        posted(request),
        sent_files(request),
        shape=shape_of(vehicle),
        user=person(request),
        unit=person(request).unit,
        initial={"weighed_at": timezone.now(), "purpose": _purpose_asked(request)},
    )
    if request.method == "POST" and form.is_valid():
        check = _record(request, form, vehicle)
        if check:
            return redirect("check", check.pk)
    return render(request, "checks/new.html", {"form": form, "vehicle": vehicle})


@require_http_methods(["GET", "POST"])
@needs(Capability.CORRECT)
def check_correct(request: HttpRequest, pk: UUID) -> HttpResponse:
    check = _check_or_404(request, pk)
    vehicle = check.vehicle
    form = CheckForm(
        posted(request),
        shape=shape_of(vehicle),
        user=person(request),
        unit=check.unit,
        corrects=check,
        initial=initial_of(check),
    )
    if request.method == "POST" and form.is_valid():
        corrected = _record(request, form, vehicle)
        if corrected:
            return redirect("check", corrected.pk)
    return render(request, "checks/correct.html", {"form": form, "vehicle": vehicle, "check": check})


@require_safe
@needs(Capability.SEE_FLEET)
def check(request: HttpRequest, pk: UUID) -> HttpResponse:
    return _page(request, _check_or_404(request, pk), AttachmentForm())


@require_http_methods(["POST"])
@needs(Capability.RECORD_CHECK)
def check_attach(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = _check_or_404(request, pk)
    form = attach_to(request, found)
    return _page(request, found, form) if form else redirect("check", pk)


def _page(request: HttpRequest, check: Check, form: AttachmentForm) -> HttpResponse:
    shape, unit = shape_of(check.vehicle), person(request).unit
    results = [read_result(row, check.policy_version, shape, unit) for row in check.results.all()]
    context = {
        "check": check,
        "vehicle": check.vehicle,
        "results": results,
        "platform": platform_readings(check, shape, unit),
        "display": display_readings(check, shape, unit),
        "conditions": conditions_of(check, unit),
        "record": describe_record(check),
        "unit": unit,
        "attachment_form": form,
    }
    return render(request, "checks/check.html", context, status=400 if form.errors else 200)


def _check_or_404(request: HttpRequest, pk: UUID) -> Check:
    rows = Check.objects.select_related(
        "vehicle__depot",
        "instrument",
        "system",
        "policy_version__policy",
        "recorded_by",
        "supersedes",
        "file",
    ).prefetch_related("results")
    found: Check = row_of_vehicle_or_404(request, rows, pk)
    return found


def _record(request: HttpRequest, form: CheckForm, vehicle: Vehicle) -> Check | None:
    """The recorded check; None where it was refused, with the refusal on *form*."""
    drafts, photo = form.drafts(), form.cleaned_data.get("photo")
    try:
        with transaction.atomic():
            checks = record_checks(drafts, actor=person(request))
            if photo:
                add_attachment(actor=person(request), vehicle=vehicle, record_id=checks[0].pk, upload=photo)
    except Refused as refusal:
        form.add_refusal(refusal)
        return None
    refresh_standings({draft.vehicle_id for draft in drafts})
    if len(checks) > 1:
        messages.success(request, "Recorded for both units of the combination.")
    else:
        messages.success(
            request, "The correction is recorded." if form.corrects else "The check is recorded."
        )
    return checks[0]
