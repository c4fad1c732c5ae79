"""What the vehicle is: identity, rating plate, axles, and what changed in the register."""

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models.vehicles import Suspension, UnitKind
from fleetcal.fleet.published_limits import limits_below_plate
from fleetcal.fleet.selectors import AxleShape
from fleetcal.metrology.legal_limits import LOCAL_RULES_DECIDE, LimitFinding
from fleetcal.reports.audit_trail import AuditTrail
from fleetcal.reports.composer import Column, Composer


def write_vehicle(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    vehicle, depot = trail.vehicle, trail.vehicle.depot
    facts = [
        ("Registration", vehicle.registration),
        ("Fleet number", vehicle.fleet_number),
        ("VIN", vehicle.vin or "not on record"),
        ("Kind", str(UnitKind(vehicle.kind).label)),
        ("Home depot", "\n".join(part for part in (f"{depot.name} ({depot.code})", depot.address) if part)),
        ("Maximum gross weight (rating plate)", f"{compose.mass(vehicle.max_gross_kg)} {compose.unit}"),
        ("Registered on", day_text(vehicle.registered_on)),
        ("In service since", day_text(vehicle.in_service_on)),
        ("Out of service since", day_text(vehicle.retired_on)),
        ("Stream in the ledger", vehicle.stream),
    ]
    return [
        *compose.heading("Vehicle"),
        compose.facts(facts),
        *_axles(trail, compose),
        *_published_limits(trail, compose),
        *_register(trail, compose),
    ]


def _axles(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    columns = [
        Column("Axle", 6, "number"),
        Column("Group", 8, "number"),
        Column("Suspension", 15),
        Column(f"Maximum of the axle, {compose.unit}", 19, "number"),
        Column(f"Maximum of the group, {compose.unit}", 19, "number"),
        Column("Behind the axle in front, mm", 17, "number"),
        Column("Remarks", 25),
    ]
    rows = []
    for axle in trail.shape.axles:
        group = trail.shape.group(axle.group)
        is_first = axle.number == group.axles[0]
        rows.append(
            [
                str(axle.number),
                str(axle.group),
                str(Suspension(group.suspension).label),
                compose.mass(axle.max_kg),
                compose.mass(group.max_kg) if is_first else "",
                "" if axle.spacing_mm is None else str(axle.spacing_mm),
                _remarks(axle),
            ]
        )
    return compose.table(columns, rows, "Axles from the front, with the maxima of the rating plate")


def _remarks(axle: AxleShape) -> str:
    words = {
        "steered": axle.is_steered,
        "driven": axle.is_driven,
        "lift axle": axle.is_lift,
        "twin tyres": axle.has_twin_tyres,
    }
    return ", ".join(word for word, applies in words.items() if applies)


def _published_limits(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    below = limits_below_plate(trail.shape)
    if not below:
        return []
    columns = [
        Column("Axles", 9),
        Column("Published in", 52),
        Column(f"Published, {compose.unit}", 17, "number"),
        Column(f"Rating plate, {compose.unit}", 17, "number"),
    ]
    rows = [
        [
            limit.axles,
            _rule(limit.finding),
            compose.mass(limit.finding.limit_kg),
            compose.mass(limit.plate_kg),
        ]
        for limit in below
    ]
    table = compose.table(columns, rows, "Published limits below the rating plate")
    return [*table, compose.small(LOCAL_RULES_DECIDE)]


def _rule(finding: LimitFinding) -> str:
    return f"{finding.rule_name}; {finding.note}" if finding.note else finding.rule_name


def _register(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    columns = [
        Column("Entry", 8, "number"),
        Column("When", 18),
        Column("By", 15),
        Column("What", 45),
        Column("Reason", 22),
    ]
    rows = [
        [
            str(change.entry.seq),
            compose.moment(change.entry.at),
            change.entry.actor,
            "\n".join(change.changes),
            change.entry.reason,
        ]
        for change in trail.register
    ]
    return compose.table(columns, rows, "What was entered and changed in the register of this vehicle")
