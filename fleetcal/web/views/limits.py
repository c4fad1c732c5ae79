"""Published weight limits beside the rating plate and the alarm points: information, never a permission."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models.vehicles import UnitKind
from fleetcal.fleet.published_limits import eu_limits, us_limits
from fleetcal.fleet.selectors import VehicleShape, shape_of
from fleetcal.fleet.services.systems import system_of
from fleetcal.metrology.legal_limits import LOCAL_RULES_DECIDE
from fleetcal.records.models import Installation
from fleetcal.web.access import needs, vehicle_or_404


@dataclass(frozen=True, slots=True)
class AlarmRow:
    subject: str
    plate_kg: float
    alarm_kg: float | None

    @property
    def is_higher(self) -> bool:
        return self.alarm_kg is not None and self.alarm_kg > self.plate_kg


@needs(Capability.SEE_FLEET)
@require_safe
def show_limits(request: HttpRequest, vehicle_id: UUID) -> HttpResponse:
    vehicle = vehicle_or_404(request, vehicle_id)
    shape = shape_of(vehicle)
    system = system_of(vehicle)
    installation = (
        Installation.objects.standing().filter(system=system).order_by("-happened_at").first()
        if system
        else None
    )
    axle_alarms_kg = installation.alarm_axles_kg if installation else {}
    gross_kg = installation.alarm_gross_kg if installation else None
    if gross_kg is None and system:
        gross_kg = system.alarm_gross_kg
    context = {
        "vehicle": vehicle,
        "words": LOCAL_RULES_DECIDE,
        "tables": [
            ("European Union, 96/53/EC Annex I", eu_limits(shape)),
            ("United States, 23 U.S.C. 127", us_limits(shape)),
        ],
        "is_trailer": shape.kind == UnitKind.TRAILER,
        "has_system": system is not None,
        "alarms": alarm_rows(shape, gross_kg, axle_alarms_kg),
    }
    return render(request, "vehicles/limits.html", context)


def alarm_rows(shape: VehicleShape, gross_kg: Decimal | None, axles_kg: Mapping[str, str]) -> list[AlarmRow]:
    rows = [AlarmRow("gross", shape.max_gross_kg, float(gross_kg) if gross_kg else None)]
    for axle in shape.axles:
        alarm_kg = axles_kg.get(str(axle.number))
        rows.append(AlarmRow(f"axle {axle.number}", axle.max_kg, float(alarm_kg) if alarm_kg else None))
    return rows
