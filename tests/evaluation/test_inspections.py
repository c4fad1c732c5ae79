"""What a recorded inspection report does to the obligation of Regulation (EU) 2019/1213, and that it does nothing else."""

from dataclasses import replace
from datetime import UTC, date, datetime, time
from typing import Any
from uuid import UUID

import pytest

from fleetcal.evaluation.facts import CalibrationFact, InspectionFact, Terms, VehicleFacts
from fleetcal.evaluation.services import standing_as_of
from fleetcal.evaluation.standing import Action, Obligation, StandingOnDay, standing_on
from fleetcal.evaluation.timeline import timeline_of
from fleetcal.evaluation.wording import obligation_text
from fleetcal.fleet.services.policies import add_policy_version
from fleetcal.records.services.corrections import withdraw
from fleetcal.records.services.inspections import record_inspection
from tests.factories import make_policy, make_system, make_user, make_vehicle
from tests.records.test_inspections import draft_of

TERMS = Terms(
    longest_interval_days=365,
    planning_window_days=28,
    first_check_days=180,
    early_check_days=30,
    conditional_recheck_days=90,
    repair_check_days=14,
    follows_eu_cadence=True,
)
REGISTERED, FITTED = date(2022, 3, 1), date(2022, 3, 10)
SYSTEM, OTHER = UUID(int=1), UUID(int=2)


def moment(on: date, hour: int = 12) -> datetime:
    return datetime.combine(on, time(hour), UTC)


def report(on: date, *, passed: bool = True, hour: int = 12, **fields: Any) -> InspectionFact:
    base = InspectionFact(UUID(int=on.toordinal()), on, moment(on, hour), passed, "three loads")
    return replace(base, **fields)


def facts(*reports: InspectionFact, **fields: Any) -> VehicleFacts:
    calibrated = CalibrationFact(UUID(int=9), FITTED, moment(FITTED), True, frozenset({1}), SYSTEM)
    base = VehicleFacts(
        groups=(1,),
        in_service_on=REGISTERED,
        registered_on=REGISTERED,
        systems=((SYSTEM, FITTED, None),),
        calibrations=(calibrated,),
        inspections=reports,
    )
    return replace(base, **fields)


def inspection_of(standing: StandingOnDay) -> Obligation | None:
    found = [each for each in standing.obligations if each.action is Action.INSPECT]
    return found[0] if found else None


PASSED = report(date(2024, 2, 20), next_due_on=date(2026, 2, 20))
FAILED = report(date(2024, 2, 20), passed=False)


@pytest.mark.parametrize(
    ("reports", "on", "due", "test"),
    [
        # Nothing recorded: the cadence itself, three loads after two years (Table 3).
        ((), date(2023, 5, 1), date(2024, 3, 1), "three loads"),
        # The report's own day, which the workshop sets; single load and three loads by turns (Annex IV 4).
        ((PASSED,), date(2024, 3, 1), date(2026, 2, 20), "single load"),
        ((replace(PASSED, test="single load"),), date(2024, 3, 1), date(2026, 2, 20), "three loads"),
        # It stays when it has passed, until a newer report.
        ((PASSED,), date(2026, 9, 1), date(2026, 2, 20), "single load"),
        # Two months after a failed one (Annex IV 10), the same test, whatever later day the report names.
        ((FAILED,), date(2024, 3, 1), date(2024, 4, 20), "three loads"),
        ((replace(FAILED, next_due_on=date(2025, 1, 1)),), date(2024, 3, 1), date(2024, 4, 20), "three loads"),
        ((replace(FAILED, next_due_on=date(2024, 3, 20)),), date(2024, 3, 1), date(2024, 3, 20), "three loads"),
        # The newest counts; on one day the later one.
        ((FAILED, report(date(2024, 4, 2), next_due_on=date(2026, 4, 2))), date(2024, 4, 3), date(2026, 4, 2), "single load"),
        ((replace(FAILED, at=moment(FAILED.on, 9)), PASSED), date(2024, 3, 1), date(2026, 2, 20), "single load"),
        # A report of a later day does not reach back.
        ((PASSED,), date(2024, 2, 19), date(2024, 3, 1), "three loads"),
    ],
)  # fmt: skip
def test_the_newest_report_dates_the_next_inspection(
    reports: tuple[InspectionFact, ...], on: date, due: date, test: str
) -> None:
    found = inspection_of(standing_on(facts(*reports), TERMS, on))
    assert found is not None
    assert (found.due_on, found.reason.detail["test"], found.is_information) == (due, test, True)


@pytest.mark.parametrize(
    ("failed_on", "due"),
    [
        (date(2023, 12, 31), date(2024, 2, 29)),
        (date(2024, 12, 31), date(2025, 2, 28)),
        (date(2024, 10, 15), date(2024, 12, 15)),
        (date(2024, 11, 30), date(2025, 1, 30)),
    ],
)
def test_two_months_end_with_the_month_where_it_is_shorter(failed_on: date, due: date) -> None:
    assert report(failed_on, passed=False).next_on == due


def test_a_report_of_a_display_that_was_replaced_dates_nothing() -> None:
    replaced = ((SYSTEM, FITTED, date(2024, 6, 1)), (OTHER, date(2024, 6, 1), None))
    found = inspection_of(standing_on(facts(PASSED, systems=replaced), TERMS, date(2024, 7, 1)))
    assert found is not None
    assert (found.due_on, found.reason.detail) == (date(2026, 3, 1), {"test": "three loads"})


@pytest.mark.parametrize("reports", [(), (PASSED,), (FAILED,)])
@pytest.mark.parametrize("on", [date(2024, 2, 20), date(2024, 4, 21), date(2026, 2, 21)])
def test_no_report_changes_the_standing_word(reports: tuple[InspectionFact, ...], on: date) -> None:
    plain, reported = standing_on(facts(), TERMS, on), standing_on(facts(*reports), TERMS, on)
    assert (plain.word, plain.reasons, plain.due_on) == (reported.word, reported.reasons, reported.due_on)


def test_without_the_cadence_in_the_policy_nothing_is_asked() -> None:
    terms = replace(TERMS, follows_eu_cadence=False)
    assert inspection_of(standing_on(facts(FAILED), terms, date(2024, 3, 1))) is None


@pytest.mark.parametrize(
    ("fact", "words"),
    [
        (PASSED, "by 20 Feb 2026: the day that the inspection report of 20 Feb 2024 names, single load test"),
        (FAILED, "by 20 Apr 2024: within two months of the inspection of 20 Feb 2024 that was not passed, three loads test"),
    ],
)  # fmt: skip
def test_the_report_behind_the_day_is_told(fact: InspectionFact, words: str) -> None:
    found = inspection_of(standing_on(facts(fact), TERMS, date(2024, 3, 1)))
    assert found is not None
    assert obligation_text(found) == f"Inspection by an approved workshop (for information) {words}"
    assert (found.reason.record, found.reason.record_kind) == (fact.id, "inspection")


def test_the_day_of_a_report_is_told_as_a_day_of_change() -> None:
    assert standing_on(facts(PASSED), TERMS, date(2024, 2, 1)).changes_on == date(2024, 2, 2)
    assert standing_on(facts(PASSED), TERMS, date(2024, 2, 19)).changes_on == date(2024, 2, 20)


def follow_the_cadence() -> None:
    add_policy_version(
        make_policy(),
        actor=make_user(),
        effective_from=date(2023, 1, 1),
        note="inspections too",
        values={"follows_eu_cadence": True},
    )


@pytest.mark.django_db
def test_a_recorded_report_is_read_as_it_was_known_and_a_withdrawn_one_no_more() -> None:
    follow_the_cadence()
    vehicle = make_vehicle()
    make_system(vehicle)

    def due(known_at: datetime | None = None) -> date:
        found = standing_as_of(vehicle, date(2025, 5, 1), known_at)
        assert found is not None
        obligation = inspection_of(found[0])
        assert obligation is not None
        return obligation.due_on

    # The cadence of a vehicle registered on 1 March 2023.
    assert due() == date(2025, 3, 1)
    recorded = record_inspection(draft_of(vehicle), actor=make_user())
    assert due() == date(2027, 4, 8)
    withdraw(recorded, actor=make_user(), reason="of another vehicle")
    assert due() == date(2025, 3, 1)
    assert due(recorded.recorded_at) == date(2027, 4, 8)


@pytest.mark.django_db
def test_the_timeline_tells_of_reports_and_of_what_became_of_them() -> None:
    vehicle = make_vehicle()
    failed = draft_of(vehicle, passed=False, next_due_on=None, deficiencies="Axle 2 reads low.")
    withdraw(record_inspection(failed, actor=make_user()), actor=make_user(), reason="of another vehicle")
    record_inspection(draft_of(vehicle), actor=make_user())
    told = {(item.kind, item.title, item.detail, item.state) for item in timeline_of(vehicle)}
    by = "three loads, by Carnow Truck Workshop"
    assert told == {
        ("inspection", "Workshop inspection passed", by, ""),
        ("inspection", "Workshop inspection not passed", by, "superseded"),
        ("inspection", "Workshop inspection not passed", by, "withdrawn"),
    }
