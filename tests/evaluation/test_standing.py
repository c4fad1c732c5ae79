"""The rules of the trade for how a vehicle stands on a day (common practice, no source), case by case on a vehicle of two groups."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetcal.evaluation.facts import CalibrationFact, CheckFact, RepairFact, Terms, VehicleFacts
from fleetcal.evaluation.standing import (
    Action,
    Cause,
    Obligation,
    StandingOnDay,
    StandingWord,
    standing_on,
)

TERMS = Terms(
    longest_interval_days=365,
    planning_window_days=28,
    first_check_days=180,
    early_check_days=30,
    conditional_recheck_days=90,
    repair_check_days=14,
)
FITTED = date(2024, 1, 10)
FIRST, SECOND = UUID(int=1), UUID(int=2)
GOOD = {0: "pass", 1: "pass", 2: "pass"}


def day(text: str) -> date:
    """A day of 2025 written like 3-24."""
    month, number = map(int, text.split("-"))
    return date(2025, month, number)


def moment(on: date, hour: int) -> datetime:
    return datetime.combine(on, time(hour), UTC)


def calibration(on: str, hour: int = 12, **fields: Any) -> CalibrationFact:
    when = day(on)
    base = CalibrationFact(UUID(int=1000 * when.toordinal() + hour), when, moment(when, hour), True, frozenset({1, 2}), FIRST)  # fmt: skip
    return replace(base, **fields)


def check(on: str, words: Mapping[int, str] = GOOD, hour: int = 12, **fields: Any) -> CheckFact:
    when = day(on)
    return replace(CheckFact(UUID(int=5), when, moment(when, hour), "check", True, words), **fields)


def ticket(on: str, words: Mapping[int, str], **fields: Any) -> CheckFact:
    return check(on, words, **{"purpose": "trade", "counts": False, **fields})


def repair(on: str, effect: str, groups: set[int], hour: int = 12, **fields: Any) -> RepairFact:
    when = day(on)
    base = RepairFact(
        UUID(int=6), when, moment(when, hour), effect, frozenset(groups), "leaf spring", "replaced"
    )
    return replace(base, **fields)


def facts(*records: CalibrationFact | CheckFact | RepairFact, **fields: Any) -> VehicleFacts:
    base = VehicleFacts(
        groups=(1, 2),
        in_service_on=date(2023, 5, 1),
        registered_on=date(2023, 5, 1),
        systems=((FIRST, FITTED, None),),
        calibrations=tuple(r for r in records if isinstance(r, CalibrationFact)),
        checks=tuple(r for r in records if isinstance(r, CheckFact)),
        repairs=tuple(r for r in records if isinstance(r, RepairFact)),
    )
    return replace(base, **fields)


START = calibration("1-10")


@dataclass(frozen=True, slots=True)
class Case:
    """On *on*, a vehicle with *facts* stands as *word* for *reasons* ("cause" or "cause @subject"), its next action due on *due*."""

    facts: VehicleFacts
    on: str
    word: str
    reasons: tuple[str, ...]
    due: str | None = None
    terms: Terms = TERMS


REPLACED = repair("3-1", "recalibrate group", {2})
WRONG = day("4-1")
GROUP_1, GROUP_2 = frozenset({1}), frozenset({2})

CASES: dict[str, Case] = {
    # reliable
    "calibrated": Case(facts(START), "1-10", "reliable", ("calibrated",), "7-9"),
    "calibrated and checked": Case(facts(START, check("6-1")), "6-1", "reliable", ("calibrated", "checked")),
    "the day before the window": Case(facts(START), "6-10", "reliable", ("calibrated",), "7-9"),
    # check due and overdue
    "the first day of the window": Case(facts(START), "6-11", "check due", ("first check",), "7-9"),
    "the due day itself": Case(facts(START), "7-9", "check due", ("first check",), "7-9"),
    "the day after": Case(facts(START), "7-10", "overdue", ("first check",), "7-9"),
    "longest interval after a check": Case(
        facts(calibration("1-2"), check("1-3")), "12-31", "check due", ("longest interval",)
    ),
    "an interval that is shorter than the first check": Case(
        facts(START), "2-5", "check due", ("first check",), "2-9", replace(TERMS, longest_interval_days=30)
    ),
    "a check after the window closed": Case(
        facts(START, check("7-20")), "7-20", "reliable", ("calibrated", "checked")
    ),
    # not on record
    "nothing": Case(facts(), "2-1", "not on record", ("no calibration @0",)),
    "no system": Case(facts(systems=()), "2-1", "not on record", ("no calibration @0",)),
    "a calibration that was not accepted": Case(
        facts(replace(START, accepted=False)), "2-1", "not on record", ("no calibration @0",)
    ),
    "an unsupported calibration": Case(
        facts(replace(START, is_supported=False)), "2-1", "not on record", ("no calibration @0",)
    ),
    "checked but never calibrated": Case(
        facts(check("1-20")), "2-1", "not on record", ("no calibration @0",)
    ),
    "one group calibrated": Case(
        facts(replace(START, groups=GROUP_1)), "2-1", "not on record", ("no calibration @2",)
    ),
    "one group after the other": Case(
        facts(replace(START, groups=GROUP_1), calibration("1-20", groups=GROUP_2)), "2-1", "reliable",
        ("calibrated",), "7-9",
    ),
    "the display replaced": Case(
        facts(START, systems=((FIRST, FITTED, day("3-1")), (SECOND, day("3-1"), None))), "3-1",
        "not on record", ("no calibration @0",), "3-1",
    ),
    "the display replaced, the day before": Case(
        facts(START, systems=((FIRST, FITTED, day("3-1")), (SECOND, day("3-1"), None))), "2-28",
        "reliable", ("calibrated",),
    ),
    "the new display calibrated": Case(
        facts(START, calibration("3-2", system=SECOND),
              systems=((FIRST, FITTED, day("3-1")), (SECOND, day("3-1"), None))),
        "3-2", "reliable", ("calibrated",), "8-29",
    ),
    "the display taken off": Case(
        facts(START, systems=((FIRST, FITTED, day("3-1")),)), "3-2", "not on record", ("no calibration @0",)
    ),
    # failed checks
    "a failed gross": Case(
        facts(START, check("3-1", {0: "fail", 1: "pass", 2: "pass"})), "3-1", "do not rely", ("failed check @0",),
        "3-1",
    ),
    "a conditional fail of one group": Case(
        facts(START, check("3-1", {0: "pass", 1: "pass", 2: "conditional fail"})), "3-5", "do not rely",
        ("failed check @2",),
    ),
    "a failed check counts although it does not satisfy": Case(
        facts(START, check("3-1", {0: "fail"}, counts=False, is_supported=False)), "3-1", "do not rely",
        ("failed check @0",),
    ),
    "a later pass does not make it good": Case(
        facts(START, check("3-1", {0: "fail"}), check("3-2")), "3-2", "do not rely", ("failed check @0",)
    ),
    "a calibration makes it good": Case(
        facts(START, check("3-1", {0: "fail"}), calibration("3-2")), "3-2", "reliable", ("calibrated",), "8-29"
    ),
    "a calibration that was not accepted does not": Case(
        facts(START, check("3-1", {0: "fail"}), calibration("3-2", accepted=False)), "3-2", "do not rely",
        ("failed check @0",),
    ),
    "a calibration of the failed group makes it good": Case(
        facts(START, check("3-1", {0: "pass", 2: "fail"}), calibration("3-2", groups=GROUP_2)), "3-2",
        "reliable", ("calibrated",),
    ),
    "a calibration of the other group does not": Case(
        facts(START, check("3-1", {0: "pass", 2: "fail"}), calibration("3-2", groups=GROUP_1)), "3-2",
        "do not rely", ("failed check @2",),
    ),
    "a failed gross takes every group": Case(
        facts(START, check("3-1", {0: "fail"}), calibration("3-2", groups=GROUP_2)), "3-2", "do not rely",
        ("failed check @0",),
    ),
    "a failed gross, made good group by group": Case(
        facts(START, check("3-1", {0: "fail"}), calibration("3-2", groups=GROUP_2),
              calibration("3-3", groups=GROUP_1)),
        "3-3", "reliable", ("calibrated",),
    ),
    "failed as found, adjusted and calibrated on that day": Case(
        facts(START, check("3-1", {0: "fail"}, hour=9, purpose="as found"), calibration("3-1", hour=11)),
        "3-1", "reliable", ("calibrated",),
    ),
    "failed as found at the very moment of the calibration": Case(
        facts(START, check("3-1", {0: "fail"}, hour=11, purpose="as found"), calibration("3-1", hour=11)),
        "3-1", "reliable", ("calibrated",),
    ),
    "found out of tolerance again after that day's calibration": Case(
        facts(START, check("3-1", {0: "fail"}, hour=15, purpose="as found"), calibration("3-1", hour=11)),
        "3-1", "do not rely", ("failed check @0",),
    ),
    "failed as left, before the calibration was concluded": Case(
        facts(START, check("3-1", {0: "fail"}, hour=10, purpose="as left"),
              calibration("3-1", hour=11, begun_at=moment(day("3-1"), 8))),
        "3-1", "do not rely", ("failed check @0",),
    ),
    "failed as left, calibrated again the same day": Case(
        facts(START, check("3-1", {0: "fail"}, hour=14, purpose="as left"),
              calibration("3-1", hour=17, begun_at=moment(day("3-1"), 15))),
        "3-1", "reliable", ("calibrated",),
    ),
    # everyday tickets
    "a ticket outside": Case(
        facts(START, ticket("3-1", {0: "fail"})), "3-1", "check due", ("ticket outside tolerance @0", "first check"),
        "3-15",
    ),
    "a ticket outside, not looked after": Case(
        facts(START, ticket("3-1", {1: "fail"})), "3-16", "overdue", ("ticket outside tolerance @1", "first check"),
        "3-15",
    ),
    "a ticket outside, then a check": Case(
        facts(START, ticket("3-1", {0: "fail"}), check("3-4")), "3-16", "reliable", ("calibrated", "checked")
    ),
    "a ticket inside dates no check": Case(
        facts(START, ticket("3-1", GOOD, counts=True)), "3-1", "reliable", ("calibrated",), "7-9"
    ),
    "a ticket outside where tickets count": Case(
        facts(START, ticket("3-1", {0: "fail"})), "3-1", "do not rely", ("failed check @0",), "3-1",
        replace(TERMS, trade_tickets_count=True),
    ),
    "a ticket inside where tickets count": Case(
        facts(START, ticket("3-1", GOOD, counts=True)), "3-1", "reliable", ("calibrated", "checked"), None,
        replace(TERMS, trade_tickets_count=True),
    ),
    # suspension work
    "a part replaced": Case(
        facts(START, REPLACED), "3-1", "do not rely", ("part replaced @2",), "3-1"
    ),
    "a part replaced, then checked": Case(
        facts(START, REPLACED, check("3-2")), "3-2", "do not rely", ("part replaced @2",)
    ),
    "a part replaced, then its group calibrated": Case(
        facts(START, REPLACED, calibration("3-2", groups=GROUP_2)), "3-2", "reliable", ("calibrated",)
    ),
    "calibrated earlier on the day of the work": Case(
        facts(START, REPLACED, calibration("3-1", hour=8)), "3-1", "do not rely", ("part replaced @2",)
    ),
    "calibrated later on the day of the work": Case(
        facts(START, REPLACED, calibration("3-1", hour=16)), "3-1", "reliable", ("calibrated",)
    ),
    "work that concerns the vehicle": Case(
        facts(START, repair("3-1", "recalibrate vehicle", {2}), calibration("3-2", groups=GROUP_2)), "3-2",
        "do not rely", ("part replaced @0",),
    ),
    "work that asks for a check": Case(
        facts(START, repair("3-1", "check", {2})), "3-1", "check due", ("suspension work @2", "first check"), "3-15"
    ),
    "a check that came too late": Case(
        facts(START, repair("3-1", "check", {2})), "3-16", "overdue", ("suspension work @2", "first check"), "3-15"
    ),
    "work that asks for a check, checked": Case(
        facts(START, repair("3-1", "check", {2}), check("3-2")), "3-16", "reliable", ("calibrated", "checked")
    ),
    "work that asks for a check, its group calibrated": Case(
        facts(START, repair("3-1", "check", {2}), calibration("3-2", groups=GROUP_2)), "3-16", "reliable",
        ("calibrated",), "7-9",
    ),
    "work that asks for a check, another group calibrated": Case(
        facts(START, repair("3-1", "check", {2}), calibration("3-2", groups=GROUP_1)), "3-16", "overdue",
        ("suspension work @2", "first check", "first check"), "3-15",
    ),
    "work that asks for a check, checked too light": Case(
        facts(START, repair("3-1", "check", {2}), check("3-2", counts=False)), "3-16", "overdue",
        ("suspension work @2", "first check"),
    ),
    "work that means nothing": Case(
        facts(START, repair("3-1", "none", {2})), "3-1", "reliable", ("calibrated",), "7-9"
    ),
    # what satisfies the schedule
    "a light check dates nothing": Case(
        facts(START, check("6-20", counts=False)), "7-10", "overdue", ("first check",), "7-9"
    ),
    "an unsupported check dates nothing": Case(
        facts(START, check("6-20", is_supported=False)), "7-10", "overdue", ("first check",), "7-9"
    ),
    "a check without a decision on the gross dates nothing": Case(
        facts(START, check("6-20", {1: "pass", 2: "pass"})), "7-10", "overdue", ("first check",), "7-9"
    ),
    "a conditional pass is rechecked early": Case(
        facts(START, check("3-1", {0: "conditional pass", 1: "pass"})), "5-30", "check due", ("conditional pass",),
        "5-30",
    ),
    "a conditional pass of a group as well": Case(
        facts(START, check("3-1", {0: "pass", 1: "conditional pass"})), "5-31", "overdue", ("conditional pass",),
        "5-30",
    ),
    "an excused bond is checked early": Case(
        facts(replace(START, bond_excused=True)), "2-10", "overdue", ("excused bond",), "2-9"
    ),
    "an excused bond, proved as left": Case(
        facts(replace(START, bond_excused=True), check("1-10", purpose="as left")), "2-10", "overdue",
        ("excused bond", "first check"), "2-9",
    ),
    "an excused bond, checked": Case(
        facts(replace(START, bond_excused=True), check("2-9")), "2-10", "reliable", ("calibrated", "checked")
    ),
    "a calibration of one group dates no check of the other": Case(
        facts(START, calibration("6-1", groups=GROUP_2)), "7-10", "overdue", ("first check", "first check"), "7-9"
    ),
    # references found wrong
    "the reference of the calibration found wrong": Case(
        facts(replace(START, reference_wrong_on=WRONG)), "4-1", "not on record", ("no calibration @0", "reference found wrong")
    ),
    "the reference of the calibration, the day before it was found": Case(
        facts(replace(START, reference_wrong_on=WRONG)), "3-31", "reliable", ("calibrated",), "7-9"
    ),
    "the reference of a check found wrong": Case(
        facts(START, check("3-1", reference_wrong_on=WRONG)), "4-1", "check due", ("reference found wrong", "first check"), "4-15"
    ),
    "the reference of a check found wrong, checked again": Case(
        facts(START, check("3-1", reference_wrong_on=WRONG), check("4-3")), "4-20", "reliable", ("calibrated", "checked")
    ),
    "the reference of an old check found wrong": Case(
        facts(START, check("3-1", reference_wrong_on=WRONG), check("3-20")), "4-1", "reliable", ("calibrated", "checked")
    ),
    "a fail that rests on a wrong reference": Case(
        facts(START, check("3-1", {0: "fail"}, reference_wrong_on=WRONG)), "4-1", "check due", ("reference found wrong", "first check"),
        "4-15",
    ),
    "a fail, the day before its reference was found wrong": Case(
        facts(START, check("3-1", {0: "fail"}, reference_wrong_on=WRONG)), "3-31", "do not rely", ("failed check @0",)
    ),
    "a fault that only a calibration on a wrong reference had made good": Case(
        facts(START, REPLACED, calibration("3-2", reference_wrong_on=WRONG)), "4-1", "do not rely", ("part replaced @2",)
    ),
    # distance
    "the longest distance": Case(
        facts(replace(START, odometer_km=10_000), ticket("3-1", GOOD, odometer_km=90_000)), "3-2", "overdue",
        ("longest distance", "first check"), "3-1", replace(TERMS, longest_distance_km=80_000),
    ),
    "a kilometre less": Case(
        facts(replace(START, odometer_km=10_000), ticket("3-1", GOOD, odometer_km=89_999)), "3-2", "reliable",
        ("calibrated",), "7-9", replace(TERMS, longest_distance_km=80_000),
    ),
    "an odometer that was replaced before the last check": Case(
        facts(START, repair("2-1", "none", {1}, odometer_km=700_000), check("3-1", odometer_km=100)), "3-2",
        "reliable", ("calibrated", "checked"), None, replace(TERMS, longest_distance_km=80_000),
    ),
    # worst first
    "a fault and a missing calibration": Case(
        facts(replace(START, groups=GROUP_1), check("3-1", {0: "fail"})), "3-1", "do not rely",
        ("failed check @0", "no calibration @2"),
    ),
    "a fault and an overdue check": Case(
        facts(START, REPLACED), "9-1", "do not rely", ("part replaced @2",), "3-1"
    ),
    "two faults": Case(
        facts(START, REPLACED, check("3-5", {0: "pass", 1: "fail"})), "3-5", "do not rely",
        ("part replaced @2", "failed check @1"),
    ),
    "a missing calibration and an overdue check": Case(
        facts(replace(START, groups=GROUP_1)), "9-1", "not on record", ("no calibration @2",)
    ),
    # the past does not know the future
    "before the failed check": Case(facts(START, check("3-1", {0: "fail"})), "2-28", "reliable", ("calibrated",)),
    "before the calibration": Case(facts(START), "1-9", "not on record", ("no calibration @0",)),
}  # fmt: skip


def told(standing: StandingOnDay) -> tuple[str, ...]:
    return tuple(reason.cause.value for reason in standing.reasons)


@pytest.mark.parametrize("name", CASES)
def test_a_vehicle_stands_as_its_records_say(name: str) -> None:
    case = CASES[name]
    standing = standing_on(case.facts, case.terms, day(case.on))
    assert standing.word == case.word
    wanted = [reason.split(" @") for reason in case.reasons]
    assert told(standing) == tuple(cause for cause, *_ in wanted)
    for reason, (_, *subject) in zip(standing.reasons, wanted, strict=True):
        if subject:
            assert reason.subject == int(subject[0])
    if case.due:
        assert standing.due_on == day(case.due)


def test_the_cases_above_show_every_word_and_every_cause_of_a_vehicle() -> None:
    assert {case.word for case in CASES.values()} == {word.value for word in StandingWord}
    shown = {reason.split(" @")[0] for case in CASES.values() for reason in case.reasons}
    assert shown == {cause.value for cause in Cause} - {"EU 2019/1213 cadence", "certificate ends"}


@pytest.mark.parametrize("name", CASES)
def test_the_order_in_which_records_arrived_does_not_matter(name: str) -> None:
    case = CASES[name]
    turned = replace(
        case.facts,
        calibrations=case.facts.calibrations[::-1],
        checks=case.facts.checks[::-1],
        repairs=case.facts.repairs[::-1],
        systems=case.facts.systems[::-1],
    )
    on = day(case.on)
    assert standing_on(turned, case.terms, on) == standing_on(case.facts, case.terms, on)


def test_a_fault_asks_for_a_calibration_since_the_day_of_its_oldest_reason() -> None:
    standing = standing_on(facts(START, REPLACED, check("3-5", {1: "fail"})), TERMS, day("4-1"))
    recalibrate, next_check = standing.obligations
    assert (recalibrate.action, recalibrate.due_on, recalibrate.opens_on) == (
        Action.RECALIBRATE,
        day("3-1"),
        day("3-1"),
    )
    assert [reason.cause for reason in recalibrate.also] == [Cause.FAILED_CHECK]
    assert (next_check.action, next_check.due_on) == (Action.CHECK, day("7-9"))


def test_a_missing_calibration_asks_for_one() -> None:
    [obligation] = standing_on(facts(), TERMS, day("4-1")).obligations
    assert (obligation.action, obligation.due_on) == (Action.CALIBRATE, FITTED)


def test_the_records_behind_a_standing_are_named() -> None:
    work = repair("3-1", "recalibrate group", {2}, id=UUID(int=77))
    [reason] = standing_on(facts(START, work), TERMS, day("3-1")).reasons
    assert (reason.record, reason.record_kind, reason.on) == (UUID(int=77), "repair", day("3-1"))
    assert reason.detail == {"component": "leaf spring", "work": "replaced", "effect": "recalibrate group"}


def test_the_european_cadence_is_shown_for_information_and_changes_no_standing() -> None:
    terms = replace(TERMS, follows_eu_cadence=True)
    # Registered on 1 May 2023, fitted in January 2024: the earlier of the two starts the cadence.
    plain, shown = (standing_on(facts(START), each, day("5-1")) for each in (TERMS, terms))
    assert (shown.word, shown.reasons, shown.due_on) == (plain.word, plain.reasons, plain.due_on)
    [inspection] = [each for each in shown.obligations if each.is_information]
    assert (inspection.action, inspection.due_on) == (Action.INSPECT, day("5-1"))
    assert inspection.reason.cause == Cause.EU_CADENCE
    assert inspection.reason.detail == {"test": "three loads"}


def test_an_inspection_without_a_report_stays_due_after_its_day() -> None:
    terms = replace(TERMS, follows_eu_cadence=True)
    for on in (day("5-2"), date(2027, 5, 2)):
        [inspection] = [
            each for each in standing_on(facts(START), terms, on).obligations if each.is_information
        ]
        assert inspection.due_on == day("5-1")


def test_words_are_ordered_from_the_worst() -> None:
    words = sorted(StandingWord, key=lambda word: word.severity)
    assert [str(word) for word in words] == ["do not rely", "not on record", "overdue", "check due", "reliable"]  # fmt: skip


def visible(standing: StandingOnDay) -> tuple[StandingWord, tuple[tuple[Obligation, bool, bool], ...]]:
    """The word, and what is open and what is overdue."""
    on = standing.day
    return standing.word, tuple((o, o.opens_on <= on, o.due_on < on) for o in standing.obligations)


def days_of(vehicle: VehicleFacts) -> set[date | None]:
    resting: list[CalibrationFact | CheckFact] = [*vehicle.calibrations, *vehicle.checks]
    fitted = {since for _, since, _ in vehicle.systems}
    removed = {until + timedelta(days=1) for _, _, until in vehicle.systems if until}
    return (
        {fact.on for fact in (*resting, *vehicle.repairs)}
        | {f.reference_wrong_on for f in resting}
        | fitted
        | removed
    )


def assert_change_is_told_truthfully(vehicle: VehicleFacts, terms: Terms, on: date) -> None:
    standing = standing_on(vehicle, terms, on)
    until = standing.changes_on or on + timedelta(days=420)
    assert until > on
    quiet = on + timedelta(days=1)
    while quiet < until:
        assert visible(standing_on(vehicle, terms, quiet)) == visible(standing), quiet
        quiet += timedelta(days=1)
    # A fact of a later day is a day to look again, whether or not it changes anything.
    if standing.changes_on and standing.changes_on not in days_of(vehicle):
        assert visible(standing_on(vehicle, terms, until)) != visible(standing)


@pytest.mark.parametrize("name", CASES)
def test_nothing_changes_before_the_day_that_is_told(name: str) -> None:
    case = CASES[name]
    assert_change_is_told_truthfully(case.facts, case.terms, day(case.on))


def test_a_record_of_tomorrow_is_not_overslept() -> None:
    # A depot that is ahead of the server's time zone records tomorrow's failure today.
    vehicle = facts(START, check("3-2", {0: "fail"}))
    today = standing_on(vehicle, TERMS, day("3-1"))
    assert (today.word, today.changes_on) == ("reliable", day("3-2"))
    assert standing_on(vehicle, TERMS, day("3-2")).word == "do not rely"


_days = st.integers(0, 500).map(lambda number: date(2025, 1, 1) + timedelta(days=number))
_hours = st.integers(0, 23)
_groups = st.sets(st.sampled_from([1, 2]), min_size=1).map(frozenset)
_wrong = st.none() | _days
_ids = st.uuids(version=4)


@st.composite
def _calibrations(draw: st.DrawFn) -> CalibrationFact:
    on = draw(_days)
    return CalibrationFact(
        draw(_ids), on, moment(on, draw(_hours)), draw(st.booleans()), draw(_groups),
        draw(st.sampled_from([FIRST, SECOND])), draw(st.booleans()), draw(st.booleans()), None, draw(_wrong),
    )  # fmt: skip


@st.composite
def _checks(draw: st.DrawFn) -> CheckFact:
    on = draw(_days)
    words = st.sampled_from(["pass", "conditional pass", "conditional fail", "fail"])
    return CheckFact(
        draw(_ids), on, moment(on, draw(_hours)), draw(st.sampled_from(["check", "as found", "as left", "trade"])),
        draw(st.booleans()), draw(st.dictionaries(st.sampled_from([0, 1, 2]), words)), draw(st.booleans()),
        draw(st.none() | st.integers(0, 200_000)), draw(_wrong),
    )  # fmt: skip


@st.composite
def _repairs(draw: st.DrawFn) -> RepairFact:
    on, effects = draw(_days), ["none", "check", "recalibrate group", "recalibrate vehicle"]
    return RepairFact(
        draw(_ids), on, moment(on, draw(_hours)), draw(st.sampled_from(effects)), draw(_groups), "leaf spring",
        "replaced",
    )  # fmt: skip


@st.composite
def _vehicles(draw: st.DrawFn) -> VehicleFacts:
    replaced_on = draw(st.none() | _days)
    systems: tuple[tuple[UUID, date, date | None], ...] = ((FIRST, FITTED, replaced_on),)
    if replaced_on:
        systems += ((SECOND, replaced_on, None),)
    return facts(
        *draw(st.lists(_calibrations(), max_size=4)),
        *draw(st.lists(_checks(), max_size=4)),
        *draw(st.lists(_repairs(), max_size=3)),
        systems=systems,
    )


_terms = st.builds(
    Terms,
    longest_interval_days=st.integers(1, 400),
    planning_window_days=st.integers(0, 60),
    first_check_days=st.integers(1, 300),
    early_check_days=st.integers(1, 60),
    conditional_recheck_days=st.integers(1, 120),
    repair_check_days=st.integers(0, 40),
    longest_distance_km=st.none() | st.integers(1, 150_000),
    trade_tickets_count=st.booleans(),
    follows_eu_cadence=st.booleans(),
)


@settings(max_examples=100, deadline=None)
@given(_vehicles(), _terms, _days)
def test_whatever_is_on_record_nothing_changes_before_the_day_that_is_told(
    vehicle: VehicleFacts, terms: Terms, on: date
) -> None:
    assert_change_is_told_truthfully(vehicle, terms, on)


@given(_vehicles(), _terms, _days)
def test_whatever_is_on_record_a_standing_has_a_reason_and_fits_what_is_to_be_done(
    vehicle: VehicleFacts, terms: Terms, on: date
) -> None:
    standing = standing_on(vehicle, terms, on)
    assert standing.reasons
    actions = {o.action for o in standing.obligations}
    assert (standing.word is StandingWord.DO_NOT_RELY) == (Action.RECALIBRATE in actions)
    if standing.word is StandingWord.NOT_ON_RECORD:
        assert Action.CALIBRATE in actions
    if standing.word.severity > StandingWord.NOT_ON_RECORD.severity:
        [due] = [o.due_on for o in standing.obligations if o.action is Action.CHECK]
        assert (standing.word is StandingWord.OVERDUE) == (due < on)
    assert all(reason.on is None or reason.on <= on for reason in standing.reasons)


@given(_vehicles(), _terms, _days)
def test_records_of_later_days_do_not_reach_back(vehicle: VehicleFacts, terms: Terms, on: date) -> None:
    def until(rows: Any) -> Iterator[Any]:
        return (
            replace(row, reference_wrong_on=None)
            if (getattr(row, "reference_wrong_on", None) or on) > on
            else row
            for row in rows
            if row.on <= on
        )

    cut = replace(
        vehicle,
        calibrations=tuple(until(vehicle.calibrations)),
        checks=tuple(until(vehicle.checks)),
        repairs=tuple(until(vehicle.repairs)),
    )
    full, known = standing_on(vehicle, terms, on), standing_on(cut, terms, on)
    assert visible(full) == visible(known)
    assert full.reasons == known.reasons
