"""The plain facts that a standing is computed from. Days are calendar days at the vehicle's depot; masses do not occur here."""

from calendar import monthrange
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

GROSS = 0
FAILED = frozenset({"fail", "conditional fail"})
PASSED = frozenset({"pass", "conditional pass"})
# Commission Implementing Regulation (EU) 2019/1213, Annex IV 10.
REINSPECTION_MONTHS = 2

# What orders facts in time: the day, the rank within the day, the moment.
Place = tuple[datetime, int]


@dataclass(frozen=True, slots=True)
class Terms:
    """What a policy version says about when; days, and km for the distance."""

    longest_interval_days: int
    planning_window_days: int
    first_check_days: int
    early_check_days: int
    conditional_recheck_days: int
    repair_check_days: int
    longest_distance_km: int | None = None
    trade_tickets_count: bool = False
    follows_eu_cadence: bool = False


@dataclass(frozen=True, slots=True)
class CalibrationFact:
    id: UUID
    on: date
    at: datetime
    accepted: bool
    groups: frozenset[int]
    system: UUID
    is_supported: bool = True
    bond_excused: bool = False
    odometer_km: int | None = None
    reference_wrong_on: date | None = None  # the day on which its reference was found wrong
    begun_at: datetime | None = None  # its first reading; *at* is when it was concluded


@dataclass(frozen=True, slots=True)
class CheckFact:
    """*words* maps a subject (0 the gross, else a group's position) to its decision; subjects without one are left out."""

    id: UUID
    on: date
    at: datetime
    purpose: str
    counts: bool
    words: Mapping[int, str]
    is_supported: bool = True
    odometer_km: int | None = None
    reference_wrong_on: date | None = None


@dataclass(frozen=True, slots=True)
class RepairFact:
    id: UUID
    on: date
    at: datetime
    effect: str
    groups: frozenset[int]
    component: str
    work: str
    odometer_km: int | None = None


@dataclass(frozen=True, slots=True)
class InspectionFact:
    """An approved workshop's inspection by Regulation (EU) 2019/1213: information, no standing rests on it."""

    id: UUID
    on: date
    at: datetime
    passed: bool
    test: str
    next_due_on: date | None = None  # as the report names it

    @property
    def next_on(self) -> date | None:
        """When the next inspection is due: on the report's own day, but two months after a failed one at the latest."""
        if self.passed:
            return self.next_due_on
        latest = _months_later(self.on, REINSPECTION_MONTHS)
        return min(self.next_due_on or latest, latest)


Fact = CalibrationFact | CheckFact | RepairFact


@dataclass(frozen=True, slots=True)
class VehicleFacts:
    """Everything on record about one vehicle, in any order. *systems* are (id, fitted on, removed on)."""

    groups: tuple[int, ...]
    in_service_on: date
    registered_on: date | None = None
    retired_on: date | None = None
    systems: tuple[tuple[UUID, date, date | None], ...] = ()
    calibrations: tuple[CalibrationFact, ...] = ()
    checks: tuple[CheckFact, ...] = ()
    repairs: tuple[RepairFact, ...] = ()
    inspections: tuple[InspectionFact, ...] = ()

    def system_on(self, day: date) -> tuple[UUID, date] | None:
        """The weighing system fitted on *day*, with the day of its fitting."""
        fitted = [
            (since, key)
            for key, since, until in self.systems
            if since <= day and (until is None or day <= until)
        ]
        return (max(fitted)[1], max(fitted)[0]) if fitted else None


def place_of(fact: Fact) -> Place:
    """Order in time by the clock; at one moment, as found comes before everything else and as left after it."""
    rank = {"as found": 0, "as left": 2}.get(fact.purpose, 1) if isinstance(fact, CheckFact) else 1
    return fact.at, rank


def is_calibrated_after(calibration: CalibrationFact, fact: Fact) -> bool:
    """Whether *calibration* came after *fact*. An as-left check belongs to the calibration that had begun before it."""
    if isinstance(fact, CheckFact) and fact.purpose == "as left":
        return (calibration.begun_at or calibration.at) > fact.at
    return place_of(calibration) > place_of(fact)


def _months_later(day: date, months: int) -> date:
    years, month = divmod(day.month - 1 + months, 12)
    year, month = day.year + years, month + 1
    # 31 December and two months end with February, never a day late.
    return date(year, month, min(day.day, monthrange(year, month)[1]))
