"""Reading one vehicle's audit trail: a number of queries that does not grow with its records."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any, TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils import timezone

from fleetcal.drawing.history import HistoryData
from fleetcal.evaluation.history import error_history
from fleetcal.evaluation.models import StandingChange
from fleetcal.evaluation.reading import read_facts
from fleetcal.evaluation.services import standing_as_of
from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.models import Depot, Instrument, Vehicle, WeighingSystem
from fleetcal.fleet.selectors import PolicyBook
from fleetcal.ledger.facts import Fact
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import EntryView, Receipt, entries_of, latest_entries, receipts_of
from fleetcal.records.models import Attachment, Calibration, Check, Inspection, Installation, Repair
from fleetcal.records.models.base import VehicleRecord
from fleetcal.reports.audit_trail import (
    Amendment,
    AuditRecord,
    AuditTrail,
    CertificateUsed,
    ChangeNoticed,
    FindingRecorded,
    PolicySpan,
    Recording,
    ReferenceUse,
    ReferenceUsed,
)
from fleetcal.reports.register_changes import list_register_changes
from fleetcal.reports.standing_spans import Asked, find_made_good, list_spans, merge_spans

Row = TypeVar("Row", bound=VehicleRecord)
WHO = ("recorded_by", "supersedes__recorded_by", "superseded_by__recorded_by")


def period_on_record(vehicle: Vehicle) -> tuple[date, date]:
    """From the first day in service to the day of the newest entry, at the vehicle's depot."""
    [newest] = latest_entries([vehicle.stream], 1)
    return vehicle.in_service_on, newest.at.astimezone(ZoneInfo(vehicle.depot.time_zone)).date()


def audit_of(vehicle: Vehicle, since: date, until: date, *, known_at: datetime | None = None) -> AuditTrail:
    """Everything on record about *vehicle* from *since* to *until*, both included; `Refused` where there is no such period."""
    if since > until:
        raise Refused(f"The period ends on {until}, before it begins on {since}.", field="until")
    # The period's days are the depot's, whoever asks and wherever they sit.
    with timezone.override(ZoneInfo(vehicle.depot.time_zone)):
        return _Reading(vehicle, since, until, known_at).trail()


class _Reading:
    def __init__(self, vehicle: Vehicle, since: date, until: date, known_at: datetime | None) -> None:
        self.vehicle, self.since, self.until, self.known_at = vehicle, since, until, known_at
        self.zone = ZoneInfo(vehicle.depot.time_zone)
        self.begins, self.ends = self._midnight(since), self._midnight(until + timedelta(days=1))
        self.shape, self.facts = read_facts([vehicle.pk], known_at)[vehicle.pk]
        asked = Asked(self.shape, self.facts, PolicyBook(), known_at)
        self.steps = list_spans(asked, since, until)
        self.now = asked.standing(until).standing
        self.attachments: dict[UUID, list[Attachment]] = defaultdict(list)
        self.receipts: dict[int, Receipt] = {}

    def trail(self) -> AuditTrail:
        links = ("system", "policy_version__policy")
        installations = self._rows(Installation, ("system",), ("bonds__sensor__axle",))
        calibrations = self._rows(Calibration, links, ("readings__instrument", "axles", "outcomes"))
        checks = self._rows(Check, (*links, "instrument", "file"), ("results",))
        repairs = self._rows(Repair, ("policy_version__policy", "file"), ())
        inspections = self._rows(Inspection, (), ())
        noticed = self._noticed()
        instruments = self._instruments(calibrations, checks)
        self._read_around(
            [*installations, *calibrations, *checks, *repairs, *inspections], noticed, instruments
        )
        entries = self._entries()
        then = standing_as_of(self.vehicle, self.until, self.ends)
        return AuditTrail(
            vehicle=self.vehicle,
            shape=self.shape,
            zone=self.zone,
            since=self.since,
            until=self.until,
            known_at=self.known_at,
            now=self.now,
            then=then[0] if then else None,
            spans=merge_spans(self.steps),
            noticed=tuple(ChangeNoticed(change, self.receipts[change.entry_id]) for change in noticed),
            policies=self._policies(),
            facts=self.facts,
            systems=self._systems(),
            installations=self._records(installations),
            calibrations=self._records(calibrations),
            checks=self._records(checks),
            repairs=self._records(repairs),
            inspections=self._records(inspections),
            references=self._references(instruments, calibrations, checks),
            histories=tuple(self._histories()),
            register=list_register_changes(entries, self._names()),
            entries=entries,
        )

    def _midnight(self, day: date) -> datetime:
        return datetime.combine(day, datetime.min.time(), self.zone)

    def _day(self, moment: datetime) -> date:
        return moment.astimezone(self.zone).date()

    def _known(self) -> Q:
        return Q() if self.known_at is None else Q(recorded_at__lte=self.known_at)

    def _rows(self, model: type[Row], links: Sequence[str], parts: Sequence[str]) -> list[Row]:
        """The records that happened in the period. One that takes another back is told with the one that it takes back."""
        rows = model._default_manager.filter(
            self._known(),
            vehicle=self.vehicle,
            happened_at__gte=self.begins,
            happened_at__lt=self.ends,
            withdrawn=False,
        )
        rows = rows.select_related(*WHO, *links).prefetch_related(*parts)
        return list(rows.order_by("happened_at", "recorded_at", "id"))

    def _noticed(self) -> list[StandingChange]:
        changes = StandingChange.objects.filter(
            self._known(), vehicle=self.vehicle, as_of__range=(self.since, self.until)
        )
        return list(changes.order_by("recorded_at", "id"))

    def _instruments(self, calibrations: Iterable[Calibration], checks: Iterable[Check]) -> list[Instrument]:
        used = {check.instrument_id for check in checks}
        used |= {reading.instrument_id for each in calibrations for reading in each.readings.all()}
        rows = Instrument.objects.filter(pk__in=used).order_by("name").select_related("depot")
        return list(rows.prefetch_related("certificates__recorded_by", "findings__recorded_by"))

    def _read_around(
        self,
        records: Sequence[VehicleRecord],
        noticed: Sequence[StandingChange],
        instruments: Iterable[Instrument],
    ) -> None:
        """Receipts and attachments of everything that is shown."""
        certificates = [certificate for each in instruments for certificate in each.certificates.all()]
        facts: list[Fact] = [*records, *noticed, *certificates]
        facts += [finding for each in instruments for finding in each.findings.all()]
        facts += [step.version for step in self.steps if step.version]
        for record in records:
            facts += [other for other in (record.supersedes, _later(record)) if other is not None]
        self.receipts = receipts_of(fact.entry_id for fact in facts)
        owned = Q(vehicle=self.vehicle) | Q(vehicle=None, record__in=[each.pk for each in certificates])
        for file in (
            Attachment.objects.filter(owned, self._known())
            .select_related("recorded_by")
            .order_by("recorded_at", "id")
        ):
            self.attachments[file.record].append(file)

    def _recording(self, fact: Any) -> Recording:
        who = fact.recorded_by
        return Recording(
            _named(who.display_name, who.username), fact.recorded_at, self.receipts[fact.entry_id]
        )

    def _records(self, rows: Sequence[Row]) -> tuple[AuditRecord[Row], ...]:
        return tuple(
            AuditRecord(
                row=row,
                recording=self._recording(row),
                earlier=self._amendment(row.supersedes, row) if row.supersedes else None,
                later=self._amendment(later, later) if (later := self._known_later(row)) else None,
                attachments=tuple(self.attachments[row.pk]),
                made_good_on=find_made_good(row.pk, self._day(row.happened_at), self.steps),
            )
            for row in rows
        )

    def _known_later(self, row: Row) -> Row | None:
        later: Row | None = _later(row)
        return later if later and (self.known_at is None or later.recorded_at <= self.known_at) else None

    def _amendment(self, seen: VehicleRecord, later: VehicleRecord) -> Amendment:
        return Amendment(self._recording(seen), seen.happened_at, later.reason, later.withdrawn)

    def _policies(self) -> tuple[PolicySpan, ...]:
        spans = []
        for version, steps in groupby(self.steps, key=lambda step: step.version):
            if version is not None:
                held = list(steps)
                spans.append(PolicySpan(held[0].since, held[-1].until, version, self._recording(version)))
        return tuple(spans)

    def _systems(self) -> tuple[WeighingSystem, ...]:
        """Those that were fitted on some day of the period."""
        rows = WeighingSystem.objects.filter(
            Q(removed_on__isnull=True) | Q(removed_on__gte=self.since),
            vehicle=self.vehicle,
            fitted_on__lte=self.until,
        )
        return tuple(rows.prefetch_related("sensors__axle").order_by("fitted_on", "id"))

    def _references(
        self, instruments: Iterable[Instrument], calibrations: Iterable[Calibration], checks: Iterable[Check]
    ) -> tuple[ReferenceUsed, ...]:
        days: dict[UUID, dict[date, set[UUID]]] = defaultdict(lambda: defaultdict(set))
        for check in checks:
            days[check.instrument_id][self._day(check.happened_at)].add(check.pk)
        for calibration in calibrations:
            for reading in calibration.readings.all():
                days[reading.instrument_id][self._day(calibration.happened_at)].add(calibration.pk)
        book = InstrumentBook(list(days))
        return tuple(self._reference(each, days[each.pk], book) for each in instruments)

    def _reference(
        self, instrument: Instrument, days: Mapping[date, set[UUID]], book: InstrumentBook
    ) -> ReferenceUsed:
        judged = [(day, book.validity(instrument.pk, day, self.known_at)) for day in sorted(days)]
        uses = []
        for validity, group in groupby(judged, key=lambda pair: pair[1]):
            on = [day for day, _ in group]
            uses.append(ReferenceUse(on[0], on[-1], sum(len(days[day]) for day in on), validity))
        certificates = sorted(
            (
                c
                for c in self._if_known(instrument.certificates.all())
                if self._touches(c.verified_on, c.valid_until)
            ),
            key=lambda c: (c.verified_on, c.number),
        )
        findings = sorted(self._if_known(instrument.findings.all()), key=lambda f: (f.found_on, f.pk))
        return ReferenceUsed(
            instrument,
            tuple(
                CertificateUsed(c, self._recording(c), tuple(self.attachments[c.pk])) for c in certificates
            ),
            tuple(FindingRecorded(finding, self._recording(finding)) for finding in findings),
            tuple(uses),
        )

    def _touches(self, first: date, last: date) -> bool:
        return first <= self.until and last >= self.since

    def _if_known(self, facts: Iterable[Any]) -> list[Any]:
        return [fact for fact in facts if self.known_at is None or fact.recorded_at <= self.known_at]

    def _histories(self) -> Iterable[HistoryData]:
        """The gross first, then each group that has results."""
        for subject in (0, *(group.position for group in self.shape.groups)):
            data = error_history(self.vehicle, self.since, self.until, self.known_at, subject=subject)
            if data is not None:
                yield data

    def _entries(self) -> tuple[EntryView, ...]:
        return tuple(
            entry
            for entry in entries_of(self.vehicle.stream)
            if self.known_at is None or entry.at <= self.known_at
        )

    def _names(self) -> dict[str, str]:
        return {str(pk): code for pk, code in Depot.objects.values_list("pk", "code")}


def _later(row: Any) -> Any:
    """The record that took the place of *row*; it was read with it."""
    return row.superseded_by if hasattr(row, "superseded_by") else None


def _named(display_name: str, username: str) -> str:
    return username if display_name == username else f"{display_name} ({username})"
