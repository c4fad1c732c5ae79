"""Reference instruments as they counted on a day, read once: which certificate was in force, and if none, why not."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from uuid import UUID

from fleetcal.fleet.models import Certificate, Instrument, InstrumentFinding
from fleetcal.fleet.models.instruments import ScaleClass
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.indication import Reference, refer_to_certificate, refer_to_class


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
        known = [each for each in terms.certificates if known_at is None or each.recorded_at <= known_at]
        in_force = next((each for each in known if each.verified_on <= day <= each.valid_until), None)
        why_not = (
            _why_wrong(terms, day, known_at) or _why_retired(terms, day) or _why_lapsed(known, in_force, day)
        )
        return Validity(not why_not, in_force, why_not)

    def reference(
        self, instrument_id: UUID, value_kg: float, day: date, known_at: datetime | None = None
    ) -> Reference:
        """*value_kg* read on the instrument on *day*, with the components of its uncertainty.

        The certificate's points count where it has any up to this load; the class otherwise. Where no certificate was in force, the
        newest before *day* says what is known, and the record is unsupported. `Refused` above what either speaks for.
        """
        terms = self.terms(instrument_id)
        certificate = self.validity(instrument_id, day, known_at).certificate or next(
            (each for each in terms.certificates if each.verified_on <= day), None
        )
        has_class = terms.scale_class != ScaleClass.CERTIFICATE
        try:
            if certificate and certificate.points:
                beyond = value_kg > certificate.points[-1][0] and has_class
                if not beyond:
                    return refer_to_certificate(
                        value_kg, certificate.points, certificate.k, rounding_division_kg=terms.d_kg
                    )
            if has_class:
                return refer_to_class(value_kg, terms.scale_class, terms.e_kg)
        except RefusedError as error:
            raise Refused(f"{terms.name}: {error}.", field="instrument") from error
        raise Refused(
            f"{terms.name} counts by its certificate, and none was recorded for {_day(day)} or before.",
            field="instrument",
        )


def _why_wrong(terms: InstrumentTerms, day: date, known_at: datetime | None) -> str:
    for each in terms.findings:
        if each.wrong_from <= day <= each.wrong_until and (known_at is None or each.recorded_at <= known_at):
            return (
                f"{terms.name} was found on {_day(each.found_on)} to have been wrong from {_day(each.wrong_from)} to "
                f"{_day(each.wrong_until)}"
            )
    return ""


def _why_retired(terms: InstrumentTerms, day: date) -> str:
    if terms.retired_on and day > terms.retired_on:
        return f"{terms.name} was retired on {_day(terms.retired_on)}"
    return ""


def _why_lapsed(known: list[CertificateTerms], in_force: CertificateTerms | None, day: date) -> str:
    if in_force:
        return ""
    before = max(
        (each for each in known if each.valid_until < day), key=lambda c: c.valid_until, default=None
    )
    if before:
        return f"certificate {before.number} ended on {_day(before.valid_until)}"
    if known:
        first = min(each.verified_on for each in known)
        return f"its first certificate is of {_day(first)}"
    return "no certificate is on record"


def _day(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


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
