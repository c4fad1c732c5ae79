"""How well the fleet's displays repeat a settled reading, pooled from its own repeated checks."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from uuid import UUID

from fleetcal.fleet.models import AxleGroup, Vehicle
from fleetcal.fleet.models.vehicles import Suspension
from fleetcal.metrology.indication import Repeatability, pooled_repeatability
from fleetcal.records.models import Check
from fleetcal.records.models.checks import Purpose

# Fewer say too little about the spread (common practice, no source); the policy's stated value counts until then.
LEAST_DEGREES_OF_FREEDOM = 10
# The newest checks that are pooled: enough for hundreds of degrees of freedom, and a bounded read in the largest fleet.
NEWEST_CHECKS = 2_000
LOOK_UP = 500


@dataclass(frozen=True, slots=True)
class RepeatabilityBook:
    """Standard deviations as fractions of the maximum, by suspension type; of the gross, and of single groups."""

    gross: Mapping[str, Repeatability] = field(default_factory=dict)
    group: Mapping[str, Repeatability] = field(default_factory=dict)

    def of_gross(self, suspension: str, maximum_kg: float, stated_percent: Decimal) -> Repeatability:
        return _scale(self.gross.get(suspension), maximum_kg, stated_percent)

    def of_group(self, suspension: str, maximum_kg: float, stated_percent: Decimal) -> Repeatability:
        return _scale(self.group.get(suspension), maximum_kg, stated_percent)


def repeatability_by_suspension() -> RepeatabilityBook:
    """Pooled over the repeated readings of the newest standing checks, where they give at least ten degrees of freedom."""
    checks = (
        Check.objects.standing()
        .exclude(purpose=Purpose.TRADE)
        .order_by("-happened_at")
        .values_list("vehicle_id", "display")[:NEWEST_CHECKS]
    )
    repeated = [
        (str(vehicle), each["subject"], [float(value) for value in each["values_kg"]])
        for vehicle, display in checks
        for each in display
        if each["vehicle"] == str(vehicle) and len(each["values_kg"]) > 1
    ]
    maxima = _maxima_of({vehicle for vehicle, _, _ in repeated})
    gross: dict[str, list[list[float]]] = defaultdict(list)
    group: dict[str, list[list[float]]] = defaultdict(list)
    for vehicle, subject, values_kg in repeated:
        found = maxima.get((vehicle, subject))
        if found:
            suspension, maximum_kg = found
            (group if subject else gross)[suspension].append([value / maximum_kg for value in values_kg])
    return RepeatabilityBook(dict(_pool(gross)), dict(_pool(group)))


def _pool(readings: Mapping[str, list[list[float]]]) -> Iterator[tuple[str, Repeatability]]:
    for suspension, loads in readings.items():
        share, degrees = pooled_repeatability(loads)
        if degrees >= LEAST_DEGREES_OF_FREEDOM:
            yield suspension, Repeatability(share, degrees)


def _maxima_of(vehicles: set[str]) -> dict[tuple[str, int], tuple[str, float]]:
    """Suspension type and maximum in kg by (vehicle, subject)."""
    found: dict[tuple[str, int], tuple[str, float]] = {}
    ids = sorted(map(UUID, vehicles))
    for start in range(0, len(ids), LOOK_UP):
        kinds: dict[str, set[str]] = defaultdict(set)
        some = ids[start : start + LOOK_UP]
        for group in AxleGroup.objects.filter(vehicle__in=some):
            kinds[str(group.vehicle_id)].add(group.suspension)
            found[str(group.vehicle_id), group.position] = group.suspension, float(group.max_kg)
        for pk, max_gross_kg in Vehicle.objects.filter(pk__in=some).values_list("pk", "max_gross_kg"):
            of_vehicle = kinds[str(pk)]
            suspension = next(iter(of_vehicle)) if len(of_vehicle) == 1 else str(Suspension.MIXED)
            found[str(pk), 0] = suspension, float(max_gross_kg)
    return found


def _scale(pooled: Repeatability | None, maximum_kg: float, stated_percent: Decimal) -> Repeatability:
    if pooled is None:
        return Repeatability(float(stated_percent) / 100.0 * maximum_kg)
    return Repeatability(pooled.s_kg * maximum_kg, pooled.degrees_of_freedom)
