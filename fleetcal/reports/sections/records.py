"""What every record says beside itself: who recorded it, what took its place, and which files belong to it."""

from datetime import date

from reportlab.platypus import Flowable

from fleetcal.fleet.days import day_text
from fleetcal.records.models import Check, Repair
from fleetcal.records.models.base import VehicleRecord
from fleetcal.reports.audit_trail import AuditRecord, AuditTrail, Recording
from fleetcal.reports.composer import Composer

SHOWN_OF_DIGEST = 16


def recorded_text(recording: Recording, compose: Composer) -> str:
    receipt = recording.receipt
    place = f"fleet entry {receipt.seq}" if receipt.stream == "fleet" else f"entry {receipt.seq}"
    return f"Recorded by {recording.by} on {compose.moment(recording.at)}: {place}, digest {receipt.digest}."


def state_text(record: AuditRecord[VehicleRecord]) -> str:
    """“corrected” or “withdrawn” for a record that no longer counts, empty for one that does."""
    if record.later is None:
        return ""
    return "withdrawn" if record.later.is_withdrawal else "corrected"


def entry_text(record: AuditRecord[VehicleRecord]) -> str:
    return str(record.recording.receipt.seq)


def amendment_texts(record: AuditRecord[VehicleRecord], compose: Composer) -> list[str]:
    """What was corrected or taken back, by whom and why."""
    told = []
    if record.earlier:
        seq = record.earlier.recording.receipt.seq
        told.append(f"Takes the place of entry {seq}. Reason: {record.earlier.reason}")
    if record.later:
        by, receipt = record.later.recording.by, record.later.recording.receipt
        verb = "Withdrawn" if record.later.is_withdrawal else "Corrected"
        moved = ""
        if record.later.happened_at != record.row.happened_at:
            moved = f" The record in its place is of {compose.moment(record.later.happened_at)}."
        told.append(
            f"{verb} by {by} on {compose.moment(record.later.recording.at)}, entry {receipt.seq}. "
            f"Reason: {record.later.reason}{moved}"
        )
    return told


def foot_of(record: AuditRecord[VehicleRecord], compose: Composer) -> list[Flowable]:
    """Amendments, note, files and the recording itself."""
    foot: list[Flowable] = [compose.notice(text) for text in amendment_texts(record, compose)]
    if record.row.note:
        foot.append(compose.text(f"Note: {record.row.note}"))
    foot += [
        compose.small(
            f"File {file.name}, {file.media_type}, {file.size} bytes, kept by {file.recorded_by.display_name} on "
            f"{compose.moment(file.recorded_at)}, SHA-256 {file.sha256}"
        )
        for file in record.attachments
    ]
    return [*foot, compose.small(recorded_text(record.recording, compose))]


def file_text(row: Check | Repair) -> str:
    """The line of an imported file that a record was taken from; the file's whole digest stands with the ledger."""
    return (
        f"line {row.line} of {row.file.name} (SHA-256 {row.file.sha256[:SHOWN_OF_DIGEST]}…)"
        if row.file
        else ""
    )


def day_of(record: AuditRecord[VehicleRecord], trail: AuditTrail) -> date:
    return trail.day_of(record.row.happened_at)


def title_of(record: AuditRecord[VehicleRecord], trail: AuditTrail, what: str) -> str:
    state = state_text(record)
    return f"{day_text(day_of(record, trail))}: {what}{f' ({state})' if state else ''}"
