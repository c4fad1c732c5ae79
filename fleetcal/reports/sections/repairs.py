"""Suspension work, what it meant for the weighing, and when that was made good."""

from decimal import Decimal

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models.policies import Effect
from fleetcal.records.models import Repair
from fleetcal.records.repair_effects import RepairEffect
from fleetcal.reports.audit_trail import AuditRecord, AuditTrail
from fleetcal.reports.composer import Composer
from fleetcal.reports.figures import number_text
from fleetcal.reports.sections.records import file_text, foot_of, state_text, title_of


def write_repairs(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.heading("Suspension work")
    if not trail.repairs:
        story.append(compose.text("No suspension work is on record in this period."))
    for record in trail.repairs:
        row = record.row
        where = f", axle {row.axle}" if row.axle else ""
        story += compose.subheading(
            title_of(record, trail, f"{row.component} {row.get_work_display()}{where}")
        )
        story.append(compose.facts(_facts(record, trail, compose)))
        story += foot_of(record, compose)
    return story


def _facts(record: AuditRecord[Repair], trail: AuditTrail, compose: Composer) -> list[tuple[str, str]]:
    row = record.row
    return [
        ("What it means for the weighing", RepairEffect.of(row).meaning),
        ("Made good", _made_good(record, trail)),
        ("By the policy", str(row.policy_version)),
        ("When", compose.moment(row.happened_at)),
        ("Workshop", row.workshop),
        ("Parts", row.parts),
        ("Bonded again at", compose.moment(row.bonded_at)),
        ("Odometer", "" if row.odometer_km is None else f"{number_text(Decimal(row.odometer_km))} km"),
        ("Taken from", file_text(row)),
    ]


def _made_good(record: AuditRecord[Repair], trail: AuditTrail) -> str:
    effect = record.row.effect
    if state_text(record) or effect == Effect.NONE:
        return ""
    if record.made_good_on:
        return f"on {day_text(record.made_good_on)}"
    if record.row.pk in trail.asking_at_the_end():
        return f"not by {day_text(trail.until)}"
    if effect == Effect.CHECK:
        return "no check was outstanding because of it"
    return "the same day"
