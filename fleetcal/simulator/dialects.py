"""The dialects in which the three weighing sites export their tickets, as bytes."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import date

from openpyxl import Workbook

from fleetcal.simulator.delimited import cell, encode_csv
from fleetcal.simulator.observe import Observed
from fleetcal.simulator.scenario import FEEDMILL_BRIDGE, OWN_BRIDGE, QUARRY_BRIDGE
from fleetcal.simulator.tickets import Ticket

MOST_GROUPS = 3

_MILLBRIDGE_COLUMNS = (
    "Schein", "Datum", "Uhrzeit", "Kennzeichen", "Brutto t", "Anzeige t", "Anzeige 2 t", "Zweck", "Bemerkung",
)  # fmt: skip
_QUARRY_COLUMNS = (
    "ticket", "date", "time", "plate", "gross_kg", "display_kg", "display2_kg",
    "g1_ref", "g1_disp", "g2_ref", "g2_disp", "g3_ref", "g3_disp", "purpose", "driver_in",
)  # fmt: skip
_FEEDMILL_COLUMNS = ("Ticket No", "Weighed at", "Vehicle", "Gross (kg)", "Cab display (kg)", "Remarks")


def encode_millbridge(observed: Observed) -> bytes:
    scenario = observed.scenario
    tickets = [each for each in observed.tickets if each.site == OWN_BRIDGE]
    total_kg = sum(each.gross_kg for each in tickets)
    period = f"{scenario.epoch:%d.%m.%Y} – {scenario.until:%d.%m.%Y}"
    return encode_csv(
        _MILLBRIDGE_COLUMNS,
        [_describe_millbridge(each) for each in tickets],
        encoding="cp1252",
        delimiter=";",
        before=[["Brückenwaage Millbridge – Wägeprotokoll"], [f"Auszug für die Überprüfung, {period}"]],
        after=[["Summe", "", "", "", _tonnes(total_kg), "", "", "", f"{len(tickets)} Wägungen"]],
    )


def _describe_millbridge(ticket: Ticket) -> tuple[str, ...]:
    return (
        ticket.number,
        f"{ticket.weighed_at:%d.%m.%Y}",
        f"{ticket.weighed_at:%H:%M}",
        ticket.plate,
        _tonnes(ticket.gross_kg),
        _tonnes(ticket.displays_kg[0]),
        _tonnes(ticket.displays_kg[1]) if len(ticket.displays_kg) > 1 else "",
        ticket.purpose,
        "" if ticket.driver_in else "ohne Fahrer, Führerhaus leer",
    )


def _tonnes(weight_kg: int) -> str:
    return f"{weight_kg / 1000:.2f}".replace(".", ",")


def encode_quarry(tickets: Sequence[Ticket]) -> bytes:
    rows = [_describe_quarry(each) for each in tickets if each.site == QUARRY_BRIDGE]
    return encode_csv(_QUARRY_COLUMNS, rows, encoding="utf-8-sig")


def _describe_quarry(ticket: Ticket) -> list[str]:
    groups: list[str] = []
    for reference_kg, shown_kg in zip(ticket.group_references_kg, ticket.group_displays_kg, strict=True):
        groups += [str(reference_kg), str(shown_kg)]
    groups += [""] * (2 * MOST_GROUPS - len(groups))
    return [
        ticket.number,
        f"{ticket.weighed_at:%Y-%m-%d}",
        f"{ticket.weighed_at:%H:%M}",
        ticket.plate,
        str(ticket.gross_kg),
        str(ticket.displays_kg[0]),
        str(ticket.displays_kg[1]) if len(ticket.displays_kg) > 1 else "",
        *groups,
        ticket.purpose,
        cell(ticket.driver_in),
    ]


def encode_feedmill(observed: Observed) -> bytes:
    tickets = [each for each in observed.tickets if each.site == FEEDMILL_BRIDGE]
    book = Workbook()
    sheet = book.active
    sheet.title = "Weighings"
    sheet.append(_FEEDMILL_COLUMNS)
    for ticket in tickets:
        remark = ticket.purpose if ticket.purpose != "trade" else ("" if ticket.driver_in else "driver out")
        sheet.append(
            (ticket.number, ticket.weighed_at, ticket.plate, ticket.gross_kg, ticket.displays_kg[0], remark)
        )
    sheet.append(
        ("Total", None, None, sum(each.gross_kg for each in tickets), None, f"{len(tickets)} tickets")
    )
    for column, width in zip("ABCDEF", (12, 18, 12, 12, 16, 24), strict=True):
        sheet.column_dimensions[column].width = width
    written = io.BytesIO()
    book.save(written)
    return _fix_times(written.getvalue(), observed.scenario.until)


def _fix_times(workbook: bytes, on: date) -> bytes:
    """The workbook with every time of writing, inside and in the archive's entries, set to one day."""
    fixed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook)) as source, zipfile.ZipFile(fixed, "w") as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                stamp = f"{on.isoformat()}T00:00:00Z".encode()
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp, content)
            entry = zipfile.ZipInfo(name, date_time=(on.year, on.month, on.day, 0, 0, 0))
            target.writestr(entry, content, compress_type=zipfile.ZIP_DEFLATED)
    return fixed.getvalue()
