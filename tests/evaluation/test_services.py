from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleetcal.evaluation.models import Obligation, Standing, StandingChange
from fleetcal.evaluation.services import (
    evaluate,
    reasons_from_json,
    rules_mark,
    stale_vehicles,
    standing_as_of,
    standings_as_of,
    vehicles_behind,
)
from fleetcal.evaluation.standing import Cause, StandingOnDay
from fleetcal.fleet.models import Certificate, PolicyVersion, Vehicle
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.ledger.verification import verify
from fleetcal.records.models import Check
from tests.factories import (
    make_depot,
    make_instrument,
    make_policy,
    make_system,
    make_vehicle,
)
from tests.rows import at, recorded, write, write_calibration, write_check, write_finding, write_repair

pytestmark = pytest.mark.django_db
TODAY = date(2026, 3, 2)
CALIBRATED = at(date(2025, 12, 1))


def fleet(count: int) -> list[Vehicle]:
    """Vehicles with a calibration each; every third one has a broken part, every third one a check behind it."""
    make_policy()
    vehicles = []
    for number in range(count):
        vehicle = make_vehicle(f"KJ-{number:03}", layout="rigid2")
        make_system(vehicle)
        write_calibration(vehicle, CALIBRATED)
        if number % 3 == 1:
            write_repair(vehicle, at(date(2026, 1, 5)), "recalibrate group", [1])
        if number % 3 == 2:
            write_check(vehicle, at(date(2026, 1, 6)), {0: "pass", 1: "pass", 2: "pass"})
        vehicles.append(vehicle)
    return vehicles


def one() -> Vehicle:
    [vehicle] = fleet(1)
    return vehicle


def words() -> dict[str, str]:
    return dict(Standing.objects.values_list("vehicle__registration", "word"))


def assert_stored_is_fresh(day: date) -> None:
    fresh = standings_as_of(day)
    stored = {row.vehicle_id: row for row in Standing.objects.all()}
    assert stored.keys() == fresh.keys()
    for key, result in fresh.items():
        row = stored[key]
        assert (row.word, row.severity, row.due_on) == (result.word, result.word.severity, result.due_on)
        assert reasons_from_json(row.reasons) == result.reasons
        assert obligations_of(row.vehicle) == told(result)


def obligations_of(vehicle: Vehicle) -> list[Any]:
    columns = ("action", "cause", "subject", "due_on", "opens_on", "is_information")
    return sorted(vehicle.obligations.values_list(*columns))


def told(result: StandingOnDay) -> list[Any]:
    return sorted(
        (o.action.value, o.reason.cause.value, o.reason.subject, o.due_on, o.opens_on, o.is_information)
        for o in result.obligations
    )


def test_what_is_stored_is_what_a_fresh_evaluation_gives() -> None:
    fleet(6)
    summary = evaluate(TODAY)
    assert (summary.in_service, summary.evaluated, summary.changed) == (6, 6, 6)
    assert summary.words == {"reliable": 4, "do not rely": 2}
    assert words()["KJ-001"] == "do not rely"
    assert_stored_is_fresh(TODAY)
    strip = Standing.objects.get(vehicle__registration="KJ-002").strip
    assert (strip["error"], strip["U"], strip["tolerance"], strip["guard"]) == (
        "0.385",
        "0.231",
        "3.000",
        "0.231",
    )


@pytest.mark.parametrize("days", [1, 60, 100, 200, 400])
def test_later_evaluations_that_only_look_where_something_can_change_are_as_good_as_fresh_ones(
    days: int,
) -> None:
    fleet(6)
    evaluate(TODAY)
    evaluate(TODAY + timedelta(days=days))
    fresh = {
        key: (result.word, result.due_on)
        for key, result in standings_as_of(TODAY + timedelta(days=days)).items()
    }
    assert {row.vehicle_id: (row.word, row.due_on) for row in Standing.objects.all()} == fresh


def test_the_second_evaluation_of_a_day_touches_no_vehicle() -> None:
    fleet(6)
    evaluate(TODAY)
    before = list(Standing.objects.values_list("pk", "evaluated_at"))
    entries = len(entries_of(FLEET_STREAM))
    with CaptureQueriesContext(connection) as queries:
        summary = evaluate(TODAY)
    assert (summary.evaluated, summary.changed) == (0, 0)
    assert list(Standing.objects.values_list("pk", "evaluated_at")) == before
    assert len(entries_of(FLEET_STREAM)) == entries
    changing = [q["sql"] for q in queries if q["sql"].split()[0] in {"INSERT", "UPDATE"}]
    assert [sql for sql in changing if "evaluation_sweep" not in sql] == []
    assert len(queries) <= 16


def test_a_sweep_remembers_what_it_has_seen_so_that_only_what_came_later_is_looked_at() -> None:
    vehicles = fleet(6)
    evaluate(TODAY)
    assert vehicles_behind(TODAY, few=3) == set()
    write_repair(vehicles[2], at(date(2026, 3, 1)), "check", [1])
    with CaptureQueriesContext(connection) as queries:
        assert vehicles_behind(TODAY, few=3) == {vehicles[2].pk}
    assert len(queries) <= 5
    evaluate(TODAY, vehicle_ids=[vehicles[2].pk])
    assert vehicles_behind(TODAY, few=3) == set()
    for vehicle in vehicles:
        write_repair(vehicle, at(date(2026, 3, 1)), "check", [1])
    assert vehicles_behind(TODAY, few=3) == {vehicle.pk for vehicle in vehicles}
    assert vehicles_behind(TODAY + timedelta(days=400), few=3) == {vehicle.pk for vehicle in vehicles}


def test_everything_is_computed_again_on_request_and_gives_the_same() -> None:
    fleet(3)
    evaluate(TODAY)
    before = words()
    summary = evaluate(TODAY, everything=True)
    assert (summary.evaluated, summary.changed) == (3, 0)
    assert words() == before
    assert StandingChange.objects.count() == 3


def test_the_number_of_queries_does_not_grow_with_the_number_of_vehicles() -> None:
    fleet(4)
    counts = []
    for number in (4, 16):
        fleet(number)
        Standing.objects.all().delete()
        with CaptureQueriesContext(connection) as queries:
            assert evaluate(TODAY).evaluated == number
        counts.append(len(queries))
    assert counts[1] <= counts[0] + 1


def test_a_flag_that_is_raised_or_cleared_is_an_entry_of_the_vehicle() -> None:
    vehicle = one()
    evaluate(TODAY)
    write_check(vehicle, at(TODAY), {0: "fail"})
    evaluate(TODAY)
    write_calibration(vehicle, at(TODAY, 16))
    evaluate(TODAY)

    changes = [entry for entry in entries_of(vehicle.stream) if entry.kind == "standing.changed"]
    rows = [entry.data["rows"]["evaluation.standingchange"][0] for entry in changes]
    assert [(row["before"], row["after"]) for row in rows] == [
        ("", "reliable"),
        ("reliable", "do not rely"),
        ("do not rely", "reliable"),
    ]
    assert [row["reasons"][0]["cause"] for row in rows] == ["calibrated", "failed check", "calibrated"]
    assert rows[1]["reasons"][0]["record"] == str(Check.objects.get().pk)
    assert {entry.actor for entry in changes} == {"fleetcal"}
    assert list(verify()) == []


def test_a_record_makes_only_its_own_vehicle_stale() -> None:
    vehicles = fleet(3)
    evaluate(TODAY)
    assert stale_vehicles(TODAY) == set()
    write_repair(vehicles[0], at(TODAY), "none", [1])
    assert stale_vehicles(TODAY) == {vehicles[0].pk}
    assert stale_vehicles(TODAY, [vehicles[1].pk]) == set()


def another_version() -> None:
    version = PolicyVersion(
        policy=make_policy(), number=2, effective_from=TODAY, first_check_days=30, **recorded()
    )
    write(FLEET_STREAM, "policy.version_added", version)


def another_certificate() -> None:
    certificate = Certificate(
        instrument=make_instrument(),
        number="C-2",
        issuer="Norrel Weights Office",
        verified_on=date(2026, 1, 1),
        valid_until=date(2031, 1, 1),
        **recorded(),
    )
    write(FLEET_STREAM, "certificate.recorded", certificate)


def a_finding() -> None:
    write_finding(make_instrument(), date(2025, 11, 1), date(2026, 1, 1), TODAY)


@pytest.mark.parametrize("change", [another_version, another_certificate, a_finding])
def test_a_change_of_rules_makes_every_vehicle_stale(change: Callable[[], None]) -> None:
    vehicles = fleet(3)
    evaluate(TODAY)
    mark = rules_mark()
    change()
    assert rules_mark() == mark + 1
    assert stale_vehicles(TODAY) == {vehicle.pk for vehicle in vehicles}
    evaluate(TODAY)
    assert stale_vehicles(TODAY) == set()
    assert_stored_is_fresh(TODAY)


def test_a_new_version_of_the_policy_judges_from_its_day() -> None:
    vehicle = one()
    another_version()
    evaluate(TODAY - timedelta(days=1))
    assert words() == {"KJ-000": "reliable"}
    assert Standing.objects.get().changes_on == TODAY
    evaluate(TODAY)
    assert words() == {"KJ-000": "overdue"}
    result = standing_as_of(vehicle, TODAY - timedelta(days=1))
    assert result is not None
    assert (result[0].word, result[1].number) == ("reliable", 1)


def test_a_reference_that_was_found_wrong_reopens_the_vehicles_that_rest_on_it() -> None:
    vehicle, other = fleet(2)
    write_calibration(other, at(date(2026, 2, 1)))
    evaluate(TODAY)
    a_finding()
    evaluate(TODAY)
    assert words() == {"KJ-000": "not on record", "KJ-001": "reliable"}
    causes = [reason.cause for reason in reasons_from_json(Standing.objects.get(vehicle=vehicle).reasons)]
    assert causes == [Cause.NO_CALIBRATION, Cause.REFERENCE_WRONG]


def test_a_calibration_on_an_instrument_without_a_valid_certificate_satisfies_nothing() -> None:
    make_policy()
    vehicle = make_vehicle(layout="rigid2")
    make_system(vehicle)
    write_calibration(vehicle, CALIBRATED, instrument=make_instrument("Old bridge", certificate=False))
    evaluate(TODAY)
    assert words() == {vehicle.registration: "not on record"}


def test_a_bond_that_was_excused_is_checked_early() -> None:
    make_policy()
    vehicle = make_vehicle(layout="rigid2")
    make_system(vehicle)
    write_calibration(vehicle, at(date(2026, 2, 20)), excuse="needed at the quarry")
    evaluate(TODAY)
    assert Obligation.objects.get(vehicle=vehicle).cause == "excused bond"


def test_a_past_day_is_told_as_it_was_known_then_and_as_it_is_known_now() -> None:
    vehicle = one()
    # The part broke on 5 January; whoever asks before it was recorded does not know of it.
    learnt = datetime(2099, 2, 1, 8, tzinfo=UTC)
    write_repair(vehicle, at(date(2026, 1, 5)), "recalibrate group", [1], recorded_at=learnt)
    known = []
    for moment in (learnt - timedelta(seconds=1), learnt, None):
        result = standing_as_of(vehicle, date(2026, 1, 10), moment)
        assert result is not None
        known.append(result[0].word.value)
    assert known == ["reliable", "do not rely", "do not rely"]
    # Before anything was recorded, no policy was known either.
    assert standing_as_of(vehicle, date(2026, 1, 10), datetime(2026, 1, 1, tzinfo=UTC)) is None


def test_a_correction_replaces_what_it_supersedes_from_the_moment_it_was_recorded() -> None:
    vehicle = one()
    first, second = datetime(2099, 1, 1, tzinfo=UTC), datetime(2099, 2, 1, tzinfo=UTC)
    wrong = write_check(vehicle, at(date(2026, 1, 10)), {0: "fail"}, recorded_at=first)
    write_check(
        vehicle,
        at(date(2026, 1, 10)),
        {0: "pass", 1: "pass"},
        recorded_at=second,
        supersedes=wrong,
        reason="misread",
    )
    known = {}
    for moment in (first - timedelta(days=1), first, second - timedelta(seconds=1), second, None):
        result = standing_as_of(vehicle, date(2026, 1, 10), moment)
        assert result is not None
        known[moment] = result[0].word.value
    assert list(known.values()) == ["reliable", "do not rely", "do not rely", "reliable", "reliable"]


def test_a_withdrawn_record_no_longer_counts() -> None:
    vehicle = one()
    wrong = write_check(vehicle, at(date(2026, 1, 10)), {0: "fail"})
    evaluate(TODAY)
    assert words() == {"KJ-000": "do not rely"}
    write_check(
        vehicle, at(date(2026, 1, 10)), {}, supersedes=wrong, withdrawn=True, reason="another vehicle"
    )
    evaluate(TODAY)
    assert words() == {"KJ-000": "reliable"}


def test_days_are_those_of_the_depot() -> None:
    make_policy()
    depot = make_depot("AUC", time_zone="Pacific/Auckland")
    vehicle = make_vehicle(layout="rigid2", depot=depot)
    make_system(vehicle)
    write_calibration(vehicle, CALIBRATED)
    # The evening of 1 March in London is the morning of 2 March at the depot.
    write_check(vehicle, at(date(2026, 3, 1), 20), {0: "fail"})
    found = {day: standing_as_of(vehicle, day) for day in (date(2026, 3, 1), date(2026, 3, 2))}
    assert {day: result[0].word.value for day, result in found.items() if result} == {
        date(2026, 3, 1): "reliable",
        date(2026, 3, 2): "do not rely",
    }
    # Evaluated on the day before, and again on the day itself, without another record.
    evaluate(date(2026, 3, 1))
    assert words() == {vehicle.registration: "reliable"}
    evaluate(date(2026, 3, 2))
    assert words() == {vehicle.registration: "do not rely"}


def test_a_silent_everyday_ticket_is_not_even_read_and_one_outside_is() -> None:
    vehicle = one()
    write_check(vehicle, at(date(2026, 2, 1)), {0: "pass"}, purpose="trade", counts=False)
    evaluate(TODAY)
    assert words() == {"KJ-000": "reliable"}
    write_check(
        vehicle, at(date(2026, 2, 27)), {0: "conditional fail"}, purpose="trade", counts=False, ticket="T-2"
    )
    evaluate(TODAY)
    assert words() == {"KJ-000": "check due"}


def test_without_a_policy_nothing_is_said() -> None:
    vehicle = make_vehicle(layout="rigid2")
    make_system(vehicle)
    assert evaluate(TODAY).evaluated == 1
    assert not Standing.objects.exists()
    assert standing_as_of(vehicle, TODAY) is None


def test_a_vehicle_that_is_retired_has_nothing_to_be_done_any_more() -> None:
    vehicle, _ = fleet(2)
    evaluate(TODAY)
    assert vehicle.obligations.exists()
    vehicle.retired_on = TODAY
    write(vehicle.stream, "vehicle.changed", vehicle)
    summary = evaluate(TODAY)
    assert not vehicle.obligations.exists()
    assert (summary.in_service, summary.words) == (1, {"do not rely": 1})


def test_instruments_are_due_when_their_newest_certificate_ends() -> None:
    make_policy()
    make_instrument()
    make_instrument("Old bridge", certificate=False)
    evaluate(TODAY)
    due = {
        name: (due_on, opens_on)
        for name, due_on, opens_on in Obligation.objects.values_list("instrument__name", "due_on", "opens_on")
    }
    assert due == {
        "Millbridge weighbridge": (date(2030, 1, 9), date(2029, 12, 12)),
        "Old bridge": (TODAY, TODAY - timedelta(days=28)),
    }
    instrument = make_instrument("Old bridge")
    instrument.retired_on = TODAY
    write(FLEET_STREAM, "instrument.changed", instrument)
    another_certificate()
    evaluate(TODAY)
    [obligation] = Obligation.objects.all()
    assert obligation.due_on == date(2031, 1, 1)


def test_a_failure_in_the_middle_leaves_the_standings_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet(3)

    def fails(*args: Any) -> None:
        raise RuntimeError("the power went")

    with monkeypatch.context() as patch:
        patch.setattr("fleetcal.evaluation.services._store", fails)
        with pytest.raises(RuntimeError):
            evaluate(TODAY)
    assert not Standing.objects.exists()
    assert not StandingChange.objects.exists()
    assert list(verify()) == []
    assert evaluate(TODAY).changed == 3


def test_the_command_stores_today_and_prints_any_other_day(capsys: pytest.CaptureFixture[str]) -> None:
    fleet(3)
    call_command("evaluate", as_of="2026-03-02")
    assert capsys.readouterr().out.splitlines() == [
        "3 vehicles on 2026-03-02",
        "       1  do not rely",
        "       0  not on record",
        "       0  overdue",
        "       0  check due",
        "       2  reliable",
    ]
    assert not Standing.objects.exists()
    call_command("evaluate")
    assert "3 evaluated, 3 changed." in capsys.readouterr().out
    assert Standing.objects.count() == 3
    with pytest.raises(CommandError, match="write it like 2026-03-03"):
        call_command("evaluate", as_of="3.3.2026")


def test_progress_is_told_run_by_run(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet(5)
    monkeypatch.setattr("fleetcal.evaluation.services.CHUNK", 2)
    seen: list[tuple[int, int]] = []
    evaluate(TODAY, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(2, 5), (4, 5), (5, 5)]
    assert_stored_is_fresh(TODAY)
