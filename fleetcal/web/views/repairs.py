"""Logging suspension work, and what it means for the weighing."""

from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.models.policies import Work
from fleetcal.fleet.selectors import PolicyBook, VehicleShape, shape_of
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Repair
from fleetcal.records.repair_effects import RepairEffect, preview_effect
from fleetcal.records.services.attachments import add_attachment
from fleetcal.records.services.repairs import record_repair
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, row_of_vehicle_or_404, vehicle_or_404
from fleetcal.web.forms.attachments import AttachmentForm
from fleetcal.web.forms.repairs import RepairForm, initial_of
from fleetcal.web.numbers import read_count
from fleetcal.web.records import attach_to, describe_record, posted, sent_files
from fleetcal.web.views.finding import find_vehicle


@require_safe
@needs(Capability.RECORD_REPAIR)
def repair_start(request: HttpRequest) -> HttpResponse:
    return find_vehicle(request, "repairs/start.html", "repair_new")


@require_http_methods(["GET", "POST"])
@needs(Capability.RECORD_REPAIR)
def repair_new(request: HttpRequest, pk: UUID) -> HttpResponse:
    """Records the work, or with the button `preview` only says what it would mean."""
    vehicle = vehicle_or_404(request, pk)
    shape = shape_of(vehicle)
    initial = {"happened_at": timezone.now(), "work": Work.REPLACED}
    form = RepairForm(posted(request), sent_files(request), shape=shape, initial=initial)
    effect: RepairEffect | None = None
    if request.method == "POST" and form.is_valid():
        if "preview" in request.POST:
            effect = _preview(form, shape)
        else:
            repair = _record(request, form, vehicle)
            if repair:
                return redirect("repair", repair.pk)
    return render(request, "repairs/new.html", {"form": form, "vehicle": vehicle, "effect": effect})


@require_safe
@needs(Capability.RECORD_REPAIR)
def repair_effect(request: HttpRequest, pk: UUID) -> HttpResponse:
    """The fragment that says what the work chosen so far means; empty while too little is chosen."""
    shape = shape_of(vehicle_or_404(request, pk))
    axle, component = read_count(request.GET.get("axle", "")), request.GET.get("component", "")
    context: dict[str, object] = {}
    if component:
        try:
            context["effect"] = preview_effect(
                shape, component, request.GET.get("work", ""), axle, timezone.localdate(), PolicyBook()
            )
        except Refused as refusal:
            context["refusal"] = str(refusal)
    return render(request, "repairs/_effect.html", context)


@require_http_methods(["GET", "POST"])
@needs(Capability.CORRECT)
def repair_correct(request: HttpRequest, pk: UUID) -> HttpResponse:
    repair = _repair_or_404(request, pk)
    form = RepairForm(
        posted(request), shape=shape_of(repair.vehicle), corrects=repair, initial=initial_of(repair)
    )
    if request.method == "POST" and form.is_valid():
        corrected = _record(request, form, repair.vehicle)
        if corrected:
            return redirect("repair", corrected.pk)
    return render(
        request, "repairs/correct.html", {"form": form, "vehicle": repair.vehicle, "repair": repair}
    )


@require_safe
@needs(Capability.SEE_FLEET)
def repair(request: HttpRequest, pk: UUID) -> HttpResponse:
    return _page(request, _repair_or_404(request, pk), AttachmentForm())


@require_http_methods(["POST"])
@needs(Capability.RECORD_REPAIR)
def repair_attach(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = _repair_or_404(request, pk)
    form = attach_to(request, found)
    return _page(request, found, form) if form else redirect("repair", pk)


def _page(request: HttpRequest, repair: Repair, form: AttachmentForm) -> HttpResponse:
    context = {
        "repair": repair,
        "vehicle": repair.vehicle,
        "meaning": RepairEffect.of(repair).meaning,
        "record": describe_record(repair),
        "attachment_form": form,
    }
    return render(request, "repairs/repair.html", context, status=400 if form.errors else 200)


def _repair_or_404(request: HttpRequest, pk: UUID) -> Repair:
    rows = Repair.objects.select_related(
        "vehicle__depot", "policy_version__policy", "recorded_by", "supersedes", "file"
    )
    found: Repair = row_of_vehicle_or_404(request, rows, pk)
    return found


def _preview(form: RepairForm, shape: VehicleShape) -> RepairEffect | None:
    data = form.cleaned_data
    try:
        return preview_effect(
            shape, data["component"], data["work"], data["axle"], data["happened_at"].date(), PolicyBook()
        )
    except Refused as refusal:
        form.add_refusal(refusal)
        return None


def _record(request: HttpRequest, form: RepairForm, vehicle: Vehicle) -> Repair | None:
    """The recorded repair; None where it was refused, with the refusal on *form*."""
    photo = form.cleaned_data.get("photo")
    try:
        with transaction.atomic():
            repair = record_repair(form.draft(), actor=person(request))
            if photo:
                add_attachment(actor=person(request), vehicle=vehicle, record_id=repair.pk, upload=photo)
    except Refused as refusal:
        form.add_refusal(refusal)
        return None
    refresh_standings({vehicle.pk})
    messages.success(request, "The correction is recorded." if form.corrects else "The work is recorded.")
    return repair
