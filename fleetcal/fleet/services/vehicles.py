"""Registering vehicles with their groups and axles, one or many at a time, and changing them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.fleet.layouts import Layout, check_layout
from fleetcal.fleet.models import Axle, AxleGroup, Depot, Vehicle
from fleetcal.fleet.services.rows import checked_alone, write
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft

# Below any database's limit on the parameters of one query.
LOOK_UP = 500


@dataclass(frozen=True, slots=True)
class NewVehicle:
    """A vehicle as it shall stand, its axles from the front. The maxima are the rating plate's."""

    fleet_number: str
    registration: str
    kind: str
    depot_id: UUID
    max_gross_kg: Decimal
    in_service_on: date
    layout: Layout
    vin: str = ""
    registered_on: date | None = None
    retired_on: date | None = None


def register_vehicle(draft: NewVehicle, *, actor: User) -> Vehicle:
    return register_vehicles([draft], actor=actor)[0]


def register_vehicles(
    drafts: Sequence[NewVehicle], *, actor: User, progress: Callable[[int], None] | None = None
) -> list[Vehicle]:
    """Every vehicle of *drafts*, or none of them. *progress* is called with the number written so far."""
    open_depots = set(Depot.objects.filter(is_closed=False).values_list("pk", flat=True))
    vehicles = [_filled(Vehicle(), draft, open_depots) for draft in drafts]
    _refuse_doubles(vehicles)
    write(
        [
            Draft(
                stream=vehicle.stream,
                kind="vehicle.registered",
                actor=actor.username,
                rows=[vehicle, *_layout_rows(vehicle, draft.layout, [], [])],
            )
            for vehicle, draft in zip(vehicles, drafts, strict=True)
        ],
        progress,
    )
    return vehicles


def change_vehicle(vehicle: Vehicle, draft: NewVehicle, *, actor: User, reason: str = "") -> Vehicle:
    """The vehicle as *draft* says. Axles and groups may be added or changed, never taken away: records point to them."""
    stored = Vehicle.objects.get(pk=vehicle.pk)
    groups = list(AxleGroup.objects.filter(vehicle=stored).order_by("position"))
    axles = list(Axle.objects.filter(vehicle=stored).order_by("number"))
    _refuse_loss("axles", len(axles), draft.layout.axle_count, field="axle_max_kg")
    _refuse_loss("axle groups", len(groups), len(draft.layout.groups), field="groups")
    open_depots = set(Depot.objects.filter(is_closed=False).values_list("pk", flat=True))
    changed = _filled(stored, draft, open_depots | {vehicle.depot_id})
    _refuse_doubles([changed])
    rows = _layout_rows(changed, draft.layout, groups, axles)
    _write_change(changed, rows, actor, reason)
    return changed


def _write_change(vehicle: Vehicle, rows: Sequence[Any], actor: User, reason: str) -> None:
    write(
        [
            Draft(
                stream=vehicle.stream,
                kind="vehicle.changed",
                actor=actor.username,
                rows=[vehicle, *rows],
                reason=reason,
            )
        ]
    )


def _filled(vehicle: Vehicle, draft: NewVehicle, depots: set[UUID]) -> Vehicle:
    if draft.depot_id not in depots:
        raise Refused("There is no such depot, or it is closed: choose an open one.", field="depot")
    check_layout(draft.layout, draft.max_gross_kg)
    vehicle.fleet_number = draft.fleet_number.strip()
    vehicle.registration = draft.registration
    vehicle.vin = draft.vin
    vehicle.kind = draft.kind
    vehicle.depot_id = draft.depot_id
    vehicle.max_gross_kg = draft.max_gross_kg
    vehicle.registered_on = draft.registered_on
    vehicle.in_service_on = draft.in_service_on
    vehicle.retired_on = draft.retired_on
    checked_alone(vehicle, without=["depot"])
    if not vehicle.plate_key:
        raise Refused(
            f"Registration “{vehicle.registration}” has neither letters nor digits.", field="registration"
        )
    if vehicle.retired_on and vehicle.retired_on < vehicle.in_service_on:
        raise Refused(
            f"In service on {vehicle.in_service_on}, but retired on {vehicle.retired_on}, before that.",
            field="retired_on",
        )
    return vehicle


def _layout_rows(
    vehicle: Vehicle, layout: Layout, groups: list[AxleGroup], axles: list[Axle]
) -> list[AxleGroup | Axle]:
    """Groups, then axles, as *layout* says, on the rows that are there already."""
    for position, suspension in enumerate(layout.suspension, start=1):
        if position > len(groups):
            groups.append(AxleGroup(vehicle=vehicle, position=position))
        group = groups[position - 1]
        group.suspension = suspension
        group.max_kg = layout.max_of_group_kg(position)
        checked_alone(group, without=["vehicle"])
    for number, max_kg in enumerate(layout.axle_max_kg, start=1):
        if number > len(axles):
            axles.append(Axle(vehicle=vehicle, number=number))
        axle = axles[number - 1]
        axle.group = groups[layout.group_of(number) - 1]
        axle.max_kg = max_kg
        axle.spacing_mm = None if number == 1 else layout.spacing_mm[number - 2]
        axle.is_lift = number in layout.lift_axles
        axle.is_steered = number in layout.steered_axles
        axle.is_driven = number in layout.driven_axles
        axle.has_twin_tyres = number in layout.twin_tyred_axles
        checked_alone(axle, without=["vehicle", "group"])
    return [*groups, *axles]


def _refuse_loss(what: str, stored: int, wanted: int, *, field: str) -> None:
    if wanted < stored:
        raise Refused(
            f"{stored} {what} are on record and {wanted} are given. Records point to each of them: retire this vehicle and "
            "register it anew with its new layout.",
            field=field,
        )


def _refuse_doubles(vehicles: Sequence[Vehicle]) -> None:
    """Plate, fleet number and VIN distinguish a vehicle from every other, in the list and on record."""
    for field, label in (
        ("plate_key", "Registration"),
        ("fleet_number", "Fleet number"),
        ("vin", "VIN"),
    ):
        taken: dict[str, Vehicle] = {}
        for vehicle in vehicles:
            value = getattr(vehicle, field)
            if value and value in taken:
                raise _doubled(field, label, vehicle, taken[value], "earlier in the same list")
            taken[value] = vehicle
        values = [value for value in taken if value]
        for start in range(0, len(values), LOOK_UP):
            for other in Vehicle.objects.filter(**{f"{field}__in": values[start : start + LOOK_UP]}):
                vehicle = taken[getattr(other, field)]
                if other.pk != vehicle.pk:
                    raise _doubled(field, label, vehicle, other, "already on record")


def _doubled(field: str, label: str, vehicle: Vehicle, other: Vehicle, where: str) -> Refused:
    given = vehicle.registration if field == "plate_key" else getattr(vehicle, field)
    return Refused(
        f"{label} {given} is {where}, for vehicle {other.registration} with fleet number {other.fleet_number}.",
        field="registration" if field == "plate_key" else field,
    )
