"""Published weight limits beside the rating plate and the alarm points: information, never a permission."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models.vehicles import Suspension, UnitKind
from fleetcal.fleet.selectors import VehicleShape, shape_of
from fleetcal.fleet.services.systems import system_of
from fleetcal.metrology.legal_limits import (
    LOCAL_RULES_DECIDE,
    Axle,
    LimitFinding,
    list_eu_limits,
    list_us_limits,
)
from fleetcal.records.models import Installation
from fleetcal.web.access import needs, vehicle_or_404


@dataclass(frozen=True, slots=True)
class LimitRow:
    finding: LimitFinding
    axles: str
    plate_kg: float

    @property
    def is_lower(self) -> bool:
        return self.finding.limit_kg < self.plate_kg


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
    axles = placed_axles(shape)
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
            ("European Union, 96/53/EC Annex I", _rows(shape, list_eu_limits(axles, shape.kind))),
            ("United States, 23 U.S.C. 127", _rows(shape, list_us_limits(axles))),
        ],
        "is_trailer": shape.kind == UnitKind.TRAILER,
        "has_system": system is not None,
        "alarms": alarm_rows(shape, gross_kg, axle_alarms_kg),
    }
    return render(request, "vehicles/limits.html", context)


def placed_axles(shape: VehicleShape) -> tuple[Axle, ...]:
    """The axles with their distance behind the first."""
    position_mm, placed = 0, []
    for axle in shape.axles:
        position_mm += axle.spacing_mm or 0
        placed.append(
            Axle(
                number=axle.number,
                position_mm=position_mm,
                driven=axle.is_driven,
                steered=axle.is_steered,
                twin_tyred=axle.has_twin_tyres,
                air_suspended=shape.group(axle.group).suspension == Suspension.AIR,
            )
        )
    return tuple(placed)


def alarm_rows(shape: VehicleShape, gross_kg: Decimal | None, axles_kg: Mapping[str, str]) -> list[AlarmRow]:
    rows = [AlarmRow("gross", shape.max_gross_kg, float(gross_kg) if gross_kg else None)]
    for axle in shape.axles:
        alarm_kg = axles_kg.get(str(axle.number))
        rows.append(AlarmRow(f"axle {axle.number}", axle.max_kg, float(alarm_kg) if alarm_kg else None))
    return rows


def _rows(shape: VehicleShape, findings: tuple[LimitFinding, ...]) -> list[LimitRow]:
    return [
        LimitRow(finding, _axles_text(finding.axles), _plate_kg(shape, finding.axles)) for finding in findings
    ]


def _plate_kg(shape: VehicleShape, numbers: tuple[int, ...]) -> float:
    """What the plate gives for these axles: the gross for all, a group's own maximum, else the axles' sum."""
    if len(numbers) == len(shape.axles):
        return shape.max_gross_kg
    for group in shape.groups:
        if group.axles == numbers:
            return group.max_kg
    return sum(axle.max_kg for axle in shape.axles if axle.number in numbers)


def _axles_text(numbers: tuple[int, ...]) -> str:
    return str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
