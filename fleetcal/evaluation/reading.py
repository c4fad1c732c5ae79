"""Reading the records of many vehicles at once into the plain facts that a standing is computed from: a fixed number of queries."""

from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q

from fleetcal.evaluation.facts import (
    FAILED,
    CalibrationFact,
    CheckFact,
    InspectionFact,
    RepairFact,
    Terms,
    VehicleFacts,
)
from fleetcal.fleet.models import (
    Certificate,
    Depot,
    InstrumentFinding,
    PolicyVersion,
    Vehicle,
    WeighingSystem,
)
from fleetcal.fleet.selectors import VehicleShape, shapes_of
from fleetcal.records.models import (
    AcceptanceOutcome,
    Calibration,
    CalibrationReading,
    Check,
    CheckResult,
    Inspection,
    Repair,
)


def terms_of(version: PolicyVersion) -> Terms:
    return Terms(
        longest_interval_days=version.longest_interval_days,
        planning_window_days=version.planning_window_days,
        first_check_days=version.first_check_days,
        early_check_days=version.early_check_days,
        conditional_recheck_days=version.conditional_recheck_days,
        repair_check_days=version.repair_check_days,
        longest_distance_km=version.longest_distance_km,
        trade_tickets_count=version.trade_tickets_count,
        follows_eu_cadence=version.follows_eu_cadence,
    )


class References:
    """Which reference instruments could be relied on when, as known at a moment. Read once, asked often."""

    def __init__(self, known_at: datetime | None = None) -> None:
        known = Q() if known_at is None else Q(recorded_at__lte=known_at)
        self._valid: dict[UUID, list[tuple[date, date]]] = defaultdict(list)
        for key, since, until in Certificate.objects.filter(known).values_list(
            "instrument_id", "verified_on", "valid_until"
        ):
            self._valid[key].append((since, until))
        self._wrong: dict[UUID, list[tuple[date, date, date]]] = defaultdict(list)
        for finding in InstrumentFinding.objects.filter(known):
            self._wrong[finding.instrument_id].append(
                (finding.wrong_from, finding.wrong_until, finding.found_on)
            )

    def is_valid(self, instrument: UUID, on: date) -> bool:
        return any(since <= on <= until for since, until in self._valid.get(instrument, ()))

    def wrong_on(self, instrument: UUID, on: date) -> date | None:
        """The day on which the instrument was found to have been wrong *on* that day."""
        found = [found for since, until, found in self._wrong.get(instrument, ()) if since <= on <= until]
        return min(found, default=None)

    def supports(self, instruments: Iterable[UUID], on: date) -> tuple[bool, date | None]:
        """Whether all of *instruments* were valid on that day, and when one of them was found to have been wrong on it."""
        used = list(instruments)
        wrong = min((found for key in used if (found := self.wrong_on(key, on))), default=None)
        return all(self.is_valid(key, on) for key in used), wrong


def read_facts(
    vehicle_ids: Collection[UUID], known_at: datetime | None = None
) -> dict[UUID, tuple[VehicleShape, VehicleFacts]]:
    """The shape and the facts of each vehicle, from the records that stood at *known_at* (now)."""
    vehicles = Vehicle.objects.filter(pk__in=vehicle_ids)
    shapes = shapes_of(vehicles)
    days = _Days()
    references = References(known_at)
    systems = defaultdict(list)
    for key, vehicle, since, until in WeighingSystem.objects.filter(vehicle__in=vehicle_ids).values_list(
        "pk", "vehicle_id", "fitted_on", "removed_on"
    ):
        systems[vehicle].append((key, since, until))
    calibrations = _calibrations(vehicle_ids, known_at, shapes, days, references)
    checks = _checks(vehicle_ids, known_at, shapes, days, references)
    repairs = _repairs(vehicle_ids, known_at, shapes, days)
    inspections = _inspections(vehicle_ids, known_at, shapes, days)
    return {
        key: (
            shape,
            VehicleFacts(
                groups=tuple(group.position for group in shape.groups),
                in_service_on=shape.in_service_on,
                registered_on=shape.registered_on,
                retired_on=shape.retired_on,
                systems=tuple(systems[key]),
                calibrations=tuple(calibrations[key]),
                checks=tuple(checks[key]),
                repairs=tuple(repairs[key]),
                inspections=tuple(inspections[key]),
            ),
        )
        for key, shape in shapes.items()
    }


class _Days:
    """The calendar day of a moment at a depot."""

    def __init__(self) -> None:
        self._zones = {key: ZoneInfo(name) for key, name in Depot.objects.values_list("pk", "time_zone")}

    def at(self, shape: VehicleShape, moment: datetime) -> date:
        return moment.astimezone(self._zones[shape.depot_id]).date()


def _calibrations(
    ids: Collection[UUID],
    known_at: datetime | None,
    shapes: dict[UUID, VehicleShape],
    days: _Days,
    references: References,
) -> dict[UUID, list[CalibrationFact]]:
    standing = Calibration.objects.filter(vehicle__in=ids).standing(known_at)
    inner = standing.order_by().values("pk")
    instruments: dict[UUID, set[UUID]] = defaultdict(set)
    for calibration, instrument in (
        CalibrationReading.objects.filter(calibration__in=inner)
        .order_by()
        .values_list("calibration_id", "instrument_id")
        .distinct()
    ):
        instruments[calibration].add(instrument)
    excused = set(
        AcceptanceOutcome.objects.filter(calibration__in=inner, rule="bond_cured")
        .exclude(excuse="")
        .values_list("calibration_id", flat=True)
    )
    found: dict[UUID, list[CalibrationFact]] = defaultdict(list)
    columns = ("pk", "vehicle_id", "happened_at", "accepted", "covers_groups", "system_id", "odometer_km")
    for key, vehicle, at, accepted, groups, system, odometer in standing.values_list(*columns):
        on = days.at(shapes[vehicle], at)
        supported, wrong = references.supports(instruments[key], on)
        found[vehicle].append(
            CalibrationFact(
                key, on, at, accepted, frozenset(groups), system, supported, key in excused, odometer, wrong
            )
        )
    return found


def _checks(
    ids: Collection[UUID],
    known_at: datetime | None,
    shapes: dict[UUID, VehicleShape],
    days: _Days,
    references: References,
) -> dict[UUID, list[CheckFact]]:
    standing = Check.objects.filter(vehicle__in=ids).standing(known_at)
    needed = standing.filter(_matters_for_standing())
    words: dict[UUID, dict[int, str]] = defaultdict(dict)
    results = (
        CheckResult.objects.filter(comparison__in=needed.order_by().values("pk")).exclude(word="").order_by()
    )
    for check, subject, word in results.values_list("comparison_id", "subject", "word"):
        words[check][subject] = word
    found: dict[UUID, list[CheckFact]] = defaultdict(list)
    columns = ("pk", "vehicle_id", "happened_at", "purpose", "counts", "instrument_id", "odometer_km")
    for key, vehicle, at, purpose, counts, instrument, odometer in needed.values_list(*columns):
        on = days.at(shapes[vehicle], at)
        supported, wrong = references.supports([instrument], on)
        found[vehicle].append(CheckFact(key, on, at, purpose, counts, words[key], supported, odometer, wrong))
    return found


def _matters_for_standing() -> Q:
    """Everyday tickets are many and mostly silent: only those outside tolerance matter, unless a policy lets them count or asks for km."""
    versions = PolicyVersion.objects.all()
    if versions.filter(Q(trade_tickets_count=True) | Q(longest_distance_km__isnull=False)).exists():
        return Q()
    outside = CheckResult.objects.filter(comparison=OuterRef("pk"), word__in=sorted(FAILED))
    return ~Q(purpose="trade") | Q(Exists(outside))


def _repairs(
    ids: Collection[UUID], known_at: datetime | None, shapes: dict[UUID, VehicleShape], days: _Days
) -> dict[UUID, list[RepairFact]]:
    found: dict[UUID, list[RepairFact]] = defaultdict(list)
    columns = ("pk", "vehicle_id", "happened_at", "effect", "groups", "component", "work", "odometer_km")
    for row in Repair.objects.filter(vehicle__in=ids).standing(known_at).values_list(*columns):
        key, vehicle, at, effect, groups, component, work, odometer = row
        on = days.at(shapes[vehicle], at)
        found[vehicle].append(RepairFact(key, on, at, effect, frozenset(groups), component, work, odometer))
    return found


def _inspections(
    ids: Collection[UUID], known_at: datetime | None, shapes: dict[UUID, VehicleShape], days: _Days
) -> dict[UUID, list[InspectionFact]]:
    found: dict[UUID, list[InspectionFact]] = defaultdict(list)
    columns = ("pk", "vehicle_id", "happened_at", "passed", "test", "next_due_on")
    standing = Inspection.objects.filter(vehicle__in=ids).standing(known_at)
    for key, vehicle, at, passed, test, next_due_on in standing.values_list(*columns):
        on = days.at(shapes[vehicle], at)
        found[vehicle].append(InspectionFact(key, on, at, passed, test, next_due_on))
    return found
