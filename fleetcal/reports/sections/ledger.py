"""Who recorded what and when: every entry of the vehicle's stream with its digest."""

from decimal import Decimal

from reportlab.platypus import Flowable

from fleetcal.reports.audit_trail import AuditTrail
from fleetcal.reports.composer import Column, Composer
from fleetcal.reports.entry_words import entry_text
from fleetcal.reports.figures import number_text


def write_ledger(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    newest = trail.newest
    columns = [
        Column("Entry", 7, "number"),
        Column("Recorded", 17),
        Column("By", 14),
        Column("What, and its digest (SHA-256)", 62),
    ]
    rows = [
        [
            str(entry.seq),
            compose.moment(entry.at),
            entry.actor,
            "\n".join(
                part for part in (entry_text(entry.kind, entry.data), entry.reason, entry.digest) if part
            ),
        ]
        for entry in trail.entries
    ]
    return [
        *compose.heading("Entries in the ledger"),
        compose.text(
            f"All entries of this vehicle, whatever their day, from entry 0 to entry {newest.seq}. Policies, instruments and "
            "certificates have entries of their own in the fleet’s stream; their digests stand beside them in this report."
        ),
        *compose.table(columns, rows),
        *_files(trail, compose),
    ]


def _files(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    """The imported files that records of the period were taken from."""
    taken = (record.row.file for records in (trail.checks, trail.repairs) for record in records)
    files = sorted(
        {file for file in taken if file is not None}, key=lambda file: (file.recorded_at, file.name)
    )
    columns = [
        Column("File", 30),
        Column("Bytes", 10, "number"),
        Column("Imported", 17),
        Column("SHA-256", 47, "digest"),
    ]
    rows = [
        [file.name, number_text(Decimal(file.size)), compose.moment(file.recorded_at), file.sha256]
        for file in files
    ]
    return (
        compose.table(columns, rows, "Imported files that records of this period were taken from")
        if rows
        else []
    )
