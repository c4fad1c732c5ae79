"""Vehicles, installations, worksheets and repairs in formats of our own: read once, known for ever after."""

from datetime import UTC, datetime

import pytest

from fleetcal.fleet.models import Vehicle, WeighingSystem
from fleetcal.fleet.selectors import shape_of
from fleetcal.importing import installations, repairs, vehicles, worksheets
from fleetcal.importing.commit import ImportResult, commit
from fleetcal.importing.dry_run import ImportPlan, plan
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.verification import verify
from fleetcal.records.models import Calibration, ImportedFile, Installation, Repair
from tests.factories import make_depot, make_instrument, make_policy, make_user, make_vehicle

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
RIGID = "R1,KJ-204,,rigid,MIL,26000,2023-03-01,2023-03-01,8000;9500;9500,1;2+3,steel;air,4500;1370,3,1,2,2;3"
TRACTOR = "T2,KJ-205,,tractor,MIL,18000,2023-03-01,2023-03-01,7500;11500,1;2,steel;air,3700,,1,2,2"
SYSTEM = "KJ-204,D-1,2023-04-03,20,group,24,3,2023-04-03T14:00:00,12,JU1:1+2+3,25400,7800;9300;9300"
SENSORS = (
    f"{SYSTEM},S-1,1,1,left,strain,spring,yes,ahead,yes,bonded,2023-04-03T09:00:00,yes,51.8,F,yes,5,yes,yes,yes,yes,yes",
    f"{SYSTEM},S-2,2,1,right,strain,spring,yes,ahead,yes,bonded,2023-04-03T09:20:00,yes,51.8,F,yes,5,yes,yes,yes,yes,yes",
    f"{SYSTEM},S-3,3,2,centre,pressure,air line,yes,none,,piped,,yes,,,,,,yes,yes,yes,yes",
)
SITE = "kg,,0.2,2.0,yes,yes,yes,2023-04-10T09:30:00,2023-04-10T11:30:00,r.dunmarsh"
WORKSHEET = tuple(
    f"W1,KJ-204,r.dunmarsh,BR-1,2023-04-10,{clock},{state},bridge,{axles},,,{kg},{SITE}"
    for clock, state, axles, kg in (
        ("09:00", "empty", "1", 5000),
        ("09:05", "empty", "1+2+3", 11000),
        ("11:00", "loaded", "1", 7000),
        ("11:05", "loaded", "1+2+3", 25400),
    )
)
REPAIRS = (
    "2023-06-01,2023-06-02T10:00:00,KJ-204,Millbridge workshop,1,leaf spring,replaced,1 leaf,120000,cracked",
    "2023-07-01,2023-07-01T11:00:00,KJ-204,Millbridge workshop,2,air line,retightened,,,",
)


def file_of(headings: tuple[str, ...], *lines: str) -> bytes:
    return "\r\n".join([",".join(headings), *lines]).encode()


def plan_of(kind: str, content: bytes) -> ImportPlan:
    return plan(content, f"{kind}.csv", kind, None, make_user(), now=NOW)


def load(kind: str, content: bytes, *, good_rows_only: bool = False) -> ImportResult:
    return commit(plan_of(kind, content), actor=make_user(), with_good_rows_only=good_rows_only)


@pytest.fixture
def fleet() -> Vehicle:
    make_depot()
    make_policy()
    make_instrument(serial="BR-1")
    load("vehicles", file_of(vehicles.HEADINGS, RIGID))
    return Vehicle.objects.get()


def load_everything() -> None:
    load("installations", file_of(installations.HEADINGS, *SENSORS))
    load("worksheets", file_of(worksheets.HEADINGS, *WORKSHEET))
    load("repairs", file_of(repairs.HEADINGS, *REPAIRS))


def test_every_kind_is_recorded_with_its_entry_and_the_ledger_agrees(fleet: Vehicle) -> None:
    load_everything()
    assert [group.axles for group in shape_of(fleet).groups] == [(1,), (2, 3)]
    assert WeighingSystem.objects.get().sensors.count() == 3
    installation = Installation.objects.get()
    assert installation.open_items == ["cured"]
    assert (installation.bonds.count(), installation.alarm_axles_kg["2"]) == (3, "9300.000")
    calibration = Calibration.objects.get()
    assert calibration.readings.count() == 4
    assert (calibration.entered["worksheet"], calibration.stop_b_by) == ("W1", "r.dunmarsh")
    assert [(r.component, r.work, r.line) for r in Repair.objects.order_by("line")] == [
        ("leaf spring", "replaced", 2),
        ("air line", "adjusted", 3),
    ]
    assert ImportedFile.objects.count() == 4
    assert list(verify()) == []


@pytest.mark.parametrize(
    ("kind", "headings", "lines", "model"),
    [
        ("vehicles", vehicles.HEADINGS, (RIGID,), Vehicle),
        ("installations", installations.HEADINGS, SENSORS, Installation),
        ("worksheets", worksheets.HEADINGS, WORKSHEET, Calibration),
        ("repairs", repairs.HEADINGS, REPAIRS, Repair),
    ],
)
def test_the_same_file_again_adds_nothing(
    kind: str, headings: tuple[str, ...], lines: tuple[str, ...], model: type, fleet: Vehicle
) -> None:
    load_everything()
    stood, files = model.objects.count(), ImportedFile.objects.count()  # type: ignore[attr-defined]
    planned = plan_of(kind, file_of(headings, *lines))
    assert (planned.good, planned.known_lines, planned.problems) == (0, tuple(range(2, len(lines) + 2)), ())
    assert load(kind, file_of(headings, *lines)).file is None
    assert (model.objects.count(), ImportedFile.objects.count()) == (stood, files)  # type: ignore[attr-defined]


def test_an_overlapping_list_of_vehicles_adds_the_new_and_names_what_differs(fleet: Vehicle) -> None:
    changed = RIGID.replace("26000", "25000").replace("4500;", "4600;")
    planned = plan_of("vehicles", file_of(vehicles.HEADINGS, changed, TRACTOR))
    assert planned.good == 1
    assert "different in max_gross_kg, spacing_mm" in planned.problems[0].message
    assert load("vehicles", file_of(vehicles.HEADINGS, RIGID, TRACTOR)).recorded == 1


@pytest.mark.parametrize(
    ("line", "column", "words"),
    [
        (TRACTOR.replace("MIL", "XXX"), "depot", "use one of MIL"),
        (TRACTOR.replace("tractor", "bus"), "kind", "Not one of: rigid, tractor, trailer"),
        (TRACTOR.replace("1;2,steel", "1-2,steel"), "groups", "1;2+3"),
        (TRACTOR.replace("steel;air", "steel;cloud"), "suspension", "Not one of"),
        (TRACTOR.replace("7500;11500", "7500;x"), "axle_max_kg", "Not a number"),
        (TRACTOR.replace(",18000,", ",,"), "max_gross_kg", "Empty"),
        (TRACTOR.replace(",18000,", ",29000,"), "max_gross_kg", "above the sum"),
        (TRACTOR.replace("2023-03-01,2023-03-01", "2023-03-01,01.03.2023"), "in_service_on", "YYYY-MM-DD"),
        (TRACTOR.replace("T2", "R1"), "fleet_number", "Fleet number R1"),
        (RIGID.replace("KJ-204", "kj 206"), "fleet_number", "Fleet number R1"),
    ],
)
def test_a_vehicle_that_cannot_be_is_a_problem_of_its_line(
    line: str, column: str, words: str, fleet: Vehicle
) -> None:
    good = TRACTOR.replace("T2", "T3").replace("KJ-205", "KJ-207")
    planned = plan_of("vehicles", file_of(vehicles.HEADINGS, good, line))
    assert [(each.line, each.column) for each in planned.problems] == [(3, column)]
    assert words in planned.problems[0].message
    assert planned.good == 1
    assert Vehicle.objects.count() == 1


@pytest.mark.parametrize(
    ("number", "old", "new", "words"),
    [
        (1, "D-1,2023-04-03,20", "D-1,2023-04-03,10", "Line 2 of the same record says “20”"),
        (1, "S-2,2,1", "S-2,1,1", "Channel 1 is given twice"),
        (0, "strain", "magic", "Not one of: strain"),
        (0, "JU1:1+2+3", "JU1;1", "Write junction units"),
        (0, "KJ-204", "KJ-999", "No vehicle of your depots"),
    ],
)
def test_one_bad_line_refuses_its_whole_system(
    number: int, old: str, new: str, words: str, fleet: Vehicle
) -> None:
    everywhere = new.startswith(("JU1;", "KJ-999"))
    lines = [
        line.replace(old, new) if everywhere or place == number else line
        for place, line in enumerate(SENSORS)
    ]
    planned = plan_of("installations", file_of(installations.HEADINGS, *lines))
    assert words in planned.problems[0].message
    assert (planned.good, planned.refused_lines) == (0, 3)
    assert WeighingSystem.objects.count() == 0


def test_a_worksheet_says_in_the_dry_run_whether_the_rules_accept_it(fleet: Vehicle) -> None:
    load("installations", file_of(installations.HEADINGS, *SENSORS))
    light = [line.replace("25400", "15400") for line in WORKSHEET]
    text = plan_of("worksheets", file_of(worksheets.HEADINGS, *light)).previews[0].text
    assert "not accepted" in text
    load("worksheets", file_of(worksheets.HEADINGS, *light))
    assert not Calibration.objects.get().accepted


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("11:00,loaded", "09:10,loaded", "before stop A"),
        (",BR-1,", ",BR-9,", "No reference instrument"),
        (",kg,,", ",kg,2 down,", "Write lifted axles like"),
        ("bridge,1,", "pads,1,", "Empty"),
        ("2023-04-10", "2033-04-10", "future"),
    ],
)
def test_a_worksheet_that_cannot_be_is_a_problem(old: str, new: str, words: str, fleet: Vehicle) -> None:
    load("installations", file_of(installations.HEADINGS, *SENSORS))
    lines = [line.replace(old, new) for line in WORKSHEET]
    planned = plan_of("worksheets", file_of(worksheets.HEADINGS, *lines))
    assert planned.good == 0
    assert words in planned.problems[0].message


@pytest.mark.parametrize(
    ("old", "new", "column", "words"),
    [
        ("leaf spring", "leef spring", "component", "leaf spring"),
        ("replaced", "painted", "work", "Not one of"),
        ("workshop,1,", "workshop,7,", "axle", "has no axle 7"),
        ("2023-06-02T10:00:00", "2023-06-02", "done_at", "date and time"),
        ("2023-06-01,", "2023-06-09,", "reported_on", "after the work was done"),
        ("2023-06-02T", "2033-06-02T", "done_at", "future"),
        ("120000", "12x", "odometer_km", "Not a number"),
    ],
)
def test_a_repair_that_cannot_be_is_a_problem(
    old: str, new: str, column: str, words: str, fleet: Vehicle
) -> None:
    planned = plan_of("repairs", file_of(repairs.HEADINGS, REPAIRS[0].replace(old, new), REPAIRS[1]))
    assert [(each.line, each.column) for each in planned.problems] == [(2, column)]
    assert words in planned.problems[0].message
    assert planned.good == 1
    assert Repair.objects.count() == 0


def test_times_on_paper_are_those_of_the_vehicles_depot() -> None:
    make_policy()
    make_vehicle("KJ-204", depot=make_depot("BER", time_zone="Europe/Berlin"))
    load("repairs", file_of(repairs.HEADINGS, REPAIRS[0]))
    assert Repair.objects.get().happened_at == datetime(2023, 6, 2, 8, tzinfo=UTC)


def test_a_file_of_another_kind_is_refused_whole(fleet: Vehicle) -> None:
    with pytest.raises(Refused, match="Is it the right file"):
        plan_of("vehicles", file_of(repairs.HEADINGS, *REPAIRS))


def test_a_failure_leaves_nothing_half_written(fleet: Vehicle, monkeypatch: pytest.MonkeyPatch) -> None:
    planned = plan_of("installations", file_of(installations.HEADINGS, *SENSORS))

    def fail(*args: object, **kwargs: object) -> None:
        raise Refused("The second step fails.")

    monkeypatch.setattr(installations, "record_installation", fail)
    with pytest.raises(Refused, match="second step"):
        commit(planned, actor=make_user(), with_good_rows_only=True)
    assert (WeighingSystem.objects.count(), ImportedFile.objects.filter(kind="installations").count()) == (
        0,
        0,
    )


def test_what_a_person_may_not_record_they_may_not_import(fleet: Vehicle) -> None:
    clerk = make_user("n.ashgrovely", role="clerk")
    planned = plan(file_of(repairs.HEADINGS, *REPAIRS), "r.csv", "repairs", None, clerk, now=NOW)
    with pytest.raises(Refused, match="role"):
        commit(planned, actor=clerk, with_good_rows_only=False)
