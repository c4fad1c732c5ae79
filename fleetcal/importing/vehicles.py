"""vehicles.csv: one vehicle a line, with its axles from the front."""

from collections.abc import Callable, Sequence
from datetime import datetime
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.fleet.layouts import Layout
from fleetcal.fleet.models import Depot, Vehicle
from fleetcal.fleet.models.vehicles import Suspension, UnitKind, plate_key
from fleetcal.fleet.selectors import VehicleShape, depots_for, shapes_of
from fleetcal.fleet.services.vehicles import NewVehicle, register_vehicles
from fleetcal.importing.findings import Candidate, Findings, RowProblem
from fleetcal.importing.headings import Body
from fleetcal.importing.plates import UTC
from fleetcal.importing.problems import Problem
from fleetcal.importing.rows import OwnRow
from fleetcal.records.models import ImportedFile

HEADINGS = (
    "fleet_number", "registration", "vin", "kind", "depot", "max_gross_kg", "registered_on", "in_service_on", "axle_max_kg", "groups",
    "suspension", "spacing_mm", "lift_axles", "steered_axles", "driven_axles", "twin_tyred_axles",
)  # fmt: skip


def read(body: Body, *, actor: User, now: datetime) -> Findings:
    """A draft for every plate that is not on record. One that stands as the line says is known; one that differs is a problem."""
    depots = {depot.code: depot for depot in depots_for(actor)}
    standing = {plate_key(shape.registration): shape for shape in shapes_of(Vehicle.objects.all()).values()}
    vins = dict(Vehicle.objects.values_list("pk", "vin"))
    seen: dict[str, int] = {}
    found: list[Candidate[NewVehicle]] = []
    known: list[int] = []
    problems: list[Problem] = list(body.problems)
    for line, cells in body.records:
        try:
            draft = read_vehicle(OwnRow(line, cells, UTC), depots)
            key = plate_key(draft.registration)
            if seen.setdefault(key, line) != line:
                raise RowProblem(
                    f"This plate stands in line {seen[key]} already.", "registration", draft.registration
                )
            if key not in standing:
                found.append(Candidate((line,), draft))
            elif different := _differences(draft, standing[key], vins[standing[key].id]):
                raise RowProblem(
                    f"On record already, but different in {', '.join(different)}: change it on the vehicle's page.",
                    "registration",
                    draft.registration,
                )
            else:
                known.append(line)
        except RowProblem as problem:
            problems.append(problem.at(line))
    return Findings(tuple(found), tuple(problems), tuple(known), body.skipped)


def read_vehicle(row: OwnRow, depots: dict[str, Depot]) -> NewVehicle:
    code = row.text("depot", required=True).upper()
    if code not in depots:
        raise RowProblem(
            f"Not a depot of yours: use one of {', '.join(sorted(depots)) or 'none yet'}.", "depot", code
        )
    suspension = row.parts("suspension")
    for word in suspension:
        if word not in Suspension.values:
            raise RowProblem(f"Not one of: {', '.join(Suspension.values)}.", "suspension", word)
    return NewVehicle(
        fleet_number=row.text("fleet_number", required=True),
        registration=row.text("registration", required=True),
        vin=row.text("vin"),
        kind=row.word("kind", tuple(UnitKind.values)),
        depot_id=depots[code].pk,
        max_gross_kg=row.needed_number("max_gross_kg"),
        registered_on=row.day("registered_on"),
        in_service_on=row.needed_day("in_service_on"),
        layout=Layout(
            axle_max_kg=row.numbers("axle_max_kg"),
            spacing_mm=row.counts("spacing_mm"),
            groups=_groups(row),
            suspension=tuple(suspension),
            lift_axles=row.counts("lift_axles"),
            steered_axles=row.counts("steered_axles"),
            driven_axles=row.counts("driven_axles"),
            twin_tyred_axles=row.counts("twin_tyred_axles"),
        ),
    )


def record(
    drafts: Sequence[Candidate[NewVehicle]],
    *,
    actor: User,
    file: ImportedFile | None,
    progress: Callable[[int], None] | None = None,
) -> set[UUID]:
    """The vehicles written. The register has no column for the file; its own entry names it."""
    return {
        vehicle.pk
        for vehicle in register_vehicles([each.draft for each in drafts], actor=actor, progress=progress)
    }


def describe(draft: NewVehicle) -> str:
    groups = ";".join("+".join(map(str, group)) for group in draft.layout.groups)
    return f"{draft.registration}: {draft.kind}, {draft.max_gross_kg:.0f} kg, axle groups {groups}"


def _groups(row: OwnRow) -> tuple[tuple[int, ...], ...]:
    try:
        return tuple(tuple(int(axle) for axle in part.split("+")) for part in row.parts("groups"))
    except ValueError as error:
        raise RowProblem("Write axle groups like 1;2+3.", "groups", row.text("groups")) from error


def _differences(draft: NewVehicle, shape: VehicleShape, vin: str | None) -> list[str]:
    layout = draft.layout
    pairs = {
        "fleet_number": (draft.fleet_number, shape.fleet_number),
        "vin": (draft.vin.upper(), vin or ""),
        "kind": (draft.kind, shape.kind),
        "depot": (draft.depot_id, shape.depot_id),
        "max_gross_kg": (float(draft.max_gross_kg), shape.max_gross_kg),
        "registered_on": (draft.registered_on, shape.registered_on),
        "in_service_on": (draft.in_service_on, shape.in_service_on),
        "axle_max_kg": ([float(each) for each in layout.axle_max_kg], [axle.max_kg for axle in shape.axles]),
        "groups": (layout.groups, tuple(group.axles for group in shape.groups)),
        "suspension": (layout.suspension, tuple(group.suspension for group in shape.groups)),
        "spacing_mm": (layout.spacing_mm, tuple(axle.spacing_mm for axle in shape.axles[1:])),
        "lift_axles": (layout.lift_axles, tuple(axle.number for axle in shape.axles if axle.is_lift)),
        "steered_axles": (
            layout.steered_axles,
            tuple(axle.number for axle in shape.axles if axle.is_steered),
        ),
        "driven_axles": (layout.driven_axles, tuple(axle.number for axle in shape.axles if axle.is_driven)),
        "twin_tyred_axles": (
            layout.twin_tyred_axles,
            tuple(a.number for a in shape.axles if a.has_twin_tyres),
        ),
    }
    return [name for name, (wanted, stands) in pairs.items() if wanted != stands]
