"""Reading the register in the shapes that the layers above need."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import Q

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Axle, AxleGroup, Depot, PolicyVersion, Vehicle
from fleetcal.fleet.models.vehicles import Suspension, VehicleQuerySet

VEHICLE_COLUMNS = (
    "id", "registration", "fleet_number", "kind", "depot_id", "max_gross_kg", "registered_on", "in_service_on", "retired_on",
)  # fmt: skip
GROUP_COLUMNS = ("id", "vehicle_id", "position", "suspension", "max_kg")
AXLE_COLUMNS = (
    "vehicle_id", "group_id", "number", "max_kg", "spacing_mm", "is_steered", "is_driven", "is_lift", "has_twin_tyres",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class AxleShape:
    number: int
    group: int
    max_kg: float
    spacing_mm: int | None
    is_steered: bool
    is_driven: bool
    is_lift: bool
    has_twin_tyres: bool


@dataclass(frozen=True, slots=True)
class GroupShape:
    id: UUID
    position: int
    suspension: str
    max_kg: float
    axles: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class VehicleShape:
    """A vehicle with its groups and axles from the front; masses in kg."""

    id: UUID
    registration: str
    fleet_number: str
    kind: str
    depot_id: UUID
    max_gross_kg: float
    registered_on: date | None
    in_service_on: date
    retired_on: date | None
    groups: tuple[GroupShape, ...]
    axles: tuple[AxleShape, ...]

    @property
    def suspension(self) -> str:
        """The one suspension type of all groups, or mixed."""
        kinds = {group.suspension for group in self.groups}
        return kinds.pop() if len(kinds) == 1 else str(Suspension.MIXED)

    def group(self, position: int) -> GroupShape:
        return next(group for group in self.groups if group.position == position)

    def group_of_axle(self, number: int) -> GroupShape:
        return next(group for group in self.groups if number in group.axles)


def vehicle_names(streams: Iterable[str]) -> dict[str, str]:
    """The registration of each of *streams* that is a vehicle's, for the ledger's reports."""
    ids = [stream for stream in streams if _is_uuid(stream)]
    found: dict[str, str] = {}
    for start in range(0, len(ids), 500):
        rows = Vehicle.objects.filter(pk__in=ids[start : start + 500]).values_list("pk", "registration")
        found.update({str(pk): registration for pk, registration in rows})
    return found


def vehicles_for(user: User) -> VehicleQuerySet:
    """The vehicles of the depots that *user* has access to."""
    if user.all_depots or user.is_superuser:
        return Vehicle.objects.all()
    return Vehicle.objects.filter(depot__access__user=user, depot__access__is_granted=True)


def depots_for(user: User) -> "list[Depot]":
    if user.all_depots or user.is_superuser:
        return list(Depot.objects.all())
    return list(Depot.objects.filter(access__user=user, access__is_granted=True))


def shapes_of(vehicles: VehicleQuerySet) -> dict[UUID, VehicleShape]:
    """Every vehicle of the queryset with its groups and axles, in three queries."""
    # Named tuples and not instances: a large fleet has tens of thousands of axles, and instances cost three times as much.
    inner = vehicles.order_by().values("pk")
    axles: dict[UUID, list[Any]] = defaultdict(list)
    for axle in (
        Axle.objects.filter(vehicle__in=inner).order_by("number").values_list(*AXLE_COLUMNS, named=True)
    ):
        axles[axle.vehicle_id].append(axle)
    groups: dict[UUID, list[Any]] = defaultdict(list)
    for group in (
        AxleGroup.objects.filter(vehicle__in=inner)
        .order_by("position")
        .values_list(*GROUP_COLUMNS, named=True)
    ):
        groups[group.vehicle_id].append(group)
    rows = vehicles.values_list(*VEHICLE_COLUMNS, named=True)
    return {vehicle.id: _shape(vehicle, groups[vehicle.id], axles[vehicle.id]) for vehicle in rows}


def shape_of(vehicle: Vehicle) -> VehicleShape:
    return shapes_of(Vehicle.objects.filter(pk=vehicle.pk))[vehicle.pk]


def _shape(vehicle: Any, groups: list[Any], axles: list[Any]) -> VehicleShape:
    positions = {group.id: group.position for group in groups}
    return VehicleShape(
        id=vehicle.id,
        registration=vehicle.registration,
        fleet_number=vehicle.fleet_number,
        kind=vehicle.kind,
        depot_id=vehicle.depot_id,
        max_gross_kg=float(vehicle.max_gross_kg),
        registered_on=vehicle.registered_on,
        in_service_on=vehicle.in_service_on,
        retired_on=vehicle.retired_on,
        groups=tuple(
            GroupShape(
                group.id,
                group.position,
                group.suspension,
                float(group.max_kg),
                tuple(axle.number for axle in axles if axle.group_id == group.id),
            )
            for group in groups
        ),
        axles=tuple(
            AxleShape(
                axle.number,
                positions[axle.group_id],
                float(axle.max_kg),
                axle.spacing_mm,
                axle.is_steered,
                axle.is_driven,
                axle.is_lift,
                axle.has_twin_tyres,
            )
            for axle in axles
        ),
    )


class PolicyBook:
    """Every policy version, read once, answering which one holds for a vehicle on a day, as known at a moment."""

    def __init__(self, versions: Iterable[PolicyVersion] | None = None) -> None:
        if versions is None:
            versions = (
                PolicyVersion.objects.select_related("policy")
                .prefetch_related("repair_rules")
                .order_by("number")
            )
        self._by_scope: Mapping[tuple[str, str], list[PolicyVersion]] = defaultdict(list)
        for version in versions:
            self._by_scope[version.policy.unit_kind, version.policy.suspension].append(version)

    def version_for(self, shape: VehicleShape, day: date, known_at: object = None) -> PolicyVersion | None:
        """The version in force for *shape* on *day*: of the most particular policy that fits, kind of unit before suspension."""
        for scope in ((shape.kind, shape.suspension), (shape.kind, ""), ("", shape.suspension), ("", "")):
            for version in reversed(self._by_scope.get(scope, [])):
                if version.effective_from <= day and (known_at is None or version.recorded_at <= known_at):  # type: ignore[operator]
                    return version
        return None

    def changes_for(self, shape: VehicleShape) -> list[date]:
        """The days on which another version comes into force for *shape*."""
        scopes = {(shape.kind, shape.suspension), (shape.kind, ""), ("", shape.suspension), ("", "")}
        return sorted({v.effective_from for scope in scopes for v in self._by_scope.get(scope, [])})


def search(vehicles: VehicleQuerySet, text: str) -> VehicleQuerySet:
    from_key = "".join(c for c in text.upper() if c.isalnum())
    return vehicles.filter(
        Q(plate_key__contains=from_key)
        | Q(fleet_number__icontains=text.strip())
        | Q(vin__icontains=text.strip())
    )


def _is_uuid(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True
