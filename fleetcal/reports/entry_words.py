"""What an entry of the ledger records, in words, the same on a page and in a report."""

from collections.abc import Mapping
from typing import Any

KINDS: Mapping[str, str] = {
    "vehicle.registered": "vehicle registered",
    "vehicle.changed": "vehicle changed",
    "system.fitted": "weighing system fitted",
    "system.changed": "weighing system changed",
    "installation.recorded": "installation recorded",
    "check.recorded": "check recorded",
    "ticket.recorded": "everyday ticket recorded",
    "repair.recorded": "suspension work recorded",
    "calibration.accepted": "calibration accepted",
    "calibration.not_accepted": "calibration not accepted",
    "calibration.stop_signed": "stop of a calibration signed",
    "calibration.abandoned": "calibration abandoned",
    "inspection.recorded": "inspection report recorded",
    "record.corrected": "record corrected",
    "record.withdrawn": "record withdrawn",
    "attachment.added": "file added",
    "standing.changed": "standing changed",
    "depot.registered": "depot registered",
    "depot.changed": "depot changed",
    "instrument.registered": "instrument registered",
    "instrument.changed": "instrument changed",
    "certificate.recorded": "certificate recorded",
    "instrument.found_wrong": "instrument found wrong",
    "policy.created": "policy created",
    "policy.version_added": "policy version added",
    "source.registered": "source of tickets entered",
    "source.changed": "source of tickets changed",
    "file.imported": "file imported",
    "account.changed": "account changed",
}
# The columns of a row that name what it is about, as much as fits on a line.
TELLING: Mapping[str, tuple[str, ...]] = {
    "records.check": ("purpose", "ticket"),
    "records.repair": ("component", "work"),
    "records.attachment": ("name",),
    "records.importedfile": ("name",),
    "records.ticketsource": ("name",),
    "evaluation.standingchange": ("before", "after"),
    "fleet.vehicle": ("registration",),
    "fleet.weighingsystem": ("serial",),
    "fleet.depot": ("code", "name"),
    "fleet.instrument": ("name",),
    "fleet.certificate": ("number",),
    "fleet.policy": ("name",),
    "fleet.policyversion": ("number",),
}


def kind_text(kind: str) -> str:
    """*kind* in words; one that is not known here with its points and underscores as spaces."""
    return KINDS.get(kind, kind.replace(".", " ").replace("_", " "))


def entry_text(kind: str, data: Mapping[str, Any]) -> str:
    """“Check recorded: check, ticket 1234” – the kind, then what names the first row that has a name."""
    about = _about(data.get("rows", {}))
    words = f"{kind_text(kind)}: {about}" if about else kind_text(kind)
    return f"{words[:1].upper()}{words[1:]}"


def _about(rows: Mapping[str, list[Mapping[str, Any]]]) -> str:
    for table, columns in TELLING.items():
        for row in rows.get(table, ()):
            if table == "evaluation.standingchange":
                before, after = row["before"], row["after"]
                return f"from {before} to {after}" if before else f"first judged {after}"
            # That an everyday ticket was for trade is said by its kind.
            told = [
                _word(column, row[column]) for column in columns if row.get(column) not in (None, "", "trade")
            ]
            if told:
                return ", ".join(told)
    return ""


def _word(column: str, value: Any) -> str:
    return f"{column} {value}" if column in {"ticket", "number"} else str(value)
