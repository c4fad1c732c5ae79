"""Reference instruments, the certificates that let them count, and what was found wrong with them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import pairwise
from uuid import UUID

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Certificate, Instrument, InstrumentFinding
from fleetcal.fleet.models.instruments import ScaleClass
from fleetcal.fleet.services.rows import checked, write
from fleetcal.ledger.facts import Recorded
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import FLEET_STREAM, Draft


@dataclass(frozen=True, slots=True)
class InstrumentDraft:
    name: str
    kind: str
    scale_class: str
    e_kg: Decimal
    d_kg: Decimal
    capacity_kg: Decimal
    owner: str
    serial: str = ""
    depot_id: UUID | None = None
    has_level_approach: bool = False
    slope_percent: Decimal = Decimal(0)
    retired_on: date | None = None


@dataclass(frozen=True, slots=True)
class NewCertificate:
    """`points` are (load in kg, expanded uncertainty in kg at coverage factor k); none where the class speaks for the instrument."""

    number: str
    issuer: str
    verified_on: date
    valid_until: date
    k: Decimal = Decimal(2)
    points: tuple[tuple[Decimal, Decimal], ...] = ()


@dataclass(frozen=True, slots=True)
class NewFinding:
    wrong_from: date
    wrong_until: date
    found_on: date
    what: str


def register_instrument(draft: InstrumentDraft, *, actor: User) -> Instrument:
    instrument = _filled(Instrument(), draft)
    _write("instrument.registered", [instrument], actor)
    return instrument


def change_instrument(
    instrument: Instrument, draft: InstrumentDraft, *, actor: User, reason: str = ""
) -> Instrument:
    changed = _filled(Instrument.objects.get(pk=instrument.pk), draft)
    _write("instrument.changed", [changed], actor, reason)
    return changed


def record_certificate(draft: NewCertificate, *, actor: User, instrument: Instrument) -> Certificate:
    """A certificate, its points in order of load. Certificates may overlap: the newest that is in force on a day counts."""
    if draft.valid_until < draft.verified_on:
        raise Refused(
            f"Valid until {draft.valid_until}, but verified on {draft.verified_on}, after that.",
            field="valid_until",
        )
    if not (draft.k.is_finite() and draft.k >= 1):
        raise Refused(f"A coverage factor k of {draft.k} is below 1.", field="k")
    certificate = Certificate(
        instrument=instrument,
        number=draft.number.strip(),
        issuer=draft.issuer.strip(),
        verified_on=draft.verified_on,
        valid_until=draft.valid_until,
        k=draft.k,
        points=_points(draft.points, instrument),
        recorded_at=timezone.now(),
        recorded_by=actor,
    )
    _write("certificate.recorded", [checked(certificate)], actor)
    return certificate


def record_finding(draft: NewFinding, *, actor: User, instrument: Instrument) -> InstrumentFinding:
    """The instrument was wrong for a time: no record that rests on it in that time is supported any longer."""
    if draft.wrong_until < draft.wrong_from:
        raise Refused(
            f"Wrong until {draft.wrong_until}, but from {draft.wrong_from}, after that.", field="wrong_until"
        )
    if draft.found_on < draft.wrong_from:
        raise Refused(
            f"Found on {draft.found_on}, before it was wrong from {draft.wrong_from}.", field="found_on"
        )
    if draft.found_on > timezone.localdate():
        raise Refused(f"Found on {draft.found_on}: that day is still to come.", field="found_on")
    finding = InstrumentFinding(
        instrument=instrument,
        wrong_from=draft.wrong_from,
        wrong_until=draft.wrong_until,
        found_on=draft.found_on,
        what=draft.what.strip(),
        recorded_at=timezone.now(),
        recorded_by=actor,
    )
    _write("instrument.found_wrong", [checked(finding)], actor)
    return finding


def _write(kind: str, rows: Sequence[Recorded], actor: User, reason: str = "") -> None:
    write([Draft(stream=FLEET_STREAM, kind=kind, actor=actor.username, rows=rows, reason=reason)])


def _filled(instrument: Instrument, draft: InstrumentDraft) -> Instrument:
    instrument.name = draft.name.strip()
    instrument.kind = draft.kind
    instrument.scale_class = draft.scale_class
    instrument.e_kg = draft.e_kg
    instrument.d_kg = draft.d_kg
    instrument.capacity_kg = draft.capacity_kg
    instrument.owner = draft.owner.strip()
    instrument.serial = draft.serial.strip()
    instrument.depot_id = draft.depot_id
    instrument.has_level_approach = draft.has_level_approach
    instrument.slope_percent = draft.slope_percent
    instrument.retired_on = draft.retired_on
    if draft.capacity_kg <= draft.e_kg:
        raise Refused(
            f"A capacity of {draft.capacity_kg:f} kg is not above the scale interval e of {draft.e_kg:f} kg.",
            field="capacity_kg",
        )
    return checked(instrument)


def _points(points: Sequence[tuple[Decimal, Decimal]], instrument: Instrument) -> list[list[str]]:
    if not points and instrument.scale_class == ScaleClass.CERTIFICATE:
        raise Refused(
            f"{instrument.name} counts by its certificate: give at least one load with its expanded uncertainty.",
            field="points",
        )
    ordered = sorted(points)
    for load_kg, U_kg in ordered:
        if not (load_kg.is_finite() and U_kg.is_finite() and load_kg > 0 and U_kg > 0):
            raise Refused(
                f"At a load of {load_kg} kg an uncertainty of {U_kg} kg: both must be above zero.",
                field="points",
            )
    for (load_kg, _), (next_kg, _) in pairwise(ordered):
        if load_kg == next_kg:
            raise Refused(f"The load of {load_kg:f} kg is given twice.", field="points")
    return [[f"{load_kg:f}", f"{U_kg:f}"] for load_kg, U_kg in ordered]
