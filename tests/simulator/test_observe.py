"""What the fleet writes down is consistent, and a few vehicles are in trouble of known kinds."""

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

import numpy as np
import pytest

from fleetcal.simulator.observe import Observed, Truth, observe_fleet
from fleetcal.simulator.scenario import FEEDMILL_BRIDGE, build_scenario
from fleetcal.simulator.stories import Story
from fleetcal.simulator.truth import FloatArray, Reset, mis_specified, well_specified
from fleetcal.simulator.vehicles import Vehicle
from fleetcal.simulator.worksheets import WorksheetRow

UNTIL = date(2026, 11, 24)
Simulation = tuple[Observed, Truth]


def simulate(vehicles: int = 60, years: float = 3.0, seed: int = 7) -> Simulation:
    rng = np.random.default_rng(seed)
    scenario = build_scenario(vehicles=vehicles, years=years, until=UNTIL, rng=rng)
    return observe_fleet(scenario, well_specified(), rng)


@pytest.fixture(scope="module")
def simulation() -> Simulation:
    return simulate()


def list_worksheets(observed: Observed) -> dict[str, list[WorksheetRow]]:
    sheets = defaultdict(list)
    for row in observed.worksheets:
        sheets[row.worksheet].append(row)
    return sheets


def solve_axles_kg(rows: Sequence[WorksheetRow], axles: int) -> FloatArray:
    covered = [[float(str(axle) in row.axles.split("+")) for axle in range(1, axles + 1)] for row in rows]
    # A row holds either a pair of pads or one reading.
    read_kg = [float((row.left or 0) + (row.right or 0) + (row.reading or 0)) for row in rows]
    solution, _, rank, _ = np.linalg.lstsq(np.array(covered), np.array(read_kg), rcond=None)
    assert rank == axles
    return np.asarray(solution)


def find_vehicles(simulation: Simulation, story: Story) -> list[Vehicle]:
    observed, truth = simulation
    return [each for each in observed.scenario.vehicles if truth.stories[each.registration] == story]


def test_plates_and_chassis_numbers_are_unique_and_well_formed(simulation: Simulation) -> None:
    vehicles = simulation[0].scenario.vehicles
    assert len({each.registration for each in vehicles}) == len({each.vin for each in vehicles}) == 60
    assert all(re.fullmatch(r"[A-HJ-NPR-Z]{2}-\d{3}", each.registration) for each in vehicles)
    assert all(re.fullmatch(r"[A-HJ-NPR-Z0-9]{17}", each.vin) for each in vehicles)
    kinds = Counter(each.layout.kind for each in vehicles)
    assert min(kinds[kind] for kind in ("rigid", "tractor", "trailer")) >= 10
    assert {each.depot for each in vehicles} == {"MIL", "FEN", "SKE"}


def test_channels_are_unique_and_without_a_gap(simulation: Simulation) -> None:
    channels = defaultdict(list)
    for row in simulation[0].sensors:
        channels[row.registration].append(row.channel)
    assert len(channels) == 60
    assert all(each == list(range(1, len(each) + 1)) for each in channels.values())


def test_accepted_worksheets_meet_the_loads_that_the_trade_asks_for(simulation: Simulation) -> None:
    vehicles = {each.registration: each for each in simulation[0].scenario.vehicles}
    accepted = refused = 0
    for rows in list_worksheets(simulation[0]).values():
        layout = vehicles[rows[0].registration].layout
        axles = len(layout.axle_max_kg)
        empty_kg, loaded_kg = (
            solve_axles_kg([row for row in rows if row.state == state], axles)
            for state in ("empty", "loaded")
        )
        assert (loaded_kg <= layout.axle_max_kg).all()
        assert (loaded_kg > empty_kg).all()
        if layout.kind != "trailer":
            assert loaded_kg[0] - empty_kg[0] >= 900
        if rows[0].stop_b_at is None:
            refused += 1
            assert loaded_kg.sum() < 0.9 * layout.max_gross_kg
        else:
            accepted += 1
            assert loaded_kg.sum() >= 0.9 * layout.max_gross_kg
            assert rows[0].stop_a_at < rows[0].stop_b_at
    assert accepted > 100
    assert 2 <= refused <= 0.12 * accepted


def test_worksheets_use_both_methods_and_only_valid_instruments(simulation: Simulation) -> None:
    scenario = simulation[0].scenario
    assert {row.method for row in simulation[0].worksheets} == {"pads", "bridge"}
    assert all(scenario.instrument(row.instrument).is_valid(row.on) for row in simulation[0].worksheets)


def test_no_calibration_falls_into_the_cure_of_the_bond(simulation: Simulation) -> None:
    bonded_at = {row.registration: row.bonded_at for row in simulation[0].sensors if row.bonded_at}
    for row in simulation[0].worksheets:
        if row.registration in bonded_at:
            assert datetime.combine(row.on, time(9)) - bonded_at[row.registration] > timedelta(hours=72)


def test_the_truth_is_reset_exactly_when_a_worksheets_second_stop_is_signed(simulation: Simulation) -> None:
    observed, truth = simulation
    taught_at = defaultdict(list)
    for rows in list_worksheets(observed).values():
        if rows[0].stop_b_at is not None:
            taught_at[rows[0].registration].append(rows[0].stop_b_at)
    midnight = datetime.combine(observed.scenario.epoch, time())
    for plate, history in truth.histories.items():
        for group in history.groups:
            resets = [
                midnight + timedelta(minutes=round(event.day * 1440))
                for event in group.events
                if isinstance(event, Reset)
            ]
            assert resets == taught_at[plate]


def test_every_ticket_comes_after_the_vehicle_went_into_service(simulation: Simulation) -> None:
    observed, truth = simulation
    swapped = {ticket.number for ticket in truth.wrong_tickets if ticket.fault == "swapped plate"}
    vehicles = {each.registration: each for each in observed.scenario.vehicles}
    for ticket in observed.tickets:
        if ticket.number not in swapped:
            vehicle = vehicles[ticket.plate]
            assert ticket.weighed_at.date() > max(vehicle.in_service_on, vehicle.fitted_on)
        assert ticket.weighed_at.date() <= UNTIL


def test_there_are_about_twelve_everyday_tickets_a_vehicle_and_year() -> None:
    observed, _ = simulate(vehicles=120, years=2.0, seed=11)
    first_day: dict[str, date] = {}
    for ticket in observed.tickets:
        first_day.setdefault(ticket.plate, ticket.weighed_at.date())
    in_use_years = sum((UNTIL - day).days for day in first_day.values()) / 365.25
    trade = sum(ticket.purpose == "trade" for ticket in observed.tickets)
    assert trade / in_use_years == pytest.approx(12.0, rel=0.08)


def test_about_one_everyday_ticket_in_two_hundred_is_wrong_and_a_few_contradict() -> None:
    observed, truth = simulate(vehicles=300, years=3.0, seed=12)
    trade = sum(ticket.purpose == "trade" for ticket in observed.tickets)
    faults = Counter(ticket.fault for ticket in truth.wrong_tickets)
    assert (faults["swapped plate"] + faults["transposed digits"]) / trade == pytest.approx(0.005, rel=0.35)
    assert faults["same number, another weight"] >= 5
    assert faults["at two places within minutes"] >= 5
    numbers = Counter((ticket.site, ticket.number) for ticket in observed.tickets)
    assert sum(count > 1 for count in numbers.values()) == faults["same number, another weight"]


def test_comparisons_are_near_full_load_with_two_readings_where_the_file_has_room(
    simulation: Simulation,
) -> None:
    observed = simulation[0]
    plates_kg = {each.registration: each.layout.max_gross_kg for each in observed.scenario.vehicles}
    comparisons = [ticket for ticket in observed.tickets if ticket.purpose != "trade"]
    assert {ticket.purpose for ticket in comparisons} == {"check", "as found", "as left"}
    for ticket in comparisons:
        assert ticket.gross_kg >= 0.9 * plates_kg[ticket.plate]
        assert len(ticket.displays_kg) == (1 if ticket.site == FEEDMILL_BRIDGE else 2)


def test_displays_agree_with_the_truth_on_correct_comparisons(simulation: Simulation) -> None:
    observed, truth = simulation
    vehicles = {each.registration: each for each in observed.scenario.vehicles}
    midnight = datetime.combine(observed.scenario.epoch, time())
    standardised = []
    for ticket in observed.tickets:
        if ticket.purpose != "trade" and ticket.group_displays_kg:
            history, layout = truth.histories[ticket.plate], vehicles[ticket.plate].layout
            day = (ticket.weighed_at - midnight) / timedelta(days=1)
            for group, (reference_kg, shown_kg) in enumerate(
                zip(ticket.group_references_kg, ticket.group_displays_kg, strict=True)
            ):
                full_kg = layout.group_max_kg(group)
                spread_kg = full_kg * np.hypot(history.groups[group].parameters.repeatability, 0.0025)
                error_kg = history.error_kg(group, reference_kg, day)
                standardised.append((shown_kg - reference_kg - error_kg) / spread_kg)
    assert len(standardised) > 200
    assert abs(np.mean(standardised)) < 0.2
    assert np.std(standardised) == pytest.approx(1.0, abs=0.15)


def test_two_vehicles_were_never_calibrated(simulation: Simulation) -> None:
    calibrated = {row.registration for row in simulation[0].worksheets}
    never = {each.registration for each in simulation[0].scenario.vehicles} - calibrated
    told = find_vehicles(simulation, Story.INSTALLATION_OPEN) + find_vehicles(simulation, Story.NEWLY_FITTED)
    assert never == {each.registration for each in told}
    assert len(never) == 2


def test_two_vehicles_had_a_spring_replaced_and_were_not_calibrated_again(simulation: Simulation) -> None:
    vehicles = find_vehicles(simulation, Story.SPRING_REPLACED)
    assert len(vehicles) == 2
    for vehicle in vehicles:
        repairs = [row for row in simulation[0].repairs if row.plate == vehicle.registration]
        replaced = [row for row in repairs if row.component in {"leaf spring", "air spring"}]
        since = replaced[-1].done_at.date()
        assert since >= UNTIL - timedelta(days=31)
        assert not [
            row
            for row in simulation[0].worksheets
            if row.registration == vehicle.registration and row.on >= since
        ]


def test_one_vehicle_failed_its_last_check_by_more_than_the_tolerance(simulation: Simulation) -> None:
    (vehicle,) = find_vehicles(simulation, Story.CHECK_FAILED)
    check = [
        ticket
        for ticket in simulation[0].tickets
        if ticket.plate == vehicle.registration and ticket.purpose == "check"
    ][-1]
    last = len(vehicle.layout.groups) - 1
    error_kg = check.group_displays_kg[last] - check.group_references_kg[last]
    assert check.weighed_at.date() >= UNTIL - timedelta(days=25)
    assert abs(error_kg) > 0.05 * vehicle.layout.group_max_kg(last)
    assert not [
        row
        for row in simulation[0].worksheets
        if row.registration == vehicle.registration and row.on >= check.weighed_at.date()
    ]


def test_one_vehicle_has_had_no_comparison_for_more_than_a_year_and_a_half(simulation: Simulation) -> None:
    (vehicle,) = find_vehicles(simulation, Story.NEGLECTED)
    compared = [
        ticket.weighed_at.date()
        for ticket in simulation[0].tickets
        if ticket.plate == vehicle.registration and ticket.purpose != "trade"
    ]
    assert max(compared) < UNTIL - timedelta(days=548)


def test_one_vehicle_was_only_checked_where_the_certificate_had_lapsed(simulation: Simulation) -> None:
    (vehicle,) = find_vehicles(simulation, Story.LAPSED_REFERENCE)
    check = [
        ticket
        for ticket in simulation[0].tickets
        if ticket.plate == vehicle.registration and ticket.purpose == "check"
    ][-1]
    assert check.site == FEEDMILL_BRIDGE
    assert not simulation[0].scenario.instrument(check.site).is_valid(check.weighed_at.date())


def test_one_vehicles_last_worksheet_stopped_at_too_light_a_load(simulation: Simulation) -> None:
    (vehicle,) = find_vehicles(simulation, Story.TOO_LIGHT)
    rows = [row for row in simulation[0].worksheets if row.registration == vehicle.registration]
    assert rows[-1].stop_b_at is None
    assert rows[-1].on >= UNTIL - timedelta(days=25)


def test_unrecorded_repairs_are_missing_from_the_log() -> None:
    rng = np.random.default_rng(21)
    scenario = build_scenario(vehicles=20, years=3.0, until=UNTIL, rng=rng)
    observed, truth = observe_fleet(scenario, mis_specified(), rng)
    logged = {(row.plate, row.done_at) for row in observed.repairs}
    midnight = datetime.combine(scenario.epoch, time())
    fitted_on = {each.registration: each.fitted_on for each in scenario.vehicles}
    unrecorded = 0
    for plate, history in truth.histories.items():
        for jump in (jump for group in history.groups for jump in group.jumps()):
            moment = midnight + timedelta(minutes=round(jump.day * 1440))
            if moment.date() > fitted_on[plate]:
                assert ((plate, moment) in logged) == jump.recorded
                unrecorded += not jump.recorded
    assert unrecorded > 0


@pytest.mark.parametrize(("vehicles", "years"), [(0, 3.0), (60, 0.1)])
def test_it_refuses_a_fleet_too_small_and_a_time_too_short(vehicles: int, years: float) -> None:
    with pytest.raises(ValueError, match="at least"):
        build_scenario(vehicles=vehicles, years=years, until=UNTIL, rng=np.random.default_rng(1))


@pytest.mark.parametrize("years", [0.25, 0.5])
def test_even_a_short_time_gives_every_story_its_fleet(years: float) -> None:
    observed, truth = simulate(vehicles=60, years=years, seed=3)
    assert len(truth.histories) == 60
    assert len({row.registration for row in observed.worksheets}) > 40
