"""Recording how a weighing system was fitted, and reading what that leaves open."""

from dataclasses import dataclass
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.published_limits import limits_below_plate
from fleetcal.fleet.selectors import VehicleShape, shape_of
from fleetcal.fleet.services.systems import system_of
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.legal_limits import LOCAL_RULES_DECIDE, LimitFinding
from fleetcal.records.installation_items import slope_sense
from fleetcal.records.models import Installation, SensorBond
from fleetcal.records.readiness import items_of, readiness_of
from fleetcal.records.services.installations import record_installation
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, row_of_vehicle_or_404, vehicle_or_404
from fleetcal.web.forms.attachments import AttachmentForm
from fleetcal.web.forms.installations import (
    BondForm,
    InstallationForm,
    bond_forms,
    initial_of_installation,
)
from fleetcal.web.records import attach_to, describe_record

SENSES = {1: "first sense", -1: "second sense, opposite to the first", 0: "none"}


@dataclass(frozen=True, slots=True)
class SensorLine:
    """A sensor with how it was put in place, and the sense that its place gives to slope compensation."""

    bond: SensorBond
    sensor: Sensor
    sense: str


@require_http_methods(["GET", "POST"])
@needs(Capability.RECORD_INSTALLATION)
def installation_new(request: HttpRequest, pk: UUID) -> HttpResponse:
    vehicle = vehicle_or_404(request, pk)
    system = system_of(vehicle)
    if system is None:
        return render(request, "installations/no_system.html", {"vehicle": vehicle})
    return _edit(request, vehicle, system, None)


@require_http_methods(["GET", "POST"])
@needs(Capability.CORRECT)
def installation_correct(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = _installation_or_404(request, pk)
    return _edit(request, found.vehicle, found.system, found)


@require_safe
@needs(Capability.SEE_FLEET)
def installation(request: HttpRequest, pk: UUID) -> HttpResponse:
    return _page(request, _installation_or_404(request, pk), AttachmentForm())


@require_POST
@needs(Capability.RECORD_INSTALLATION)
def installation_attach(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = _installation_or_404(request, pk)
    form = attach_to(request, found)
    return _page(request, found, form) if form else redirect("installation", pk)


def _page(request: HttpRequest, found: Installation, form: AttachmentForm) -> HttpResponse:
    shape = shape_of(found.vehicle)
    now = timezone.now()
    bonds = found.bonds.select_related("sensor__axle").order_by("sensor__channel")
    readiness = readiness_of(found.vehicle, now)
    context = {
        "installation": found,
        "vehicle": found.vehicle,
        "items": items_of(found, now, unit=person(request).unit),
        "sensors": [SensorLine(bond, bond.sensor, SENSES[slope_sense(bond.sensor)]) for bond in bonds],
        "alarms": _alarms(found, shape),
        "is_current": readiness.installation == found,
        "blocking": readiness.blocking,
        "lower_limits": lower_limits(shape),
        "words": LOCAL_RULES_DECIDE,
        "record": describe_record(found),
        "attachment_form": form,
    }
    return render(request, "installations/installation.html", context, status=400 if form.errors else 200)


def lower_limits(shape: VehicleShape) -> list[LimitFinding]:
    """Published limits of an axle or of the gross that lie below the rating plate: where an alarm point could be set lower."""
    alarmed = {1, len(shape.axles)}
    return [limit.finding for limit in limits_below_plate(shape) if len(limit.finding.axles) in alarmed]


def _edit(
    request: HttpRequest, vehicle: Vehicle, system: WeighingSystem, corrects: Installation | None
) -> HttpResponse:
    user, shape, data = person(request), shape_of(vehicle), request.POST or None
    initial = initial_of_installation(corrects) if corrects else {"happened_at": timezone.now()}
    form = InstallationForm(
        data, shape=shape, system=system, unit=user.unit, corrects=corrects, initial=initial
    )
    sensors = list(
        Sensor.objects.filter(system=system, removed_on__isnull=True)
        .select_related("axle")
        .order_by("channel")
    )
    stored = {bond.sensor_id: bond for bond in corrects.bonds.all()} if corrects else {}
    bonds = bond_forms(data, sensors, stored, "F" if user.unit == "lb" else "C")
    if data and all([form.is_valid(), *(bond.is_valid() for bond in bonds)]):
        recorded = _record(request, form, bonds)
        if recorded:
            return redirect("installation", recorded.pk)
    context = {
        "vehicle": vehicle,
        "system": system,
        "form": form,
        "bonds": bonds,
        "corrects": corrects,
        "shape": shape,
        "lower_limits": lower_limits(shape),
        "words": LOCAL_RULES_DECIDE,
    }
    return render(request, "installations/edit.html", context)


def _record(request: HttpRequest, form: InstallationForm, bonds: list[BondForm]) -> Installation | None:
    """The recorded installation; None where it was refused, with the refusal on *form*."""
    try:
        recorded = record_installation(
            form.draft(tuple(bond.draft() for bond in bonds)), actor=person(request)
        )
    except Refused as refusal:
        form.add_refusal(refusal)
        return None
    refresh_standings({recorded.vehicle_id})
    words = "The correction is recorded." if form.corrects else "The installation is recorded."
    messages.success(request, words)
    return recorded


def _alarms(found: Installation, shape: VehicleShape) -> list[tuple[str, float, object]]:
    """Subject, plate and alarm point, kg."""
    axles = [(f"axle {a.number}", a.max_kg, found.alarm_axles_kg.get(str(a.number))) for a in shape.axles]
    return [("gross", shape.max_gross_kg, found.alarm_gross_kg), *axles]


def _installation_or_404(request: HttpRequest, pk: UUID) -> Installation:
    rows = Installation.objects.select_related("vehicle__depot", "system", "recorded_by", "supersedes")
    found: Installation = row_of_vehicle_or_404(request, rows, pk)
    return found
