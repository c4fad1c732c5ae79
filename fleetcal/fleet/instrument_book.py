"""Reference instruments as they counted on a day, read once: which certificate was in force, and if none, why not."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from uuid import UUID

from fleetcal.fleet.days import day_text
from fleetcal.fleet.models import Certificate, Instrument, InstrumentFinding
from fleetcal.ledger.refusals import Refused


@dataclass(frozen=True, slots=True)
class CertificateTerms:
    """`points` are (load_kg, U_kg) at coverage factor k, in order of load; none where the class speaks."""

    id: UUID
    number: str
    verified_on: date
    valid_until: date
    k: float
    points: tuple[tuple[float, float], ...]
    recorded_at: datetime
    issuer: str = ""


@dataclass(frozen=True, slots=True)
class FindingTerms:
    id: UUID
    wrong_from: date
    wrong_until: date
    found_on: date
    what: str
    recorded_at: datetime


@dataclass(frozen=True, slots=True)
class InstrumentTerms:
    """Certificates the newest first."""

    id: UUID
    name: str
    kind: str
    scale_class: str
    e_kg: float
    d_kg: float
    capacity_kg: float
    depot_id: UUID | None
    has_level_approach: bool
    slope_percent: float
    retired_on: date | None
    certificates: tuple[CertificateTerms, ...]
    findings: tuple[FindingTerms, ...]


@dataclass(frozen=True, slots=True)
class Validity:
    """`why_not` is a sentence for people, empty where the instrument counts."""

    valid: bool
    certificate: CertificateTerms | None
    why_not: str = ""


class InstrumentBook:
    """Every instrument, or those of *instrument_ids*, in three queries at construction and none after it."""

    def __init__(self, instrument_ids: Iterable[UUID] | None = None) -> None:
        instruments = Instrument.objects.all()
        certificates = Certificate.objects.order_by("-verified_on", "-recorded_at")
        findings = InstrumentFinding.objects.order_by("-found_on")
        if instrument_ids is not None:
            ids = set(instrument_ids)
            instruments = instruments.filter(pk__in=ids)
            certificates = certificates.filter(instrument__in=ids)
            findings = findings.filter(instrument__in=ids)
        by_certificate: dict[UUID, list[CertificateTerms]] = defaultdict(list)
        for certificate in certificates:
            by_certificate[certificate.instrument_id].append(_certificate_terms(certificate))
        by_finding: dict[UUID, list[FindingTerms]] = defaultdict(list)
        for finding in findings:
            by_finding[finding.instrument_id].append(_finding_terms(finding))
        self._terms = {
            instrument.pk: _instrument_terms(
                instrument, by_certificate[instrument.pk], by_finding[instrument.pk]
            )
            for instrument in instruments
        }

    def __contains__(self, instrument_id: object) -> bool:
        return instrument_id in self._terms

    def instruments(self) -> tuple[InstrumentTerms, ...]:
        return tuple(self._terms.values())

    def terms(self, instrument_id: UUID) -> InstrumentTerms:
        """`Refused` for an instrument that is not on record."""
        try:
            return self._terms[instrument_id]
        except KeyError:
            raise Refused("There is no such reference instrument.", field="instrument") from None

    def validity(self, instrument_id: UUID, day: date, known_at: datetime | None = None) -> Validity:
        """Whether the instrument counts as a reference on *day*, by what was recorded up to *known_at* (everything, if None)."""
        terms = self.terms(instrument_id)
        known = _known_certificates(terms, known_at)
        in_force = _in_force(known, day)
        why_not = (
            _why_wrong(terms, day, known_at) or _why_retired(terms, day) or _why_lapsed(known, in_force, day)
        )
        return Validity(not why_not, in_force, why_not)

    def supports(
        self, instrument_ids: Iterable[UUID], day: date, known_at: datetime | None = None
    ) -> tuple[bool, date | None]:
        """Whether all of them counted on *day* but for findings, and the first day on which one was found to have been wrong on it.

        Apart, because a finding speaks only from the day on which it was made: before that day the record still supported something.
        """
        counted, wrong = True, []
        for terms in map(self.terms, instrument_ids):
            counted &= (
                not _why_retired(terms, day)
                and _in_force(_known_certificates(terms, known_at), day) is not None
            )
            wrong += [each.found_on for each in _findings_of(terms, day, known_at)]
        return counted, min(wrong, default=None)


def _known_certificates(terms: InstrumentTerms, known_at: datetime | None) -> list[CertificateTerms]:
    return [each for each in terms.certificates if known_at is None or each.recorded_at <= known_at]


def _in_force(known: Iterable[CertificateTerms], day: date) -> CertificateTerms | None:
    return next((each for each in known if each.verified_on <= day <= each.valid_until), None)


def _findings_of(terms: InstrumentTerms, day: date, known_at: datetime | None) -> Iterator[FindingTerms]:
    """Those that say that the instrument was wrong on *day*."""
    for each in terms.findings:
        if each.wrong_from <= day <= each.wrong_until and (known_at is None or each.recorded_at <= known_at):
            yield each


def _why_wrong(terms: InstrumentTerms, day: date, known_at: datetime | None) -> str:
    found = next(_findings_of(terms, day, known_at), None)
    if found is None:
        return ""
    return (
        f"{terms.name} was found on {day_text(found.found_on)} to have been wrong from {day_text(found.wrong_from)} to "
        f"{day_text(found.wrong_until)}"
    )


def _why_retired(terms: InstrumentTerms, day: date) -> str:
    if terms.retired_on and day > terms.retired_on:
        return f"{terms.name} was retired on {day_text(terms.retired_on)}"
    return ""


def _why_lapsed(known: list[CertificateTerms], in_force: CertificateTerms | None, day: date) -> str:
    if in_force:
        return ""
    before = max(
        (each for each in known if each.valid_until < day), key=lambda c: c.valid_until, default=None
    )
    if before:
        return f"certificate {before.number} ended on {day_text(before.valid_until)}"
    if known:
        first = min(each.verified_on for each in known)
        return f"its first certificate is of {day_text(first)}"
    return "no certificate is on record"


def _certificate_terms(certificate: Certificate) -> CertificateTerms:
    return CertificateTerms(
        certificate.pk,
        certificate.number,
        certificate.verified_on,
        certificate.valid_until,
        float(certificate.k),
        tuple((float(Decimal(load)), float(Decimal(U))) for load, U in certificate.points),
        certificate.recorded_at,
        certificate.issuer,
    )


def _finding_terms(finding: InstrumentFinding) -> FindingTerms:
    return FindingTerms(
        finding.pk,
        finding.wrong_from,
        finding.wrong_until,
        finding.found_on,
        finding.what,
        finding.recorded_at,
    )


def _instrument_terms(
    instrument: Instrument, certificates: list[CertificateTerms], findings: list[FindingTerms]
) -> InstrumentTerms:
    return InstrumentTerms(
        id=instrument.pk,
        name=instrument.name,
        kind=instrument.kind,
        scale_class=instrument.scale_class,
        e_kg=float(instrument.e_kg),
        d_kg=float(instrument.d_kg),
        capacity_kg=float(instrument.capacity_kg),
        depot_id=instrument.depot_id,
        has_level_approach=instrument.has_level_approach,
        slope_percent=float(instrument.slope_percent),
        retired_on=instrument.retired_on,
        certificates=tuple(certificates),
        findings=tuple(findings),
    )
