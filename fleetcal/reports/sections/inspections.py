"""Reports of approved workshops by Regulation (EU) 2019/1213, for information; left out where there is none."""

from decimal import Decimal

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.records.inspection_findings import judge_inspection
from fleetcal.records.models import Inspection
from fleetcal.reports.audit_trail import AuditRecord, AuditTrail
from fleetcal.reports.composer import Column, Composer
from fleetcal.reports.figures import number_text
from fleetcal.reports.sections.records import foot_of, title_of

HUNDREDTH = Decimal("0.01")


def write_inspections(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    if not trail.inspections:
        return []
    story = [
        *compose.heading("Inspection reports"),
        compose.text(
            "Inspections by Regulation (EU) 2019/1213 are made by approved workshops, who decide; no standing rests on them."
        ),
    ]
    for record in trail.inspections:
        row = record.row
        outcome = "passed" if row.passed else "not passed"
        story += compose.subheading(
            title_of(record, trail, f"inspection with {row.get_test_display()}, {outcome}")
        )
        story.append(compose.facts(_facts(row, compose)))
        story += _loads(record, compose)
        story += foot_of(record, compose)
    return story


def _facts(row: Inspection, compose: Composer) -> list[tuple[str, str]]:
    device = ", ".join((row.device_mark, row.device_type, f"no. {row.device_number}"))
    return [
        ("VIN or chassis number", row.vin),
        ("Place", row.place),
        ("Manipulation, or traces of it", "found" if row.manipulation_found else "not found"),
        ("Deficiencies", row.deficiencies),
        ("Remedies", row.remedies),
        ("Next inspection by", day_text(row.next_due_on)),
        ("Workshop", f"{row.workshop_name}, {row.workshop_address}, approval {row.workshop_number}"),
        ("Inspector", row.inspector),
        (
            "Reference device",
            f"{device}; type-examination certificate {row.device_examination}; last verified on "
            f"{day_text(row.device_verified_on)}",
        ),
        ("Maximum laden mass", f"{compose.mass(row.maximum_kg)} {compose.unit}; {row.get_stage_display()}"),
    ]


def _loads(record: AuditRecord[Inspection], compose: Composer) -> list[Flowable]:
    found = judge_inspection(record.row)
    if not found.points:
        return []
    columns = [
        Column(f"Reference, {compose.unit}", 20, "number"),
        Column(f"Indicated, {compose.unit}", 20, "number"),
        Column("Load, % of the maximum", 20, "number"),
        Column("Error, %", 20, "number"),
        Column("Limit ±, %", 20, "number"),
    ]
    rows = [
        [
            compose.mass(point.reference_kg),
            compose.mass(point.indicated_kg),
            f"{point.verdict.load_percent:.1f}",
            number_text(Decimal(point.verdict.error_percent).quantize(HUNDREDTH)),
            "" if point.verdict.limit_percent is None else f"{point.verdict.limit_percent:g}",
        ]
        for point in found.points
    ]
    return [*compose.table(columns, rows), *(compose.text(sentence) for sentence in found.sentences)]
