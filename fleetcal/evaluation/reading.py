"""Reading the records of many vehicles at once into the plain facts that a standing is computed from: a fixed number of queries."""

from collections import defaultdict
from collections.abc import Collection
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
from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.models import (
    Depot,
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


def read_facts(
    vehicle_ids: Collection[UUID], known_at: datetime | None = None
) -> dict[UUID, tuple[VehicleShape, VehicleFacts]]:
    """The shape and the facts of each vehicle, from the records that stood at *known_at* (now)."""
    vehicles = Vehicle.objects.filter(pk__in=vehicle_ids)
    shapes = shapes_of(vehicles)
    days = _Days()
    book = InstrumentBook()
    systems = defaultdict(list)
    for key, vehicle, since, until in WeighingSystem.objects.filter(vehicle__in=vehicle_ids).values_list(
        "pk", "vehicle_id", "fitted_on", "removed_on"
    ):
        systems[vehicle].append((key, since, until))
    calibrations = _calibrations(vehicle_ids, known_at, shapes, days, book)
    checks = _checks(vehicle_ids, known_at, shapes, days, book)
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
    book: InstrumentBook,
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
    columns = (
        "pk",
        "vehicle_id",
        "happened_at",
        "accepted",
        "covers_groups",
        "system_id",
        "odometer_km",
        "started_at",
    )
    for key, vehicle, at, accepted, groups, system, odometer, begun in standing.values_list(*columns):
        on = days.at(shapes[vehicle], at)
        supported, wrong = book.supports(instruments[key], on, known_at)
        found[vehicle].append(
            CalibrationFact(
                key,
                on,
                at,
                accepted,
                frozenset(groups),
                system,
                supported,
                key in excused,
                odometer,
                wrong,
                begun,
            )
        )
    return found


def _checks(
    ids: Collection[UUID],
    known_at: datetime | None,
    shapes: dict[UUID, VehicleShape],
    days: _Days,
    book: InstrumentBook,
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
        supported, wrong = book.supports([instrument], on, known_at)
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
