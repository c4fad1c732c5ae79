from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
import time_machine

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.records.models import Calibration, Worksheet
from fleetcal.records.services.worksheets import (
    OpenSheet,
    ReadingDraft,
    abandon,
    add_reading,
    conclude,
    excuse_rule,
    look_at,
    open_worksheet,
    remove_reading,
    replace_reading,
    set_conditions,
    sign_stop,
    tick,
)
from fleetcal.records.worksheet import Conditions, Sheet, sheet_from_json, sheet_to_json
from tests.calibration_factories import (
    BONDED_AT,
    CALIBRATED_AT,
    CONDITIONS,
    EMPTY_KG,
    LOADED_KG,
    complete_sheet,
    make_installation,
)
from tests.factories import make_instrument, make_user, make_vehicle

pytestmark = pytest.mark.django_db
A = ("empty level", "tare group 1", "tare group 2", "slope zero", "channels zero")
B = ("loaded level", "taught group 1", "taught group 2")


class Bench:
    """A worksheet being filled in, one minute passing with each step."""

    def __init__(self, clock: Any, actor: User, worksheet: Worksheet) -> None:
        self.clock, self.actor, self.worksheet = clock, actor, worksheet

    def do(self, step: Any, *args: Any, actor: User | None = None, **kwargs: Any) -> Any:
        self.clock.shift(timedelta(minutes=1))
        self.worksheet.refresh_from_db()
        revision = kwargs.pop("revision", self.worksheet.revision)
        done = step(self.worksheet.pk, *args, actor=actor or self.actor, revision=revision, **kwargs)
        self.worksheet.refresh_from_db()
        return done

    def read(self, state: str, axles: tuple[int, ...], value_kg: int) -> None:
        self.do(add_reading, bridge(state, axles, value_kg))

    def weigh(self, state: str) -> None:
        weights = EMPTY_KG if state == "empty" else LOADED_KG
        for axles in ((1,), (1, 2, 3)):
            self.read(state, axles, sum(weights[n] for n in axles))

    @property
    def sheet(self) -> Sheet:
        return sheet_from_json(self.worksheet.state)

    def look(self) -> OpenSheet:
        return look_at(self.worksheet, self.worksheet.changed_at)


def bridge(state: str, axles: tuple[int, ...], value_kg: int) -> ReadingDraft:
    return ReadingDraft(
        state, "bridge", make_instrument().pk, axles, Decimal(value_kg), entered={"value": str(value_kg)}
    )


@pytest.fixture
def bench() -> Any:
    vehicle = make_installation().vehicle
    make_instrument()
    with time_machine.travel(CALIBRATED_AT, tick=False) as clock:
        actor = make_user("i.morv", role="technician")
        yield Bench(clock, actor, open_worksheet(actor=actor, vehicle=vehicle))


def fill_until(bench: Bench, step: str) -> None:
    """Everything that comes before *step*."""
    bench.do(set_conditions, CONDITIONS)
    if step == "empty":
        return
    bench.weigh("empty")
    if step == "stop a":
        return
    bench.do(sign_stop, "a", A)
    if step == "loaded":
        return
    bench.weigh("loaded")
    if step == "stop b":
        return
    bench.do(sign_stop, "b", B)


def test_a_calibration_goes_from_conditions_to_accepted(bench: Bench) -> None:
    fill_until(bench, "conclude")

    calibration = bench.do(conclude, accept=True, odometer_km=120_500)

    assert calibration.accepted
    assert calibration.entered["reading 1 value"] == "5100 kg"
    assert calibration.odometer_km == 120_500
    assert [(row.tare_entered_kg, row.span_entered_kg) for row in calibration.axles.all()] == [
        (5100, 2600),
        (5300, 12400),
    ]
    assert bench.worksheet.closed_at is not None
    kinds = [entry.kind for entry in entries_of(bench.worksheet.vehicle.stream)][-3:]
    assert kinds == ["calibration.stop_signed", "calibration.stop_signed", "calibration.accepted"]


def test_signing_a_stop_keeps_the_values_entered_in_the_ledger(bench: Bench) -> None:
    fill_until(bench, "loaded")

    entry = entries_of(bench.worksheet.vehicle.stream)[-1]
    assert (entry.kind, entry.actor) == ("calibration.stop_signed", "i.morv")
    assert entry.data["values_kg"] == {"group 1": "5100.000", "group 2": "5300.000"}
    assert "rows" not in entry.data


def refusals() -> list[Any]:
    loaded = ("loaded", (1,), 7700)
    empty = ("empty", (1,), 5100)
    return [
        ("start", lambda b: b.read(*empty), "Record the conditions"),
        ("start", lambda b: b.do(sign_stop, "a", ()), "Record the conditions"),
        ("empty", lambda b: b.read(*loaded), "comes after stop A"),
        ("empty", lambda b: b.do(sign_stop, "a", ()), "No reading yet"),
        ("empty", lambda b: b.do(sign_stop, "c", ()), "There is no stop c"),
        ("empty", lambda b: b.do(tick, "a", ["taught group 1"]), "no line “taught group 1”"),
        ("empty", lambda b: b.do(remove_reading, 7), "There is no reading 7"),
        ("stop a", lambda b: b.read(*loaded), "comes after stop A"),
        ("stop a", lambda b: b.do(sign_stop, "a", A[:-1]), "1 of 5 missing"),
        ("stop a", lambda b: b.do(sign_stop, "b", ()), "Stop A comes first"),
        (
            "stop a",
            lambda b: b.do(set_conditions, replace(CONDITIONS, lift_axles_up=(3,))),
            "Axle 3 stands in reading 2",
        ),
        (
            "stop a",
            lambda b: b.do(set_conditions, replace(CONDITIONS, lift_axles_up=(1,))),
            "Axle 1 is not a lift axle",
        ),
        ("stop a", lambda b: b.do(set_conditions, Conditions(slope_percent=Decimal(21))), "slope of 21 %"),
        ("stop a", lambda b: b.do(set_conditions, Conditions(wind_m_s=Decimal(-1))), "wind of -1 m/s"),
        ("stop a", lambda b: b.do(conclude, accept=True), "cannot be accepted"),
        ("stop a", lambda b: b.do(conclude, accept=False), "Say why"),
        ("loaded", lambda b: b.read(*empty), "Stop A is signed"),
        ("loaded", lambda b: b.do(remove_reading, 1), "Stop A is signed"),
        ("loaded", lambda b: b.do(replace_reading, 1, bridge("loaded", (1,), 5120)), "Stop A is signed"),
        (
            "loaded",
            lambda b: b.do(set_conditions, replace(CONDITIONS, lift_axles_up=(3,))),
            "hold only for the lift axles as they were",
        ),
        ("loaded", lambda b: b.do(sign_stop, "a", A), "Stop A is signed"),
        ("loaded", lambda b: b.do(sign_stop, "b", B), "No reading yet"),
        ("stop b", lambda b: b.do(sign_stop, "b", B[:1]), "2 of 3 missing"),
        ("conclude", lambda b: b.read(*loaded), "Stop B is signed"),
        ("conclude", lambda b: b.do(tick, "b", ()), "Stop B is signed"),
        ("conclude", lambda b: b.do(excuse_rule, "redundancy", "because"), "ask a fleet manager"),
        ("conclude", lambda b: b.do(abandon, " "), "Say why"),
    ]


@pytest.mark.parametrize(("until", "act", "words"), refusals())
def test_the_order_of_the_steps_is_enforced(bench: Bench, until: str, act: Any, words: str) -> None:
    if until != "start":
        fill_until(bench, until)
    before = (bench.worksheet.revision, count_of(bench.worksheet.vehicle.stream))

    with pytest.raises(Refused, match=words):
        act(bench)

    bench.worksheet.refresh_from_db()
    assert (bench.worksheet.revision, count_of(bench.worksheet.vehicle.stream)) == before
    assert bench.worksheet.closed_at is None
    assert not Calibration.objects.exists()


def test_stop_b_is_refused_on_another_day(bench: Bench) -> None:
    fill_until(bench, "stop b")
    bench.clock.shift(timedelta(days=1))

    with pytest.raises(Refused, match="on the same day"):
        bench.do(sign_stop, "b", B)


def test_a_reading_can_be_replaced_and_removed_before_the_stop(bench: Bench) -> None:
    fill_until(bench, "stop a")

    bench.do(replace_reading, 1, bridge("empty", (1,), 5120))
    assert [(r.number, r.value_kg) for r in bench.sheet.readings] == [(1, 5120), (2, 10400)]
    bench.do(remove_reading, 2)
    assert [r.number for r in bench.sheet.readings] == [1]


def test_ticks_are_kept_before_the_stop_is_signed(bench: Bench) -> None:
    fill_until(bench, "stop a")
    bench.do(tick, "a", ["slope zero", "empty level"])

    assert bench.sheet.ticks == ("empty level", "slope zero")


def test_someone_elses_change_is_noticed(bench: Bench) -> None:
    bench.do(set_conditions, CONDITIONS)

    with pytest.raises(Refused, match="Someone else changed this worksheet at 09:01: look before you save"):
        bench.do(set_conditions, CONDITIONS, revision=0)


def test_a_closed_worksheet_takes_nothing_more(bench: Bench) -> None:
    bench.do(abandon, "the bridge closed for the day")

    with pytest.raises(Refused, match="was closed at 09:01"):
        bench.do(set_conditions, CONDITIONS)


def test_abandoning_keeps_the_reason_in_the_ledger_and_lets_another_begin(bench: Bench) -> None:
    bench.do(abandon, "the bridge closed for the day")

    entry = entries_of(bench.worksheet.vehicle.stream)[-1]
    assert (entry.kind, entry.reason) == ("calibration.abandoned", "the bridge closed for the day")
    assert open_worksheet(actor=bench.actor, vehicle=bench.worksheet.vehicle).pk != bench.worksheet.pk


def test_a_vehicle_has_one_open_worksheet(bench: Bench) -> None:
    with pytest.raises(Refused, match="is open already"):
        open_worksheet(actor=bench.actor, vehicle=bench.worksheet.vehicle)


def test_not_accepted_is_recorded_with_its_reason(bench: Bench) -> None:
    fill_until(bench, "stop b")

    calibration = bench.do(conclude, accept=False, why_not="the load shifted on the way back")

    assert not calibration.accepted
    assert calibration.why_not == "the load shifted on the way back"
    assert calibration.stop_b_at is None
    assert entries_of(bench.worksheet.vehicle.stream)[-1].kind == "calibration.not_accepted"


def test_a_manager_can_excuse_a_rule_and_the_reason_stays_visible(bench: Bench) -> None:
    fill_until(bench, "conclude")
    bench.do(set_conditions, replace(CONDITIONS, wind_m_s=Decimal("9.0")))
    assert not bench.look().assessment.is_acceptable

    manager = make_user("a.lindqvale", role="manager")
    with pytest.raises(Refused, match="Say why"):
        bench.do(excuse_rule, "slope_and_wind", "", actor=manager)
    with pytest.raises(Refused, match="“Not above the plate” cannot be excused"):
        bench.do(excuse_rule, "axle_maximum", "only a little", actor=manager)
    bench.do(excuse_rule, "slope_and_wind", "gusts only, readings repeated", actor=manager)
    calibration = bench.do(conclude, accept=True)

    outcome = calibration.outcomes.get(rule="slope_and_wind", subject="wind")
    assert (outcome.met, outcome.excuse, outcome.excused_by) == (
        False,
        "gusts only, readings repeated",
        "a.lindqvale",
    )
    assert calibration.outcomes.get(rule="slope_and_wind", subject="slope").excuse == ""


def open_at(vehicle: Vehicle, hours: float, **kwargs: Any) -> Worksheet:
    with time_machine.travel(BONDED_AT + timedelta(hours=hours), tick=False):
        return open_worksheet(vehicle=vehicle, **kwargs)


def test_it_does_not_open_while_a_required_item_is_open() -> None:
    vehicle = make_installation(clock_is_set=False).vehicle

    with pytest.raises(Refused, match="clock set: Set the display's clock"):
        open_at(vehicle, 100, actor=make_user("a.lindqvale"), cure_reason="in a hurry")
    assert not Worksheet.objects.exists()


def test_it_opens_inside_the_cure_window_only_for_who_may_and_with_a_reason() -> None:
    vehicle = make_installation().vehicle
    manager, technician = make_user("a.lindqvale"), make_user("i.morv", role="technician")

    with pytest.raises(Refused, match="ask a fleet manager"):
        open_at(vehicle, 71, actor=technician, cure_reason="in a hurry")
    with pytest.raises(Refused, match="Say why it cannot wait"):
        open_at(vehicle, 71, actor=manager)
    worksheet = open_at(vehicle, 71, actor=manager, cure_reason="leaves for the quarry tonight")

    excuse = sheet_from_json(worksheet.state).excuse_for("bond_cured")
    assert excuse is not None
    assert (excuse.reason, excuse.by) == ("leaves for the quarry tonight", "a.lindqvale")


def test_it_opens_for_everyone_once_the_bond_has_cured() -> None:
    vehicle = make_installation().vehicle

    assert open_at(vehicle, 72, actor=make_user("i.morv", role="technician")).pk


def test_it_does_not_open_without_a_system_or_for_an_unknown_group() -> None:
    vehicle = make_installation().vehicle
    with pytest.raises(Refused, match="no axle group 9"):
        open_at(vehicle, 100, actor=make_user(), covers_groups=(9,))
    with pytest.raises(Refused, match="enter the display first"):
        open_worksheet(actor=make_user(), vehicle=make_vehicle("KJ-300"))


def test_the_state_survives_its_json() -> None:
    sheet = complete_sheet(make_instrument(), covers_groups=(1, 2))

    assert sheet_from_json(sheet_to_json(sheet)) == sheet
    assert sheet_from_json({}) == Sheet()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda o: o.pop("ticks"),
        lambda o: o.update(extra=1),
        lambda o: o["readings"][0].update(value_kg=5100.0),
        lambda o: o["readings"][0].update(value_kg="NaN"),
        lambda o: o["readings"][0].update(value_kg="heavy"),
        lambda o: o["readings"][0].update(read_at="2023-05-02T09:00:00"),
        lambda o: o["readings"][0].update(instrument="bridge"),
        lambda o: o["readings"][0].update(axles=["1"]),
        lambda o: o["readings"][0].update(axles=[True]),
        lambda o: o["readings"][0].update(state="half"),
        lambda o: o["readings"][0].update(unit="st"),
        lambda o: o["readings"][1].update(number=1),
        lambda o: o["conditions"].update(is_level="yes"),
        lambda o: o["stop_a"].update(values_kg=[]),
        lambda o: o.update(readings={}),
    ],
)
def test_a_malformed_state_is_refused(spoil: Any) -> None:
    data = sheet_to_json(complete_sheet(make_instrument()))
    spoil(data)

    with pytest.raises(Refused, match="cannot be read"):
        sheet_from_json(data)
