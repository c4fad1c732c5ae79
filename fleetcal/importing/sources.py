"""Ticket sources: where a kind of file comes from, which weighbridge made it and how it is read."""

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Instrument
from fleetcal.fleet.services.rows import checked as checked_row
from fleetcal.fleet.services.rows import write
from fleetcal.importing.mapping import Mapping, checked, to_json
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import FLEET_STREAM, Draft
from fleetcal.records.models import TicketSource


def save_source(
    name: str,
    mapping: Mapping,
    *,
    instrument: Instrument | None,
    actor: User,
    source: TicketSource | None = None,
) -> TicketSource:
    """A new source, or *source* changed. Without *instrument*, a column of its files must name the weighbridge."""
    checked(mapping)
    if instrument is None and "instrument" not in mapping.columns:
        raise Refused("Choose the weighbridge, or say which column names it.", "instrument")
    row = TicketSource.objects.get(pk=source.pk) if source else TicketSource()
    kind = "source.changed" if source else "source.registered"
    row.name, row.instrument, row.mapping = " ".join(name.split()), instrument, to_json(mapping)
    checked_row(row)
    write([Draft(stream=FLEET_STREAM, kind=kind, actor=actor.username, rows=[row])])
    return row


def source_named(name: str) -> TicketSource:
    found = TicketSource.objects.select_related("instrument").filter(name__iexact=name.strip()).first()
    if found is None:
        names = ", ".join(TicketSource.objects.values_list("name", flat=True)) or "none yet"
        raise Refused(f"There is no source “{name}”; on record: {names}.", "source")
    return found
