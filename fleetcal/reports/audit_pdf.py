"""A vehicle's audit report as a PDF. The same trail, unit and day of issue give the same bytes."""

import hashlib
from datetime import date

from reportlab.platypus import Flowable, PageBreak

from fleetcal.fleet.days import day_text
from fleetcal.reports.audit_trail import AuditTrail
from fleetcal.reports.composer import Composer
from fleetcal.reports.layout import End, Running, build
from fleetcal.reports.sections.calibrations import write_calibrations
from fleetcal.reports.sections.checks import write_checks
from fleetcal.reports.sections.front import NO_LEGALITY, write_front
from fleetcal.reports.sections.history import write_history
from fleetcal.reports.sections.inspections import write_inspections
from fleetcal.reports.sections.ledger import write_ledger
from fleetcal.reports.sections.policies import write_policies
from fleetcal.reports.sections.reading import write_reading
from fleetcal.reports.sections.references import write_references
from fleetcal.reports.sections.repairs import write_repairs
from fleetcal.reports.sections.standing import write_standing
from fleetcal.reports.sections.system import write_system
from fleetcal.reports.sections.vehicle import write_vehicle

SECTIONS = (
    write_standing,
    write_vehicle,
    write_system,
    write_policies,
    write_history,
    write_calibrations,
    write_checks,
    write_repairs,
    write_inspections,
    write_references,
    write_ledger,
    write_reading,
)


def render_audit(trail: AuditTrail, unit: str = "kg", issued_on: date | None = None) -> bytes:
    """The PDF of *trail*, masses in *unit* (kg or lb). *issued_on* is the day of the newest entry where it is not given."""
    issued_on = issued_on or trail.day_of(trail.newest.at)
    compose = Composer(unit, trail.zone)
    body = [flowable for write in SECTIONS for flowable in write(trail, compose)]
    number = report_number(trail, unit, issued_on)
    # The first page comes last: it lists the sections.
    front = write_front(trail, compose, number, issued_on, compose.sections)
    story: list[Flowable] = [*front, PageBreak(), *body, End(f"End of report {number}", compose.places)]
    return build(story, _running(trail, number))


def report_number(trail: AuditTrail, unit: str, issued_on: date) -> str:
    """What tells this report from every other: vehicle, last entry, and a digest of all that it depends on."""
    parts = (
        trail.newest.digest,
        trail.since.isoformat(),
        trail.until.isoformat(),
        trail.known_at.isoformat() if trail.known_at else "",
        issued_on.isoformat(),
        unit,
    )
    digest = hashlib.sha256("\n".join(parts).encode()).hexdigest()
    return f"{trail.vehicle.plate_key}-{trail.newest.seq}-{digest[:12]}"


def _running(trail: AuditTrail, number: str) -> Running:
    vehicle = trail.vehicle
    period = f"{day_text(trail.since)} to {day_text(trail.until)}"
    return Running(
        title=f"Audit report {number}",
        subject=f"On-board weighing of {vehicle.registration}, {period}",
        author=vehicle.depot.name,
        head_left=vehicle.registration,
        head_right=f"VIN {vehicle.vin or 'not on record'} · {period}",
        foot=(
            f"Report {number}. Records up to entry {trail.newest.seq}, digest",
            trail.newest.digest,
            NO_LEGALITY,
        ),
    )
