from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.records.models import Calibration, Worksheet
from fleetcal.records.worksheet import sheet_from_json
from tests.calibration_factories import (
    BONDED_AT,
    CALIBRATED_AT,
    EMPTY_KG,
    LOADED_KG,
    make_calibration,
    make_installation,
)
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle

pytestmark = pytest.mark.django_db
BEGIN = {
    "covers_groups": ["1", "2"],
    "conditions-slope_percent": "0,2",
    "conditions-wind_m_s": "2.0",
    "conditions-brakes_released": "on",
    "conditions-ride_height_settled": "on",
    "conditions-is_level": "on",
}
A = ["empty level", "tare group 1", "tare group 2", "slope zero", "channels zero"]
B = ["loaded level", "taught group 1", "taught group 2"]


def signed_in(role: str = "technician", **fields: Any) -> Client:
    client = Client()
    client.force_login(make_user(f"{role}.one", role=role, **fields))
    return client


@pytest.fixture
def clock() -> Iterator[Any]:
    with time_machine.travel(CALIBRATED_AT, tick=False) as traveller:
        yield traveller


@pytest.fixture
def vehicle(clock: Any) -> Vehicle:
    make_instrument()
    return make_installation().vehicle


class Sheet:
    """The worksheet's page as a technician uses it, one minute passing with each step."""

    def __init__(self, clock: Any, client: Client, vehicle: Vehicle) -> None:
        self.clock, self.client, self.vehicle = clock, client, vehicle
        client.post(reverse("calibration_begin", args=[vehicle.pk]), BEGIN)
        self.worksheet = Worksheet.objects.get()
        self.url = reverse("worksheet", args=[self.worksheet.pk])

    def post(self, step: str, client: Client | None = None, **data: Any) -> Any:
        self.clock.shift(timedelta(minutes=1))
        self.worksheet.refresh_from_db()
        body = {"step": step, "revision": str(self.worksheet.revision), **data}
        return (client or self.client).post(self.url, body)

    def read(self, state: str, axles: tuple[int, ...], value: str, **more: str) -> Any:
        prefix = f"{state}-bridge-"
        data = {
            "instrument": str(make_instrument().pk),
            "axles": [str(n) for n in axles],
            "value": value,
            **more,
        }
        return self.post(f"{state} bridge", **{prefix + name: text for name, text in data.items()})

    def weigh(self, state: str) -> None:
        weights = EMPTY_KG if state == "empty" else LOADED_KG
        self.read(state, (1,), str(weights[1]))
        self.read(state, (1, 2, 3), str(sum(weights.values())))

    def fill(self) -> None:
        self.weigh("empty")
        self.post("stop a", ticks=A, sign="1")
        self.weigh("loaded")
        self.post("stop b", ticks=B, sign="1")

    def page(self) -> str:
        return str(self.client.get(self.url).content.decode())

    def sheet(self) -> Any:
        self.worksheet.refresh_from_db()
        return sheet_from_json(self.worksheet.state)


@pytest.fixture
def bench(clock: Any, vehicle: Vehicle) -> Sheet:
    return Sheet(clock, signed_in(), vehicle)


def test_a_calibration_from_the_plate_to_accepted(bench: Sheet) -> None:
    bench.weigh("empty")
    page = bench.page()
    # What to enter in the display, large, in the reader's unit.
    assert "5\u202f100 <small>kg</small>" in page
    bench.post("stop a", ticks=A, sign="1")
    bench.weigh("loaded")
    assert "2\u202f600 <small>kg</small>" in bench.page()
    bench.post("stop b", ticks=B, sign="1")
    assert "it can be accepted" in bench.page()

    answer = bench.post("conclude", accept="1", **{"conclude-odometer_km": "120500"})

    calibration = Calibration.objects.get()
    assert answer["Location"] == reverse("calibration", args=[calibration.pk])
    assert calibration.accepted
    assert calibration.odometer_km == 120_500
    page = bench.client.get(answer["Location"]).content.decode()
    assert "Accepted: every rule is met, and both stops are signed." in page
    assert "Record as left" in page


def test_the_panel_says_what_is_missing_in_the_readers_unit(clock: Any, vehicle: Vehicle) -> None:
    bench = Sheet(clock, signed_in("manager", unit="lb"), vehicle)
    bench.weigh("empty")
    bench.post("stop a", ticks=A, sign="1")
    # 44 092 lb are 20 000 kg; 90 % of 26 000 kg are 23 400 kg, so 3 400 kg or 7 496 lb are missing.
    bench.read("loaded", (1, 2, 3), "44092")

    page = bench.page()
    assert "Load 7\u202f496 lb more." in page
    assert "do not tell the weight of axle 1, 2, 3 yet" in page


def test_readings_are_kept_as_entered_and_can_be_corrected_and_removed(bench: Sheet) -> None:
    bench.read("empty", (1,), "5 100,0")
    assert bench.sheet().readings[0].entered == {"value": "5 100,0"}

    page = bench.client.get(bench.url, {"reading": "1"}).content.decode()
    assert "Correct reading 1" in page
    assert 'value="5100"' in page
    bench.read("empty", (1,), "5120", number="1")
    assert [(r.number, r.value_kg) for r in bench.sheet().readings] == [(1, 5120)]
    bench.post("remove", number="1")
    assert bench.sheet().readings == ()


def test_pads_are_entered_left_and_right(bench: Sheet) -> None:
    pads = make_instrument("Pads", kind="pads")
    data = {"instrument": str(pads.pk), "axle": "1", "left": "2550", "right": "2500"}
    bench.post("empty pads", **{f"empty-pads-{name}": text for name, text in data.items()})

    reading = bench.sheet().readings[0]
    assert (reading.left_kg, reading.right_kg, reading.value_kg) == (2550, 2500, 5050)
    assert "data-addend" in bench.page()


def test_a_refused_reading_keeps_what_was_typed_beside_its_error(bench: Sheet) -> None:
    answer = bench.read("empty", (1, 3), "7000")

    page = answer.content.decode()
    assert answer.status_code == 400
    assert "do not stand side by side" in page
    assert 'value="7000"' in page
    assert bench.sheet().readings == ()


def test_a_loaded_reading_before_stop_a_is_refused(bench: Sheet) -> None:
    bench.weigh("empty")

    answer = bench.read("loaded", (1,), "7700")

    assert "comes after stop A" in answer.content.decode()
    assert len(bench.sheet().readings) == 2


def test_a_stop_with_a_line_unticked_is_refused_and_keeps_the_ticks(bench: Sheet) -> None:
    bench.weigh("empty")

    answer = bench.post("stop a", ticks=A[:2], sign="1")

    assert "3 of 5 missing" in bench.client.get(answer["Location"]).content.decode()
    assert bench.sheet().ticks == ("empty level", "tare group 1")
    assert bench.sheet().stop_a is None


def test_ticks_are_kept_without_signing(bench: Sheet) -> None:
    bench.weigh("empty")
    bench.post("stop a", ticks=["slope zero"], keep="1")

    assert bench.sheet().ticks == ("slope zero",)


def test_someone_elses_change_is_noticed(bench: Sheet) -> None:
    data = {"step": "remove", "revision": "0", "number": "1"}
    answer = bench.client.post(bench.url, data, follow=True)

    assert "Someone else changed this worksheet" in answer.content.decode()


@pytest.mark.parametrize(
    "data", [{}, {"step": "remove"}, {"step": "dance", "revision": "1"}, {"step": "remove", "revision": "x"}]
)
def test_a_post_that_is_no_step_is_a_bad_request(bench: Sheet, data: dict[str, str]) -> None:
    assert bench.client.post(bench.url, data).status_code == 400


def test_not_accepted_needs_a_reason(bench: Sheet) -> None:
    bench.weigh("empty")
    answer = bench.post("conclude", refuse="1")
    assert "Say why the calibration is not accepted" in answer.content.decode()
    assert not Calibration.objects.exists()

    bench.post("conclude", refuse="1", **{"conclude-why_not": "the bridge closed"})

    calibration = Calibration.objects.get()
    assert (calibration.accepted, calibration.why_not) == (False, "the bridge closed")
    page = bench.client.get(reverse("calibration", args=[calibration.pk])).content.decode()
    assert "Not accepted. the bridge closed" in page


def test_acceptance_with_a_rule_unmet_is_refused_on_the_page(bench: Sheet) -> None:
    bench.weigh("empty")

    answer = bench.post("conclude", accept="1")

    assert "It cannot be accepted" in answer.content.decode()
    assert not Calibration.objects.exists()


def test_a_manager_excuses_a_rule_and_a_technician_cannot(bench: Sheet) -> None:
    bench.fill()
    bench.post(
        "conditions",
        **{name: text for name, text in BEGIN.items() if "wind" not in name and "covers" not in name},
    )
    data = {"excuse-rule": "slope_and_wind", "excuse-reason": "no anemometer here; flags hung still"}
    assert "ask a fleet manager" in bench.post("excuse", **data).content.decode()
    assert "Excuse a rule" not in bench.page()

    bench.post("excuse", client=signed_in("manager"), **data)
    bench.post("conclude", accept="1")

    calibration = Calibration.objects.get()
    assert calibration.accepted
    page = bench.client.get(reverse("calibration", args=[calibration.pk])).content.decode()
    assert "or excused" in page
    assert "Excused: no anemometer here; flags hung still (manager.one)" in page


def test_an_abandoned_worksheet_leads_back_to_the_vehicle(bench: Sheet) -> None:
    answer = bench.post("abandon", **{"abandon-reason": "rain"})

    assert answer["Location"] == reverse("vehicle", args=[bench.vehicle.pk])
    assert entries_of(bench.vehicle.stream)[-1].kind == "calibration.abandoned"
    assert bench.client.get(bench.url)["Location"] == reverse("vehicle", args=[bench.vehicle.pk])


def test_the_worksheet_page_has_one_heading_and_the_cautions(bench: Sheet) -> None:
    page = bench.page()

    assert page.count("<h1") == 1
    assert "Never work under a vehicle" in page
    assert "style=" not in page
    bench.weigh("empty")
    bench.post("stop a", ticks=A, sign="1")
    assert "Keep clear of loads while they are being placed" in bench.page()
    assert "An overloaded vehicle stays off the road" in bench.page()


def test_no_id_is_used_twice(bench: Sheet) -> None:
    make_instrument("Pads", kind="pads")
    bench.weigh("empty")
    ids = [part.split('"')[0] for part in bench.page().split(' id="')[1:]]

    assert sorted({each for each in ids if ids.count(each) > 1}) == []


def test_it_does_not_begin_while_a_required_item_is_open(clock: Any) -> None:
    vehicle = make_installation(clock_is_set=False).vehicle
    client = signed_in()
    url = reverse("calibration_begin", args=[vehicle.pk])

    page = client.get(url).content.decode()
    assert "cannot start while these are open" in page
    assert "Set the display&#x27;s clock" in page
    assert "not settled" in client.post(url, BEGIN).content.decode()
    assert not Worksheet.objects.exists()


def test_inside_the_cure_window_a_manager_begins_with_a_reason(clock: Any, vehicle: Vehicle) -> None:
    clock.move_to(BONDED_AT + timedelta(hours=10))
    url = reverse("calibration_begin", args=[vehicle.pk])
    assert "62.0 h more" in signed_in().get(url).content.decode()
    assert signed_in().post(url, BEGIN).status_code == 200
    manager = signed_in("manager")
    assert "Say why it cannot wait" in manager.post(url, BEGIN).content.decode()
    assert not Worksheet.objects.exists()

    manager.post(url, BEGIN | {"cure_reason": "leaves tonight"})

    excuse = sheet_from_json(Worksheet.objects.get().state).excuse_for("bond_cured")
    assert excuse is not None
    assert excuse.reason == "leaves tonight"


@pytest.mark.parametrize("prepare", [make_vehicle, lambda: make_system(make_vehicle()).vehicle])
def test_without_an_installation_it_says_what_to_do_first(prepare: Any) -> None:
    make_policy()
    page = signed_in("manager").get(reverse("calibration_begin", args=[prepare().pk])).content.decode()

    assert "first." in page
    assert "Open the worksheet" not in page


def test_beginning_again_leads_to_the_open_worksheet(bench: Sheet) -> None:
    answer = bench.client.get(reverse("calibration_begin", args=[bench.vehicle.pk]))

    assert answer["Location"] == bench.url
    start = bench.client.get(reverse("calibration_start")).content.decode()
    assert bench.url in start
    assert "Open worksheets" in start


def test_one_match_of_the_plate_leads_straight_on(vehicle: Vehicle) -> None:
    answer = signed_in().get(reverse("calibration_start"), {"q": "kj204"})

    assert answer["Location"] == reverse("calibration_begin", args=[vehicle.pk])


def test_only_the_chosen_groups_are_calibrated(clock: Any, vehicle: Vehicle) -> None:
    client = signed_in()
    client.post(reverse("calibration_begin", args=[vehicle.pk]), BEGIN | {"covers_groups": ["2"]})

    assert sheet_from_json(Worksheet.objects.get().state).covers_groups == (2,)


def test_another_depots_vehicle_does_not_exist(bench: Sheet) -> None:
    bench.fill()
    bench.post("conclude", accept="1")
    calibration = Calibration.objects.get()
    bench.client.post(reverse("calibration_begin", args=[bench.vehicle.pk]), BEGIN)
    other = Client()
    other.force_login(make_user("elsewhere", role="technician", depots=(make_depot("FEN"),)))

    for name, pk in (
        ("calibration_begin", bench.vehicle.pk),
        ("worksheet", Worksheet.objects.get(closed_at=None).pk),
        ("calibration", calibration.pk),
    ):
        assert other.get(reverse(name, args=[pk])).status_code == 404
        assert other.post(reverse(name, args=[pk]), BEGIN).status_code in (404, 405)
    assert "Open worksheets" not in other.get(reverse("calibration_start")).content.decode()


@pytest.mark.parametrize("role", ["compliance", "clerk", "workshop"])
def test_a_role_without_the_capability_is_refused_but_may_read(bench: Sheet, role: str) -> None:
    before = (Worksheet.objects.get().revision, count_of(bench.vehicle.stream))
    client = signed_in(role)

    assert client.get(reverse("calibration_start")).status_code == 403
    assert client.post(reverse("calibration_begin", args=[bench.vehicle.pk]), BEGIN).status_code == 403
    assert bench.post("remove", client=client, number="1").status_code == 403
    assert (Worksheet.objects.get().revision, count_of(bench.vehicle.stream)) == before
    calibration = make_calibration(bench.vehicle, CALIBRATED_AT - timedelta(days=10))
    assert client.get(reverse("calibration", args=[calibration.pk])).status_code == 200


def test_the_page_of_a_record_is_not_written_to(vehicle: Vehicle) -> None:
    calibration = make_calibration(vehicle, CALIBRATED_AT - timedelta(days=10))

    assert signed_in().post(reverse("calibration", args=[calibration.pk])).status_code == 405
