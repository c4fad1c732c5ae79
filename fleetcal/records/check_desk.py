"""Judging comparison checks: the registers are read once, then any number of drafts is judged without a query."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from types import MappingProxyType
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils import timezone

from fleetcal.fleet.days import day_text
from fleetcal.fleet.instrument_book import CertificateTerms, InstrumentBook, Validity
from fleetcal.fleet.models import Depot, PolicyVersion, Vehicle, WeighingSystem
from fleetcal.fleet.models.policies import Rule
from fleetcal.fleet.selectors import PolicyBook, VehicleShape, shapes_of
from fleetcal.ledger.refusals import Refused
from fleetcal.metrology.conformity import (
    GUARD_BAND,
    PROBABILITY_OF_CONFORMITY,
    SIMPLE_ACCEPTANCE,
    DecisionRule,
    Tolerance,
)
from fleetcal.records.check_counting import load_percent_of, why_not_counting
from fleetcal.records.check_drafts import CheckDraft
from fleetcal.records.check_limits import check_draft, check_readings
from fleetcal.records.comparison import compare
from fleetcal.records.comparison_terms import (
    ComparisonInputs,
    ComparisonOutcome,
    DisplayValue,
    GroupTerms,
    PlatformValue,
    Requirement,
    UnitTerms,
)
from fleetcal.records.models import Calibration
from fleetcal.records.models.checks import Direction
from fleetcal.records.references import ReferenceTerms
from fleetcal.records.repeatability import RepeatabilityBook, repeatability_by_suspension

LOOK_UP = 500
RULES = {
    Rule.SIMPLE: SIMPLE_ACCEPTANCE,
    Rule.GUARDED: GUARD_BAND,
    Rule.PROBABILITY: PROBABILITY_OF_CONFORMITY,
}


@dataclass(frozen=True, slots=True)
class JudgedCheck:
    """A draft with its outcome and what it was judged by. *why_not_counting* is empty where it counts for the schedule."""

    draft: CheckDraft
    shape: VehicleShape
    registrations: dict[UUID, str]
    system: WeighingSystem
    version: PolicyVersion
    outcome: ComparisonOutcome
    load_percent: float | None
    unsupported: str
    why_not_counting: str


class CheckDesk:
    """Shapes, systems, policies, instruments and pooled repeatability, as they are now, for the vehicles and instruments of *drafts*.

    *shapes* are those that somebody has just read; the others are read here.
    """

    def __init__(
        self,
        drafts: Iterable[CheckDraft],
        now: datetime | None = None,
        shapes: Mapping[UUID, VehicleShape] = MappingProxyType({}),
    ) -> None:
        drafts = list(drafts)
        vehicles = {unit for draft in drafts for unit in (draft.vehicle_id, *draft.coupled)}
        self._now = now or timezone.now()
        self._shapes = _read_shapes(vehicles - shapes.keys()) | {
            unit: shapes[unit] for unit in vehicles & shapes.keys()
        }
        self._systems = _read_systems(vehicles)
        self._lifted = _read_lifted(vehicles)
        self._zones = {
            pk: ZoneInfo(name) for pk, name in Depot.objects.values_list("pk", "time_zone") if name
        }
        self._policies = PolicyBook()
        self._instruments = InstrumentBook({draft.instrument_id for draft in drafts})
        self._repeatability: RepeatabilityBook = repeatability_by_suspension()
        self._units: dict[tuple[UUID, UUID, UUID], UnitTerms] = {}
        self._requirements: dict[UUID, Requirement] = {}
        self._terms: dict[tuple[UUID, UUID | None], ReferenceTerms] = {}

    def judge(self, draft: CheckDraft) -> JudgedCheck:
        """The outcome of *draft*; `Refused` where it cannot be."""
        shape = self._shape(draft.vehicle_id, "vehicle")
        others = [self._shape(unit, "coupled") for unit in draft.coupled]
        day = draft.weighed_at.astimezone(self._zones.get(shape.depot_id, ZoneInfo("UTC"))).date()
        check_draft(draft, shape, others, day, self._now)
        version = self._version(shape, day)
        instrument = self._instruments.terms(draft.instrument_id)
        check_readings(draft, instrument)
        validity = self._instruments.validity(draft.instrument_id, day)
        system = self._system(shape, day)
        inputs = ComparisonInputs(
            unit=self._unit(shape, system, version),
            instrument=self._instrument_terms(draft.instrument_id, day, validity),
            requirement=self._requirement(version),
            platform=_platform(draft, shape, others),
            display=tuple(
                DisplayValue(
                    str(each.vehicle_id or shape.id), each.subject, tuple(map(float, each.values_kg))
                )
                for each in draft.display
            ),
            coupled=tuple(
                self._unit(other, self._system(other, day), self._version(other, day)) for other in others
            ),
            fuel_used_kg=float(draft.fuel_used_kg),
            slope_percent=_slope(draft, instrument.slope_percent),
        )
        try:
            outcome = compare(inputs)
        except ValueError as error:
            raise Refused(f"{instrument.name}: {error}.", field="platform") from error
        load_percent = load_percent_of(outcome, shape)
        return JudgedCheck(
            draft,
            shape,
            {each.id: each.registration for each in others},
            system,
            version,
            outcome,
            load_percent,
            validity.why_not,
            why_not_counting(
                draft,
                outcome,
                version,
                load_percent,
                validity.why_not,
                self._calibrated_lifted(system, draft),
            ),
        )

    def _shape(self, vehicle_id: UUID, field: str) -> VehicleShape:
        try:
            return self._shapes[vehicle_id]
        except KeyError:
            raise Refused("There is no such vehicle.", field=field) from None

    def _version(self, shape: VehicleShape, day: date) -> PolicyVersion:
        version = self._policies.version_for(shape, day)
        if version is None:
            raise Refused(
                f"No policy was in force for {shape.registration} on {day_text(day)}: record one that reaches back to that day.",
                field="weighed_at",
            )
        return version

    def _system(self, shape: VehicleShape, day: date) -> WeighingSystem:
        for system in self._systems.get(shape.id, ()):
            if system.fitted_on <= day and (system.removed_on is None or day <= system.removed_on):
                return system
        raise Refused(
            f"No weighing system is on record for {shape.registration} on {day_text(day)}: record what was fitted first.",
            field="weighed_at",
        )

    def _calibrated_lifted(self, system: WeighingSystem, draft: CheckDraft) -> tuple[int, ...] | None:
        """The axles that were lifted at the newest calibration before the check."""
        calibrated = self._lifted.get(system.pk, ())
        return next((lifted for at, lifted in calibrated if at <= draft.weighed_at), None)

    def _unit(self, shape: VehicleShape, system: WeighingSystem, version: PolicyVersion) -> UnitTerms:
        key = shape.id, system.pk, version.pk
        if key not in self._units:
            stated, book = version.repeatability_percent, self._repeatability
            self._units[key] = UnitTerms(
                key=str(shape.id),
                max_gross_kg=shape.max_gross_kg,
                division_kg=float(system.division_kg),
                repeatability=book.of_gross(shape.suspension, shape.max_gross_kg, stated),
                groups=tuple(
                    GroupTerms(
                        group.position, group.max_kg, book.of_group(group.suspension, group.max_kg, stated)
                    )
                    for group in shape.groups
                ),
                carries_fuel=shape.kind != "trailer",
                span_m=_span_m(shape),
            )
        return self._units[key]

    def _requirement(self, version: PolicyVersion) -> Requirement:
        if version.pk not in self._requirements:
            basis, floor_kg = str(version.basis), float(version.floor_kg)
            self._requirements[version.pk] = Requirement(
                Tolerance(float(version.gross_percent), basis, floor_kg),
                Tolerance(float(version.group_percent), basis, floor_kg),
                DecisionRule(
                    RULES[Rule(version.rule)],
                    float(version.guard_ratio),
                    float(version.conformance_probability),
                ),
            )
        return self._requirements[version.pk]

    def _instrument_terms(self, instrument_id: UUID, day: date, validity: Validity) -> ReferenceTerms:
        """With the certificate in force, or else the newest before: it says what is known, and the record is unsupported."""
        terms = self._instruments.terms(instrument_id)
        certificate: CertificateTerms | None = validity.certificate or next(
            (each for each in terms.certificates if each.verified_on <= day), None
        )
        key = instrument_id, certificate.id if certificate else None
        if key not in self._terms:
            self._terms[key] = ReferenceTerms(
                key=str(instrument_id),
                kind=terms.kind,
                scale_class=terms.scale_class,
                e_kg=terms.e_kg,
                d_kg=terms.d_kg,
                points=certificate.points if certificate else (),
                k=certificate.k if certificate else 2.0,
            )
        return self._terms[key]


def _read_shapes(vehicles: Collection[UUID]) -> dict[UUID, VehicleShape]:
    ids, shapes = list(vehicles), dict[UUID, VehicleShape]()
    for start in range(0, len(ids), LOOK_UP):
        shapes.update(shapes_of(Vehicle.objects.filter(pk__in=ids[start : start + LOOK_UP])))
    return shapes


def _read_systems(vehicles: Collection[UUID]) -> dict[UUID, list[WeighingSystem]]:
    """By vehicle, the newest first."""
    ids, systems = list(vehicles), defaultdict[UUID, list[WeighingSystem]](list)
    for start in range(0, len(ids), LOOK_UP):
        some = WeighingSystem.objects.filter(vehicle__in=ids[start : start + LOOK_UP])
        for system in some.order_by("-fitted_on", "-id"):
            systems[system.vehicle_id].append(system)
    return systems


def _read_lifted(vehicles: Collection[UUID]) -> dict[UUID, list[tuple[datetime, tuple[int, ...]]]]:
    """By system, the newest first: when it was calibrated and which axles were lifted."""
    ids, lifted = list(vehicles), defaultdict[UUID, list[tuple[datetime, tuple[int, ...]]]](list)
    for start in range(0, len(ids), LOOK_UP):
        some = Calibration.objects.standing().filter(vehicle__in=ids[start : start + LOOK_UP], accepted=True)
        for system, at, axles in some.order_by("-started_at").values_list(
            "system", "started_at", "lift_axles_up"
        ):
            lifted[system].append((at, tuple(axles)))
    return lifted


def _platform(
    draft: CheckDraft, shape: VehicleShape, others: list[VehicleShape]
) -> tuple[PlatformValue, ...]:
    shapes = {each.id: each for each in (shape, *others)}
    return tuple(
        PlatformValue(
            float(reading.value_kg),
            frozenset(
                f"{shapes[unit].id}:{group.position}"
                for unit, position in ([(c.vehicle_id, c.group) for c in reading.covers] or [(shape.id, 0)])
                for group in shapes[unit].groups
                if position in (0, group.position)
            ),
        )
        for reading in draft.platform
    )


def _span_m(shape: VehicleShape) -> float | None:
    """Distance between the middles of the outer axle groups."""
    place_m, at_m = dict[int, float](), 0.0
    for axle in shape.axles:
        at_m += (axle.spacing_mm or 0) / 1000.0
        place_m[axle.number] = at_m
    middles = [sum(place_m[axle] for axle in group.axles) / len(group.axles) for group in shape.groups]
    return middles[-1] - middles[0] if len(middles) > 1 and middles[-1] > middles[0] else None


def _slope(draft: CheckDraft, of_site: float) -> float:
    if draft.direction == Direction.BOTH:
        return 0.0
    return abs(float(draft.slope_percent)) if draft.slope_percent is not None else of_site
