"""Taking a record back, and what a correction must be: a new fact that supersedes the newest one, with a reason."""

from typing import TypeVar
from uuid import UUID

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.services.rows import write
from fleetcal.ledger.facts import new_id
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft
from fleetcal.records.models.base import VehicleRecord

Record = TypeVar("Record", bound=VehicleRecord)

# What a copy does not take over: it is a row of its own, and the ticket keeps its key on the first record of it.
OF_ITS_OWN = {"id", "entry", "supersedes", "withdrawn", "reason", "recorded_at", "recorded_by", "natural_key"}


def require_newest(model: type[Record], record_id: UUID, vehicle_id: UUID, reason: str) -> Record:
    """The record to be corrected; `Refused` without a reason, or where a later record has taken its place."""
    if not reason.strip():
        raise Refused("Say why the record is corrected.", field="reason")
    record: Record | None = model._default_manager.filter(pk=record_id, vehicle=vehicle_id).first()
    if record is None:
        raise Refused("There is no such record of this vehicle.", field="supersedes")
    later = model._default_manager.filter(supersedes=record_id).first()
    if later is not None:
        raise Refused(
            f"This record was {'withdrawn' if later.withdrawn else 'corrected'} on {later.recorded_at:%Y-%m-%d}: "
            "only the newest version can be corrected.",
            field="supersedes",
        )
    return record


def withdraw(record: Record, *, actor: User, reason: str) -> Record:
    """The record no longer counts; it stays readable, with the reason beside it."""
    require_newest(type(record), record.pk, record.vehicle_id, reason)
    if record.withdrawn:
        raise Refused("This record is withdrawn already.", field="reason")
    copied = {
        field.attname: getattr(record, field.attname)
        for field in record._meta.concrete_fields
        if field.name not in OF_ITS_OWN
    }
    withdrawal = type(record)(
        **copied,
        id=new_id(),
        supersedes_id=record.pk,
        withdrawn=True,
        reason=reason.strip(),
        recorded_at=timezone.now(),
        recorded_by=actor,
    )
    write(
        [
            Draft(
                stream=str(record.vehicle_id),
                kind="record.withdrawn",
                actor=actor.username,
                rows=[withdrawal],
                reason=reason.strip(),
            )
        ]
    )
    return withdrawal
