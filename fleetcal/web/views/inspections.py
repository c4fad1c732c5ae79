"""Keeping the reports of approved workshops, and reading them: for information, no standing rests on them."""

from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.refusals import Refused
from fleetcal.records.inspection_findings import judge_inspection
from fleetcal.records.models import Inspection
from fleetcal.records.services.attachments import add_attachment
from fleetcal.records.services.inspections import record_inspection
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, row_of_vehicle_or_404, vehicle_or_404
from fleetcal.web.forms.attachments import AttachmentForm
from fleetcal.web.forms.inspections import InspectionForm, initial_of_inspection
from fleetcal.web.records import attach_to, describe_record, posted, sent_files


@require_http_methods(["GET", "POST"])
@needs(Capability.RECORD_CALIBRATION)
def inspection_new(request: HttpRequest, pk: UUID) -> HttpResponse:
    vehicle = vehicle_or_404(request, pk)
    initial = {"vin": vehicle.vin or "", "maximum_kg": vehicle.max_gross_kg}
    form = InspectionForm(
        posted(request), sent_files(request), vehicle=vehicle, unit=person(request).unit, initial=initial
    )
    if request.method == "POST" and form.is_valid():
        recorded = _record(request, form, vehicle)
        if recorded:
            return redirect("inspection", recorded.pk)
    return render(request, "inspections/new.html", {"form": form, "vehicle": vehicle})


@require_http_methods(["GET", "POST"])
@needs(Capability.CORRECT)
def inspection_correct(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = _inspection_or_404(request, pk)
    vehicle = found.vehicle
    form = InspectionForm(
        posted(request),
        vehicle=vehicle,
        unit=found.unit,
        corrects=found,
        initial=initial_of_inspection(found),
    )
    if request.method == "POST" and form.is_valid():
        corrected = _record(request, form, vehicle)
        if corrected:
            return redirect("inspection", corrected.pk)
    context = {"form": form, "vehicle": vehicle, "inspection": found}
    return render(request, "inspections/correct.html", context)


@require_safe
@needs(Capability.SEE_FLEET)
def inspection(request: HttpRequest, pk: UUID) -> HttpResponse:
    return _page(request, _inspection_or_404(request, pk), AttachmentForm())


@require_POST
@needs(Capability.RECORD_CALIBRATION)
def inspection_attach(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = _inspection_or_404(request, pk)
    form = attach_to(request, found)
    return _page(request, found, form) if form else redirect("inspection", pk)


def _page(request: HttpRequest, found: Inspection, form: AttachmentForm) -> HttpResponse:
    context = {
        "inspection": found,
        "vehicle": found.vehicle,
        "findings": judge_inspection(found),
        "record": describe_record(found),
        "attachment_form": form,
    }
    return render(request, "inspections/inspection.html", context, status=400 if form.errors else 200)


def _inspection_or_404(request: HttpRequest, pk: UUID) -> Inspection:
    rows = Inspection.objects.select_related("vehicle__depot", "recorded_by", "supersedes")
    found: Inspection = row_of_vehicle_or_404(request, rows, pk)
    return found


def _record(request: HttpRequest, form: InspectionForm, vehicle: Vehicle) -> Inspection | None:
    """The recorded report; None where it was refused, with the refusal on *form*."""
    upload = form.cleaned_data.get("document")
    try:
        with transaction.atomic():
            recorded = record_inspection(form.draft(), actor=person(request))
            if upload:
                add_attachment(actor=person(request), vehicle=vehicle, record_id=recorded.pk, upload=upload)
    except Refused as refusal:
        form.add_refusal(refusal)
        return None
    refresh_standings({vehicle.pk})
    messages.success(request, "The correction is recorded." if form.corrects else "The report is on record.")
    return recorded
