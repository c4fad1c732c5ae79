"""Everything that an audit report prints, as it was read: rows with their parts prefetched, so that setting the pages asks no database."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Generic, TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

from fleetcal.drawing.history import HistoryData
from fleetcal.evaluation.facts import VehicleFacts
from fleetcal.evaluation.models import StandingChange
from fleetcal.evaluation.standing import StandingOnDay
from fleetcal.fleet.instrument_book import Validity
from fleetcal.fleet.models import (
    Certificate,
    Instrument,
    InstrumentFinding,
    PolicyVersion,
    Vehicle,
    WeighingSystem,
)
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.ledger.selectors import EntryView, Receipt
from fleetcal.records.models import Attachment, Calibration, Check, Inspection, Installation, Repair
from fleetcal.records.models.base import VehicleRecord

Row = TypeVar("Row", bound=VehicleRecord, covariant=True)


@dataclass(frozen=True, slots=True)
class Recording:
    """Who recorded a row, when, and the entry that carries it."""

    by: str
    at: datetime
    receipt: Receipt


@dataclass(frozen=True, slots=True)
class Amendment:
    """One version of a record seen from the version before or after it. *reason* is that of the later of the two."""

    recording: Recording
    happened_at: datetime
    reason: str
    is_withdrawal: bool


@dataclass(frozen=True, slots=True)
class AuditRecord(Generic[Row]):
    """A record of the period. Where *later* is set it no longer counts, and is shown all the same."""

    row: Row
    recording: Recording
    earlier: Amendment | None
    later: Amendment | None
    attachments: tuple[Attachment, ...]
    # The day from which on it no longer asks for anything; None where it never did, or still does.
    made_good_on: date | None = None


@dataclass(frozen=True, slots=True)
class StandingSpan:
    """Days in a row with the same standing for the same reasons under the same policy; no standing without a policy."""

    since: date
    until: date
    standing: StandingOnDay | None
    version: PolicyVersion | None


def asking_records(standing: StandingOnDay) -> set[UUID | None]:
    """The records behind what is to be done, whatever is for information only left out."""
    asking = [reason for o in standing.obligations if not o.is_information for reason in (o.reason, *o.also)]
    return {reason.record for reason in asking}


@dataclass(frozen=True, slots=True)
class PolicySpan:
    since: date
    until: date
    version: PolicyVersion
    recording: Recording


@dataclass(frozen=True, slots=True)
class CertificateUsed:
    certificate: Certificate
    recording: Recording
    attachments: tuple[Attachment, ...]


@dataclass(frozen=True, slots=True)
class FindingRecorded:
    finding: InstrumentFinding
    recording: Recording


@dataclass(frozen=True, slots=True)
class ReferenceUse:
    """Days of the period on which records rest on an instrument, while the same certificate (or none) was in force."""

    first: date
    last: date
    records: int
    validity: Validity


@dataclass(frozen=True, slots=True)
class ReferenceUsed:
    instrument: Instrument
    certificates: tuple[CertificateUsed, ...]
    findings: tuple[FindingRecorded, ...]
    uses: tuple[ReferenceUse, ...]


@dataclass(frozen=True, slots=True)
class RegisterChange:
    """What an entry changed in the register of this vehicle, in words, one for each thing."""

    entry: EntryView
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ChangeNoticed:
    """A flag as it was raised or cleared at the time, with the entry that says so."""

    change: StandingChange
    receipt: Receipt


@dataclass(frozen=True, slots=True)
class AuditTrail:
    """One vehicle's records of *since* to *until*, as known at *known_at* (None: everything on record). Days are those of *zone*.

    *now* is the standing on *until* by what is known, *then* by what was on record at the end of that day.
    *entries* are all of the vehicle's stream, whatever the period.
    """

    vehicle: Vehicle
    shape: VehicleShape
    zone: ZoneInfo
    since: date
    until: date
    known_at: datetime | None
    now: StandingOnDay | None
    then: StandingOnDay | None
    spans: tuple[StandingSpan, ...]
    noticed: tuple[ChangeNoticed, ...]
    policies: tuple[PolicySpan, ...]
    facts: VehicleFacts
    systems: tuple[WeighingSystem, ...]
    installations: tuple[AuditRecord[Installation], ...]
    calibrations: tuple[AuditRecord[Calibration], ...]
    checks: tuple[AuditRecord[Check], ...]
    repairs: tuple[AuditRecord[Repair], ...]
    inspections: tuple[AuditRecord[Inspection], ...]
    references: tuple[ReferenceUsed, ...]
    histories: tuple[HistoryData, ...]
    register: tuple[RegisterChange, ...]
    entries: tuple[EntryView, ...]

    @property
    def newest(self) -> EntryView:
        """The entry up to which the report goes; there is at least the one that registered the vehicle."""
        return self.entries[-1]

    def asking_at_the_end(self) -> set[UUID | None]:
        """The records because of which something is still to be done on the last day."""
        return asking_records(self.now) if self.now else set()

    def day_of(self, moment: datetime) -> date:
        return moment.astimezone(self.zone).date()

    def validity_on(self, instrument: Instrument, day: date) -> Validity | None:
        for used in self.references:
            if used.instrument.pk == instrument.pk:
                return next((use.validity for use in used.uses if use.first <= day <= use.last), None)
        return None
