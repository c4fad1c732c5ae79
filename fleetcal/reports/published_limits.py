"""Published weight limits that lie below a vehicle's rating plate: information, never a permission."""

from dataclasses import dataclass

from fleetcal.fleet.models.vehicles import Suspension
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.metrology.legal_limits import Axle, list_eu_limits, list_us_limits


@dataclass(frozen=True, slots=True)
class LimitBelowPlate:
    axles: str
    rule: str
    limit_kg: float
    plate_kg: float


def list_below_plate(shape: VehicleShape) -> tuple[LimitBelowPlate, ...]:
    """Of the EU and the US tables, in their order, what gives less than the plate for the same axles."""
    axles = _place(shape)
    found = []
    for finding in (*list_eu_limits(axles, shape.kind), *list_us_limits(axles)):
        plate_kg = _plate_kg(shape, finding.axles)
        if finding.limit_kg < plate_kg:
            numbers = finding.axles
            name = str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
            rule = f"{finding.rule_name}; {finding.note}" if finding.note else finding.rule_name
            found.append(LimitBelowPlate(name, rule, finding.limit_kg, plate_kg))
    return tuple(found)


def _place(shape: VehicleShape) -> tuple[Axle, ...]:
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


def _plate_kg(shape: VehicleShape, numbers: tuple[int, ...]) -> float:
    """What the plate gives for these axles: the gross for all, a group's own maximum, else the axles' sum."""
    if len(numbers) == len(shape.axles):
        return shape.max_gross_kg
    for group in shape.groups:
        if group.axles == numbers:
            return group.max_kg
    return sum(axle.max_kg for axle in shape.axles if axle.number in numbers)
