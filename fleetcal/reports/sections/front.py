"""The first page: which vehicle, which period, up to which entry, and what the report holds."""

from datetime import date

from reportlab.platypus import Flowable

from fleetcal.evaluation.wording import MEANINGS
from fleetcal.fleet.days import day_text
from fleetcal.records.models.checks import Purpose
from fleetcal.reports import styles
from fleetcal.reports.audit_trail import AuditTrail
from fleetcal.reports.composer import Composer
from fleetcal.reports.figures import count_text
from fleetcal.reports.layout import ContentsLine
from fleetcal.reports.sections.standing import standing_line

NO_LEGALITY = (
    "This report says what is on record about the weighing, and never that a vehicle is legal to drive."
)


def write_front(
    trail: AuditTrail, compose: Composer, number: str, issued_on: date, sections: list[tuple[str, str]]
) -> list[Flowable]:
    vehicle, newest = trail.vehicle, trail.newest
    facts = [
        ("Report", number),
        (
            "Vehicle",
            f"{vehicle.registration}, fleet number {vehicle.fleet_number}, VIN {vehicle.vin or 'not on record'}",
        ),
        ("Period", f"{day_text(trail.since)} to {day_text(trail.until)}, both included"),
        ("Records", f"up to entry {newest.seq} of {compose.moment(newest.at)}"),
        ("Digest of that entry", newest.digest),
        ("As known at", compose.moment(trail.known_at)),
        ("Date of issue", day_text(issued_on)),
        ("Kept by", f"{vehicle.depot.name} ({vehicle.depot.code})"),
        ("Unit of mass, times", f"{compose.unit}; times are those of {trail.zone.key}"),
        ("On record in the period", _counts(trail)),
    ]
    story: list[Flowable] = [
        compose.text(f"Audit report: {vehicle.registration}", styles.TITLE),
        compose.text("On-board weighing: calibrations, checks, suspension work and standing", styles.LEAD),
        compose.facts(facts),
    ]
    if trail.now:
        story += [
            compose.gap(),
            compose.text(f"Standing on {day_text(trail.until)}", styles.CAPTION),
            standing_line(trail.now.word, compose),
            compose.text(MEANINGS[trail.now.word]),
        ]
    story += [compose.gap(), compose.text(NO_LEGALITY), compose.text("Contents", styles.CAPTION)]
    return [*story, *(ContentsLine(name, key) for name, key in sections)]


def _counts(trail: AuditTrail) -> str:
    tickets = sum(record.row.purpose == Purpose.TRADE for record in trail.checks)
    replaced = sum(
        record.later is not None
        for records in (
            trail.installations,
            trail.calibrations,
            trail.checks,
            trail.repairs,
            trail.inspections,
        )
        for record in records
    )
    return ", ".join(
        (
            count_text(len(trail.installations), "installation"),
            count_text(len(trail.calibrations), "calibration"),
            count_text(len(trail.checks) - tickets, "check"),
            count_text(tickets, "everyday ticket"),
            count_text(len(trail.repairs), "suspension job"),
            *([count_text(len(trail.inspections), "inspection report")] if trail.inspections else []),
            f"{replaced} of them corrected or withdrawn since"
            if replaced
            else "none of them corrected or withdrawn",
        )
    )
