from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.layouts import MOST_AXLES
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import shape_of, vehicles_for
from fleetcal.fleet.services.vehicles import change_vehicle, register_vehicle
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, vehicle_or_404
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.vehicles import (
    AxleCountForm,
    VehicleForm,
    axle_forms,
    axles_as_typed,
    new_vehicle,
)
from fleetcal.web.numbers import read_count
from fleetcal.web.tables.vehicles import VehicleFilter, VehicleTable, with_columns


@needs(Capability.SEE_FLEET)
@require_safe
def list_vehicles(request: HttpRequest) -> HttpResponse:
    user = person(request)
    visible = vehicles_for(user)
    filtered = VehicleFilter(request.GET, with_columns(visible), user=user)
    table = VehicleTable(filtered.qs, unit=user.unit)
    context = {"table": configure(request, table), "filter": filtered, "has_any": visible.exists()}
    return export_asked(request, table, "vehicles") or render(request, "vehicles/list.html", context)


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def register(request: HttpRequest) -> HttpResponse:
    user = person(request)
    data = request.POST or None
    if data is None and "axles" not in request.GET:
        return render(request, "vehicles/axle_count.html", {"form": AxleCountForm()})
    count = AxleCountForm(request.GET)
    if data is None and not count.is_valid():
        return render(request, "vehicles/axle_count.html", {"form": count})
    form = VehicleForm(data, user=user)
    typed: list[dict[str, Any]] = [{}] * count.cleaned_data["axles"] if data is None else []
    axles = axle_forms(data, typed, user.unit)
    # Both are asked, so that every error shows at once.
    if data and all([form.is_valid(), axles.is_valid()]):
        vehicle = attempt(form, lambda: register_vehicle(new_vehicle(form, axles), actor=user))
        if vehicle:
            refresh_standings({vehicle.pk})
            messages.success(request, f"{vehicle} is registered. Next: the weighing system that is fitted.")
            return redirect("vehicle", vehicle.pk)
    return render(request, "vehicles/edit.html", {"form": form, "axles": axles})


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def edit(request: HttpRequest, vehicle_id: UUID) -> HttpResponse:
    user = person(request)
    vehicle = vehicle_or_404(request, vehicle_id)
    data = request.POST or None
    shape = shape_of(vehicle)
    form = VehicleForm(data, user=user, vehicle=vehicle, initial=_as_stored(vehicle))
    typed = axles_as_typed(shape, _axle_count(request, len(shape.axles)))
    axles = axle_forms(data, typed, user.unit)
    if data and all([form.is_valid(), axles.is_valid()]):
        changed = attempt(
            form,
            lambda: change_vehicle(
                vehicle, new_vehicle(form, axles), actor=user, reason=form.cleaned_data["reason"]
            ),
        )
        if changed:
            refresh_standings({vehicle.pk})
            messages.success(request, f"{changed} is changed.")
            return redirect("vehicle", vehicle.pk)
    context = {
        "form": form,
        "axles": axles,
        "vehicle": vehicle,
        "more_axles": min(len(typed) + 1, MOST_AXLES),
    }
    return render(request, "vehicles/edit.html", context)


def _as_stored(vehicle: Vehicle) -> dict[str, Any]:
    names = (
        "registration",
        "fleet_number",
        "vin",
        "kind",
        "depot",
        "registered_on",
        "in_service_on",
        "retired_on",
        "max_gross_kg",
    )
    return {name: getattr(vehicle, name) for name in names}


def _axle_count(request: HttpRequest, stored: int) -> int:
    asked = read_count(request.GET.get("axles", "")) or 0
    return max(stored, min(asked, MOST_AXLES))
