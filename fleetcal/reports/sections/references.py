"""The instruments that the display was compared with, their certificates, and whether these were valid on the days of use."""

from decimal import Decimal

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models import Instrument
from fleetcal.reports import styles
from fleetcal.reports.audit_trail import AuditTrail, CertificateUsed, ReferenceUse, ReferenceUsed
from fleetcal.reports.composer import Column, Composer
from fleetcal.reports.figures import number_text
from fleetcal.reports.sections.records import recorded_text


def write_references(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    story = compose.heading("Reference instruments")
    if not trail.references:
        story.append(compose.text("No record of this period rests on a reference instrument."))
    for used in trail.references:
        story += _instrument(used, compose)
    return story


def _instrument(used: ReferenceUsed, compose: Composer) -> list[Flowable]:
    columns = [
        Column("From", 12),
        Column("To", 12),
        Column("Records", 9, "number"),
        Column("As a reference", 67),
    ]
    rows = [[day_text(use.first), day_text(use.last), str(use.records), _validity(use)] for use in used.uses]
    story = [
        *compose.subheading(used.instrument.name),
        compose.facts(_facts(used.instrument, compose)),
        *compose.table(columns, rows, "Days of use in this period, from the first to the last"),
    ]
    if used.certificates:
        certificates = [(each.certificate.number, _certificate(each, compose)) for each in used.certificates]
        story += [
            compose.text("Certificates that touch the period", styles.CAPTION),
            compose.facts(certificates),
        ]
    for finding in used.findings:
        row = finding.finding
        story.append(
            compose.notice(
                f"Found on {day_text(row.found_on)} to have been wrong from {day_text(row.wrong_from)} to "
                f"{day_text(row.wrong_until)}: {row.what}"
            )
        )
        story.append(compose.small(recorded_text(finding.recording, compose)))
    return story


def _facts(instrument: Instrument, compose: Composer) -> list[tuple[str, str]]:
    unit = compose.unit
    return [
        ("Kind and class", f"{instrument.get_kind_display()}, class {instrument.get_scale_class_display()}"),
        (
            "e, d and capacity",
            f"e {compose.mass(instrument.e_kg)} {unit}, d {compose.mass(instrument.d_kg)} {unit}, "
            f"capacity {compose.mass(instrument.capacity_kg)} {unit}",
        ),
        (
            "Owner and serial number",
            ", ".join(part for part in (instrument.owner, instrument.serial) if part),
        ),
        (
            "Site",
            f"approach in the plane of the platform: {'yes' if instrument.has_level_approach else 'no'}; "
            f"slope {number_text(instrument.slope_percent)} %",
        ),
        ("No longer used since", day_text(instrument.retired_on)),
    ]


def _validity(use: ReferenceUse) -> str:
    if use.validity.valid and use.validity.certificate:
        certificate = use.validity.certificate
        return f"valid, certificate {certificate.number} until {day_text(certificate.valid_until)}"
    return f"not valid: {use.validity.why_not}"


def _certificate(used: CertificateUsed, compose: Composer) -> str:
    certificate, unit = used.certificate, compose.unit
    points = "; ".join(
        f"{compose.mass(U)} {unit} at {compose.mass(load)} {unit}" for load, U in certificate.points
    )
    k = number_text(Decimal(certificate.k))
    files = [f"File {file.name}, {file.size} bytes, SHA-256 {file.sha256}" for file in used.attachments]
    lines = [
        f"{certificate.issuer}; verified on {day_text(certificate.verified_on)}, valid until "
        f"{day_text(certificate.valid_until)}; "
        + (f"U (k = {k}): {points}" if points else "the class speaks for the instrument"),
        recorded_text(used.recording, compose),
        *files,
    ]
    return "\n".join(lines)
