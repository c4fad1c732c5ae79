from dataclasses import replace
from decimal import Decimal

import pytest

from fleetcal.fleet.models import Vehicle
from fleetcal.importing.commit import commit
from fleetcal.importing.dry_run import ImportPlan, plan
from fleetcal.importing.mapping import Mapping
from fleetcal.importing.sources import save_source
from fleetcal.ledger.verification import verify
from fleetcal.records.models import Check, TicketSource
from tests.factories import make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.importing.test_tickets import COLUMNS, HEADINGS, MAPPING, NOW

pytestmark = pytest.mark.django_db

COUPLED = replace(MAPPING, columns=COLUMNS | {"partner": "with", "odometer": "km"})
TRUCK = "T1,2026-03-01,08:00,KJ-204,38000,24200,check,TR-900,120500"
TRAILER = "T1,2026-03-01,08:00,TR-900,38000,14100,trade,KJ-204,"


@pytest.fixture
def trailer() -> Vehicle:
    return make_vehicle("TR-900", layout="trailer3")


@pytest.fixture
def source(trailer: Vehicle) -> TicketSource:
    make_policy()
    make_system(make_vehicle("KJ-204"))
    make_system(trailer, serial="D-2")
    return save_source("Quarry", COUPLED, instrument=make_instrument(), actor=make_user())


def plan_of(source: TicketSource, *lines: str, mapping: Mapping = COUPLED, headings: str = "") -> ImportPlan:
    content = "\n".join([headings or HEADINGS + ",with,km", *lines]).encode()
    return plan(content, "tickets.csv", "tickets", mapping, make_user(), source=source, now=NOW)


def record(planned: ImportPlan) -> int:
    return commit(planned, actor=make_user(), with_good_rows_only=False).recorded


def shown_in(check: Check) -> dict[str, list[str]]:
    return {each["vehicle"]: each["values_kg"] for each in check.display}


def test_two_lines_that_name_each_other_are_one_combination(source: TicketSource, trailer: Vehicle) -> None:
    assert record(plan_of(source, TRUCK, TRAILER)) == 2
    truck, other = Check.objects.order_by("line")
    assert (truck.vehicle.registration, other.vehicle) == ("KJ-204", trailer)
    shown = {str(truck.vehicle_id): ["24200.000"], str(trailer.pk): ["14100.000"]}
    assert shown_in(truck) == shown_in(other) == shown
    assert truck.platform == other.platform
    assert [each["value_kg"] for each in truck.platform] == ["38000.000"]
    assert len(truck.platform[0]["covers"]) == 2
    [combination] = [
        line["combination"]
        for line in truck.results.get(subject=0).budget
        if "combination" in line
    ]  # fmt: skip
    assert Decimal(combination["error_kg"]) == 24_200 + 14_100 - 38_000
    assert list(verify()) == []


def test_each_line_keeps_what_is_its_own(source: TicketSource) -> None:
    first, second = (each.draft for each in plan_of(source, TRUCK, TRAILER).candidates)
    assert [(each.line, each.purpose, each.odometer_km) for each in (first, second)] == [
        (2, "check", 120_500),
        (3, "trade", None),
    ]
    assert (first.entered["display"], second.entered["display"]) == ("24200", "14100")


@pytest.mark.parametrize(
    "other",
    [
        TRAILER.replace("KJ-204", ""),
        TRAILER.replace("T1", "T2"),
        TRAILER.replace("08:00", "08:01"),
        TRAILER.replace("14100", ""),
    ],
)
def test_lines_that_do_not_both_say_so_stay_apart(other: str, source: TicketSource) -> None:
    for each in plan_of(source, TRUCK, other).candidates:
        assert {shown.vehicle_id for shown in each.draft.display} == {None}


def test_another_weighbridge_makes_another_weighing(source: TicketSource) -> None:
    make_instrument("Feed mill weighbridge", serial="FM-1")
    mapping = replace(COUPLED, columns=COUPLED.columns | {"instrument": "bridge"})  # type: ignore[operator]
    planned = plan_of(
        source, TRUCK + ",", TRAILER + ",FM-1", mapping=mapping, headings=HEADINGS + ",with,km,bridge"
    )
    assert [len(each.draft.display) for each in planned.candidates] == [1, 1]


def test_two_weights_of_one_weighing_are_a_problem_of_both_lines(source: TicketSource) -> None:
    planned = plan_of(source, TRUCK, TRAILER.replace("38000", "38200"))
    [problem] = planned.problems
    assert (problem.line, problem.column, problem.value) == (3, "gross", "38200")
    assert "38200 kg here and 38000 kg in line 2" in problem.message
    assert (planned.good, planned.refused_lines) == (0, 2)


def test_weights_of_single_groups_come_together(source: TicketSource, trailer: Vehicle) -> None:
    mapping = replace(COUPLED, columns=COUPLED.columns | {"group.1.reference": "r1"})  # type: ignore[operator]
    planned = plan_of(
        source, TRUCK + ",7000", TRAILER + ",14000", mapping=mapping, headings=HEADINGS + ",with,km,r1"
    )
    first, second = (each.draft for each in planned.candidates)
    assert [each.value_kg for each in first.platform] == [38_000, 7_000, 14_000]
    assert first.platform == second.platform
    judged = planned.previews[1].judged
    assert judged is not None
    assert judged.outcome.gross.reference_kg == pytest.approx(14_000)


@pytest.mark.parametrize("lines", [(TRUCK, TRAILER), (TRUCK,), (TRAILER,), (TRAILER, TRUCK)])
def test_a_combination_on_record_is_known_from_both_lines_and_from_one(
    lines: tuple[str, ...], source: TicketSource
) -> None:
    record(plan_of(source, TRUCK, TRAILER))
    planned = plan_of(source, *lines)
    assert (planned.good, planned.problems, len(planned.known_lines)) == (0, (), len(lines))


def test_the_second_line_may_come_in_a_later_file(source: TicketSource, trailer: Vehicle) -> None:
    record(plan_of(source, TRUCK))
    planned = plan_of(source, TRUCK, TRAILER)
    assert (planned.known_lines, planned.problems) == ((2,), ())
    assert record(planned) == 1
    assert len(shown_in(Check.objects.get(vehicle=trailer))) == 2


def test_a_combination_on_record_that_says_something_else_is_a_problem(source: TicketSource) -> None:
    record(plan_of(source, TRUCK, TRAILER))
    planned = plan_of(source, TRUCK, TRAILER.replace("14100", "14200"))
    [problem] = planned.problems
    assert (problem.line, problem.column) == (3, "display")
    assert "14200 here and 14100 in the record" in problem.message
