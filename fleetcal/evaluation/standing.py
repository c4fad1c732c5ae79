"""How a vehicle stands on a day: a pure function of its records, the policy's terms and the day.

Facts later than the day are ignored, so the same facts answer for any past day. Who knew what when is decided by which facts are
handed in.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from uuid import UUID

from fleetcal.evaluation.facts import (
    FAILED,
    GROSS,
    PASSED,
    CalibrationFact,
    CheckFact,
    Fact,
    InspectionFact,
    RepairFact,
    Terms,
    VehicleFacts,
    is_calibrated_after,
    place_of,
)
from fleetcal.metrology.eu_obw import SINGLE_LOAD, THREE_LOADS, inspection_dates

# Two years and a leap day: within it lies the first inspection after any fitting.
CADENCE = timedelta(days=2 * 365 + 1)


class StandingWord(StrEnum):
    """Worst first; the worst that applies wins."""

    DO_NOT_RELY = "do not rely"
    NOT_ON_RECORD = "not on record"
    OVERDUE = "overdue"
    CHECK_DUE = "check due"
    RELIABLE = "reliable"

    @property
    def severity(self) -> int:
        return list(StandingWord).index(self)


class Action(StrEnum):
    RECALIBRATE = "recalibrate"
    CALIBRATE = "calibrate"
    CHECK = "check"
    INSPECT = "inspect"  # by an approved workshop, for information
    VERIFY = "verify"  # a reference instrument


class Cause(StrEnum):
    PART_REPLACED = "part replaced"
    FAILED_CHECK = "failed check"
    NO_CALIBRATION = "no calibration"
    SUSPENSION_WORK = "suspension work"
    TICKET_OUTSIDE = "ticket outside tolerance"
    REFERENCE_WRONG = "reference found wrong"
    CONDITIONAL_PASS = "conditional pass"
    EXCUSED_BOND = "excused bond"
    FIRST_CHECK = "first check"
    LONGEST_INTERVAL = "longest interval"
    LONGEST_DISTANCE = "longest distance"
    EU_CADENCE = "EU 2019/1213 cadence"
    CERTIFICATE_ENDS = "certificate ends"
    # what a vehicle in order rests on
    CALIBRATED = "calibrated"
    CHECKED = "checked"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a vehicle stands as it does: a cause, what it concerns, and the record behind it."""

    cause: Cause
    subject: int = GROSS
    on: date | None = None
    record: UUID | None = None
    record_kind: str = ""
    detail: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Obligation:
    """What is to be done by when. *also* are further reasons for the same action that ask for it later."""

    action: Action
    due_on: date
    opens_on: date
    reason: Reason
    also: tuple[Reason, ...] = ()
    is_information: bool = False


@dataclass(frozen=True, slots=True)
class StandingOnDay:
    """*changes_on* is the first day on which the word or an obligation can change if nothing more is recorded."""

    day: date
    word: StandingWord
    reasons: tuple[Reason, ...]
    obligations: tuple[Obligation, ...]
    changes_on: date | None

    @property
    def due_on(self) -> date | None:
        return min((o.due_on for o in self.obligations if not o.is_information), default=None)


def standing_on(facts: VehicleFacts, terms: Terms, day: date) -> StandingOnDay:
    """The standing of the vehicle on *day* under *terms* (domain.md, "Standing of a vehicle on a day")."""
    history = _History(facts, terms, day)
    unreliable = tuple(_open_faults(history))
    missing = tuple(_missing_calibrations(history))
    obligations = [
        *_demand(Action.RECALIBRATE, unreliable, history),
        *_demand(Action.CALIBRATE, missing, history),
        *_check_obligation(history),
        *_eu_obligation(history),
    ]
    word, reasons = _worst(history, unreliable, missing, obligations)
    return StandingOnDay(day, word, reasons, tuple(obligations), _next_change(history, obligations))


class _History:
    """The facts up to the day, sorted, with what satisfies what."""

    def __init__(self, facts: VehicleFacts, terms: Terms, day: date) -> None:
        self.facts, self.terms, self.day = facts, terms, day
        self.system = facts.system_on(day)
        self.repairs = sorted((r for r in facts.repairs if r.on <= day), key=place_of)
        self.checks = sorted((c for c in facts.checks if c.on <= day), key=place_of)
        self.calibrations = sorted((c for c in facts.calibrations if c.on <= day), key=place_of)
        self.accepted = [
            c
            for c in self.calibrations
            if c.accepted and self.supports(c) and self.system is not None and c.system == self.system[0]
        ]
        self.passed = [
            c
            for c in self.checks
            if c.counts
            and self.supports(c)
            and (c.purpose != "trade" or terms.trade_tickets_count)
            and c.words.get(GROSS) in PASSED
            and not FAILED.intersection(c.words.values())
        ]
        self.good: list[CalibrationFact | CheckFact] = sorted([*self.accepted, *self.passed], key=place_of)

    def calibrated_after(self, fact: Fact, groups: Iterable[int]) -> bool:
        """Whether every one of *groups* has an accepted calibration after *fact*."""
        later = [c for c in self.accepted if is_calibrated_after(c, fact)]
        return all(any(group in c.groups for c in later) for group in groups)

    def made_good_after(self, fact: Fact, groups: Iterable[int] = ()) -> bool:
        """Whether a counted check, or accepted calibrations of every one of *groups* (all of them), came after *fact*."""
        checked = any(place_of(check) > place_of(fact) for check in self.passed)
        return checked or self.calibrated_after(fact, tuple(groups) or self.facts.groups)

    def supports(self, fact: CalibrationFact | CheckFact) -> bool:
        """Whether *fact* can satisfy anything: its references were valid, and none had been found wrong by the day."""
        return fact.is_supported and not self.rests_on_wrong(fact)

    def rests_on_wrong(self, fact: CalibrationFact | CheckFact) -> bool:
        return fact.reference_wrong_on is not None and fact.reference_wrong_on <= self.day

    def last_good_of(self, group: int) -> CalibrationFact | CheckFact | None:
        """The newest counted check, or accepted calibration of *group*."""
        covering = [f for f in self.good if isinstance(f, CheckFact) or group in f.groups]
        return covering[-1] if covering else None

    def still_asks_early(self, group: int) -> CalibrationFact | None:
        """The calibration before the bond had cured that only an as-left check has followed: that proves nothing of the cure."""
        covering = [f for f in self.good if isinstance(f, CheckFact) or group in f.groups]
        held = [f for f in covering if not (isinstance(f, CheckFact) and f.purpose == "as left")]
        last = held[-1] if held else None
        return last if isinstance(last, CalibrationFact) and last.bond_excused else None


def _open_faults(history: _History) -> Iterator[Reason]:
    """What says that the display is not to be relied on, and has not been made good by a calibration since."""
    for repair in history.repairs:
        if repair.effect not in {"recalibrate group", "recalibrate vehicle"}:
            continue
        whole = repair.effect == "recalibrate vehicle"
        groups = history.facts.groups if whole else tuple(sorted(repair.groups))
        if not history.calibrated_after(repair, groups):
            yield _repair_reason(repair, Cause.PART_REPLACED, GROSS if whole else groups[0])
    for check in history.checks:
        is_evidence = check.purpose != "trade" or history.terms.trade_tickets_count
        if not is_evidence or history.rests_on_wrong(check):
            continue
        for subject, word in sorted(check.words.items()):
            groups = history.facts.groups if subject == GROSS else (subject,)
            if word in FAILED and not history.calibrated_after(check, groups):
                yield Reason(
                    Cause.FAILED_CHECK,
                    subject,
                    check.on,
                    check.id,
                    "check",
                    {"word": word, "purpose": check.purpose},
                )


def _missing_calibrations(history: _History) -> Iterator[Reason]:
    never = [g for g in history.facts.groups if not any(g in c.groups for c in history.accepted)]
    if not never and history.accepted:
        return
    if history.system is None:
        yield Reason(Cause.NO_CALIBRATION, GROSS, history.facts.in_service_on, detail={"system": "none"})
    elif len(never) == len(history.facts.groups):
        yield Reason(Cause.NO_CALIBRATION, GROSS, history.system[1])
    else:
        yield from (Reason(Cause.NO_CALIBRATION, group, history.system[1]) for group in never)
    for calibration in history.calibrations:
        if calibration.accepted and history.rests_on_wrong(calibration) and calibration.groups & set(never):
            yield _wrong_reference(calibration)


def _demand(action: Action, reasons: Sequence[Reason], history: _History) -> Iterator[Obligation]:
    """An obligation that is due at once, from the day of its oldest reason."""
    if reasons:
        since = min(reason.on or history.day for reason in reasons)
        yield Obligation(action, since, since, reasons[0], tuple(reasons[1:]))


def _check_obligation(history: _History) -> Iterator[Obligation]:
    """One obligation to check, by the earliest of the days on which something asks for it."""
    if not history.accepted:
        return
    asked = sorted(_check_dates(history), key=lambda pair: (pair[0], list(Cause).index(pair[1].cause)))
    due, reason = asked[0]
    opens = due - timedelta(days=history.terms.planning_window_days)
    yield Obligation(
        Action.CHECK, due, max(opens, reason.on or opens), reason, tuple(other for _, other in asked[1:])
    )


def _check_dates(history: _History) -> Iterator[tuple[date, Reason]]:
    yield from _scheduled(history)
    soon = timedelta(days=history.terms.repair_check_days)
    for repair in history.repairs:
        if repair.effect == "check" and not history.made_good_after(repair, repair.groups):
            yield (
                repair.on + soon,
                _repair_reason(repair, Cause.SUSPENSION_WORK, min(repair.groups, default=GROSS)),
            )
    for check in history.checks:
        outside = sorted(subject for subject, word in check.words.items() if word in FAILED)
        if not outside or check.purpose != "trade" or history.terms.trade_tickets_count:
            continue
        if not history.rests_on_wrong(check) and not history.made_good_after(check):
            detail = {"word": check.words[outside[0]]}
            yield (
                check.on + soon,
                Reason(Cause.TICKET_OUTSIDE, outside[0], check.on, check.id, "check", detail),
            )
    yield from _wrong_references(history, soon)
    yield from _distance(history)


def _scheduled(history: _History) -> Iterator[tuple[date, Reason]]:
    """The day that the newest calibration or counted check of each group leads to: a calibration of one group dates no other."""
    newest = [last for group in history.facts.groups if (last := history.last_good_of(group)) is not None]
    newest += [
        early for group in history.facts.groups if (early := history.still_asks_early(group)) is not None
    ]
    for last in {fact.id: fact for fact in newest}.values():
        yield _next_check(last, history.terms)


def _next_check(last: CalibrationFact | CheckFact, terms: Terms) -> tuple[date, Reason]:
    if isinstance(last, CalibrationFact):
        days = terms.early_check_days if last.bond_excused else terms.first_check_days
        cause = Cause.EXCUSED_BOND if last.bond_excused else Cause.FIRST_CHECK
    elif "conditional pass" in last.words.values():
        days, cause = terms.conditional_recheck_days, Cause.CONDITIONAL_PASS
    elif last.purpose == "as left":
        # It proves the calibration of that day, not that the display holds it.
        days, cause = terms.first_check_days, Cause.FIRST_CHECK
    else:
        days, cause = terms.longest_interval_days, Cause.LONGEST_INTERVAL
    days = min(days, terms.longest_interval_days)
    kind = "calibration" if isinstance(last, CalibrationFact) else "check"
    return last.on + timedelta(days=days), Reason(cause, GROSS, last.on, last.id, kind, {"days": str(days)})


def _wrong_references(history: _History, soon: timedelta) -> Iterator[tuple[date, Reason]]:
    resting: list[CalibrationFact | CheckFact] = [*history.calibrations, *history.checks]
    for fact in resting:
        groups = fact.groups if isinstance(fact, CalibrationFact) else ()
        if history.rests_on_wrong(fact) and not history.made_good_after(fact, groups):
            reason = _wrong_reference(fact)
            yield (reason.on or history.day) + soon, reason


def _wrong_reference(fact: CalibrationFact | CheckFact) -> Reason:
    kind = "calibration" if isinstance(fact, CalibrationFact) else "check"
    return Reason(Cause.REFERENCE_WRONG, GROSS, fact.reference_wrong_on, fact.id, kind)


def _distance(history: _History) -> Iterator[tuple[date, Reason]]:
    longest = history.terms.longest_distance_km
    start = next((fact for fact in reversed(history.good) if fact.odometer_km is not None), None)
    if longest is None or start is None or start.odometer_km is None:
        return
    everything: list[Fact] = [*history.calibrations, *history.checks, *history.repairs]
    for fact in sorted((f for f in everything if place_of(f) > place_of(start)), key=place_of):
        if fact.odometer_km is not None and fact.odometer_km - start.odometer_km >= longest:
            detail = {"km": str(fact.odometer_km - start.odometer_km), "limit_km": str(longest)}
            yield fact.on, Reason(Cause.LONGEST_DISTANCE, GROSS, fact.on, fact.id, "odometer", detail)
            return


def _eu_obligation(history: _History) -> Iterator[Obligation]:
    """The two-yearly inspection of Regulation (EU) 2019/1213: for information, by an approved workshop."""
    if not history.terms.follows_eu_cadence or history.system is None:
        return
    since = history.system[1]
    reported = [each for each in history.facts.inspections if since <= each.on <= history.day]
    if reported:
        yield from _after_report(history, max(reported, key=lambda each: (each.on, each.at)))
        return
    registered = history.facts.registered_on or history.facts.in_service_on
    # The first one since the fitting stays due until a report is recorded: it does not lapse by being missed.
    for inspection in inspection_dates(registered, since, since + CADENCE)[:1]:
        opens = inspection.due_on - timedelta(days=history.terms.planning_window_days)
        reason = Reason(Cause.EU_CADENCE, detail={"test": inspection.test})
        yield Obligation(Action.INSPECT, inspection.due_on, opens, reason, is_information=True)


def _after_report(history: _History, last: InspectionFact) -> Iterator[Obligation]:
    """The day that the newest report of the fitted system leads to; it stays when it has passed, until a newer report."""
    due = last.next_on
    if due is None:
        return
    following = {THREE_LOADS: SINGLE_LOAD, SINGLE_LOAD: THREE_LOADS}.get(last.test, last.test)
    detail = {"test": following if last.passed else last.test, "after": "passed" if last.passed else "failed"}
    opens = max(last.on, due - timedelta(days=history.terms.planning_window_days))
    reason = Reason(Cause.EU_CADENCE, GROSS, last.on, last.id, "inspection", detail)
    yield Obligation(Action.INSPECT, due, opens, reason, is_information=True)


def _worst(
    history: _History,
    unreliable: tuple[Reason, ...],
    missing: tuple[Reason, ...],
    obligations: Sequence[Obligation],
) -> tuple[StandingWord, tuple[Reason, ...]]:
    checks = [o for o in obligations if o.action is Action.CHECK]
    asked = tuple(reason for o in checks for reason in (o.reason, *o.also))
    if unreliable:
        return StandingWord.DO_NOT_RELY, (*unreliable, *missing)
    if missing:
        return StandingWord.NOT_ON_RECORD, missing
    if any(o.due_on < history.day for o in checks):
        return StandingWord.OVERDUE, asked
    if any(o.opens_on <= history.day for o in checks):
        return StandingWord.CHECK_DUE, asked
    return StandingWord.RELIABLE, tuple(_grounds(history))


def _grounds(history: _History) -> Iterator[Reason]:
    last = history.accepted[-1]
    yield Reason(Cause.CALIBRATED, GROSS, last.on, last.id, "calibration")
    if history.passed:
        check = history.passed[-1]
        yield Reason(Cause.CHECKED, GROSS, check.on, check.id, "check", {"word": check.words[GROSS]})


def _repair_reason(repair: RepairFact, cause: Cause, subject: int) -> Reason:
    detail = {"component": repair.component, "work": repair.work, "effect": repair.effect}
    return Reason(cause, subject, repair.on, repair.id, "repair", detail)


def _next_change(history: _History, obligations: Sequence[Obligation]) -> date | None:
    facts = history.facts
    turning = [moment for o in obligations for moment in (o.opens_on, o.due_on + timedelta(days=1))]
    # Facts of later days: the depot's day may be ahead of the day that was asked for, and a fitting may be dated ahead.
    resting: list[CalibrationFact | CheckFact] = [*facts.calibrations, *facts.checks]
    turning += [fact.on for fact in (*resting, *facts.repairs, *facts.inspections)]
    turning += [fact.reference_wrong_on for fact in resting if fact.reference_wrong_on]
    for _, since, until in facts.systems:
        turning += [since] if until is None else [since, until + timedelta(days=1)]
    return min((moment for moment in turning if moment > history.day), default=None)
