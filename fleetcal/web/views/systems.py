from typing import Any
from uuid import UUID

from django.contrib import messages
from django.db.models import Prefetch
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.selectors import VehicleShape, shape_of
from fleetcal.fleet.services.systems import change_system, fit_system, system_of
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, vehicle_or_404
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.systems import (
    MOST_SENSORS,
    SystemForm,
    UnitFormSet,
    new_system,
    sensor_forms,
    sensors_as_stored,
    sensors_as_usual,
    system_as_stored,
    units_as_stored,
)
from fleetcal.web.numbers import read_count


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def edit(request: HttpRequest, vehicle_id: UUID) -> HttpResponse:
    """The system that is on the vehicle; the first one is fitted here too."""
    vehicle = vehicle_or_404(request, vehicle_id)
    system = system_of(vehicle)
    return _edit(request, vehicle, system) if system else _fit(request, vehicle)


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def fit_another(request: HttpRequest, vehicle_id: UUID) -> HttpResponse:
    """Another system in place of the one that is on the vehicle."""
    return _fit(request, vehicle_or_404(request, vehicle_id))


def _edit(request: HttpRequest, vehicle: Vehicle, system: WeighingSystem) -> HttpResponse:
    user = person(request)
    shape = shape_of(vehicle)
    data = request.POST or None
    form = SystemForm(data, unit=user.unit, is_change=True, initial=system_as_stored(system))
    stored = sensors_as_stored(system)
    sensors = sensor_forms(data, _counted(request, stored), len(shape.axles))
    units = UnitFormSet(data, initial=units_as_stored(system), prefix="units")
    if data and all([form.is_valid(), sensors.is_valid(), units.is_valid()]):
        changed = attempt(
            form,
            lambda: change_system(
                system,
                new_system(form, sensors, units),
                actor=user,
                on=form.cleaned_data["changed_on"],
                reason=form.cleaned_data["reason"],
            ),
        )
        if changed:
            refresh_standings({vehicle.pk})
            messages.success(request, f"The weighing system of {vehicle} is changed.")
            return redirect("vehicle", vehicle.pk)
    return _page(request, vehicle, form, sensors, units, system)


def _fit(request: HttpRequest, vehicle: Vehicle) -> HttpResponse:
    user = person(request)
    shape = shape_of(vehicle)
    data = request.POST or None
    form = SystemForm(data, unit=user.unit, initial=_usual_values(vehicle, shape))
    sensors = sensor_forms(data, _counted(request, sensors_as_usual(shape)), len(shape.axles))
    units = UnitFormSet(data, prefix="units")
    if data and all([form.is_valid(), sensors.is_valid(), units.is_valid()]):
        fitted = attempt(
            form, lambda: fit_system(new_system(form, sensors, units), actor=user, vehicle=vehicle)
        )
        if fitted:
            refresh_standings({vehicle.pk})
            messages.success(
                request, f"{fitted} is on record for {vehicle}. Next: record how it was installed."
            )
            return redirect("vehicle", vehicle.pk)
    return _page(request, vehicle, form, sensors, units, None)


def _page(
    request: HttpRequest, vehicle: Vehicle, form: Any, sensors: Any, units: Any, system: WeighingSystem | None
) -> HttpResponse:
    removed = Sensor.objects.filter(removed_on__isnull=False).select_related("axle")
    earlier = vehicle.systems.filter(removed_on__isnull=False).prefetch_related(
        Prefetch("sensors", queryset=removed)
    )
    context = {
        "vehicle": vehicle,
        "system": system,
        "form": form,
        "sensors": sensors,
        "units": units,
        "more_sensors": min(sensors.total_form_count() + 1, MOST_SENSORS),
        "came_off": removed.filter(system=system) if system else [],
        "earlier": earlier,
    }
    return render(request, "systems/edit.html", context)


def _usual_values(vehicle: Vehicle, shape: VehicleShape) -> dict[str, Any]:
    # 24 V and a fuse of 3 A: common practice, no source.
    return {
        "axle_count": len(shape.axles),
        "supply_v": 24,
        "fuse_a": 3,
        "mode": "group",
        "alarm_gross_kg": vehicle.max_gross_kg,
    }


def _counted(request: HttpRequest, proposed: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """*proposed* with as many rows as the URL asks for, where it asks for more."""
    asked = read_count(request.GET.get("sensors", "")) or 0
    more = min(asked, MOST_SENSORS) - len(proposed)
    return proposed + [{"in_line": True, "lead_towards_pivot": True} for _ in range(more)]
