"""Published weight limits of a vehicle beside its rating plate: information, never a permission."""

from dataclasses import dataclass

from fleetcal.fleet.models.vehicles import Suspension
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.metrology.legal_limits import Axle, LimitFinding, list_eu_limits, list_us_limits


@dataclass(frozen=True, slots=True)
class PublishedLimit:
    """A published limit, and what the rating plate gives for the same axles."""

    finding: LimitFinding
    plate_kg: float

    @property
    def is_lower(self) -> bool:
        return self.finding.limit_kg < self.plate_kg

    @property
    def axles(self) -> str:
        numbers = self.finding.axles
        return str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"


def eu_limits(shape: VehicleShape) -> tuple[PublishedLimit, ...]:
    return _beside_plate(shape, list_eu_limits(_placed(shape), shape.kind))


def us_limits(shape: VehicleShape) -> tuple[PublishedLimit, ...]:
    return _beside_plate(shape, list_us_limits(_placed(shape)))


def limits_below_plate(shape: VehicleShape) -> tuple[PublishedLimit, ...]:
    """Of the EU and the US tables, in their order, what gives less than the plate for the same axles."""
    return tuple(limit for limit in (*eu_limits(shape), *us_limits(shape)) if limit.is_lower)


def _placed(shape: VehicleShape) -> tuple[Axle, ...]:
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


def _beside_plate(shape: VehicleShape, findings: tuple[LimitFinding, ...]) -> tuple[PublishedLimit, ...]:
    return tuple(PublishedLimit(finding, _plate_kg(shape, finding.axles)) for finding in findings)


def _plate_kg(shape: VehicleShape, numbers: tuple[int, ...]) -> float:
    """What the plate gives for these axles: the gross for all, a group's own maximum, else the axles' sum."""
    if len(numbers) == len(shape.axles):
        return shape.max_gross_kg
    for group in shape.groups:
        if group.axles == numbers:
            return group.max_kg
    return sum(axle.max_kg for axle in shape.axles if axle.number in numbers)
