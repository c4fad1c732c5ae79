"""Which records rest on a reference instrument, and which days they count for."""

from datetime import UTC, date, datetime

import pytest

from fleetcal.fleet.models import Vehicle
from fleetcal.records.resting import happened_within, resting_on, vehicles_resting_on
from fleetcal.records.services.corrections import withdraw
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.rows import at, write_calibration, write_check

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    vehicle = make_vehicle()
    make_system(vehicle)
    return vehicle


def test_checks_and_calibrations_are_counted_with_their_vehicles_and_days(vehicle: Vehicle) -> None:
    bridge, pads = make_instrument(), make_instrument("Pads", kind="pads")
    other = make_vehicle("KJ-205")
    make_system(other, serial="D-1002")
    write_calibration(vehicle, at(date(2024, 3, 1)), instrument=bridge)
    write_check(vehicle, at(date(2024, 5, 1)), {0: "pass"})
    write_check(other, at(date(2024, 6, 1)), {0: "pass"})
    write_check(other, at(date(2024, 7, 1)), {0: "pass"}, instrument=pads)
    found = resting_on(bridge.pk)
    assert (found.checks, found.calibrations, found.records, found.vehicles) == (2, 1, 3, 2)
    assert (found.first, found.last) == (at(date(2024, 3, 1)), at(date(2024, 6, 1)))
    assert vehicles_resting_on(pads.pk) == {other.pk}
    in_may = resting_on(bridge.pk, happened_within(date(2024, 5, 1), date(2024, 5, 31)))
    assert (in_may.records, in_may.vehicles) == (1, 1)
    nothing = resting_on(bridge.pk, happened_within(date(2020, 1, 1), date(2020, 1, 1)))
    assert (nothing.records, nothing.vehicles, nothing.first) == (0, 0, None)


def test_a_withdrawn_record_is_not_counted_but_its_vehicle_is_judged_anew(vehicle: Vehicle) -> None:
    check = write_check(vehicle, at(date(2024, 5, 1)), {0: "pass"})
    withdraw(check, actor=make_user(), reason="of another vehicle")
    bridge = make_instrument()
    assert resting_on(bridge.pk).records == 0
    assert vehicles_resting_on(bridge.pk) == {vehicle.pk}


@pytest.mark.parametrize(
    ("moment", "is_within"),
    [
        # 1 May in Auckland (UTC+12 in May) is from noon of 30 April to noon of 1 May in UTC.
        (datetime(2024, 4, 30, 11, 59, tzinfo=UTC), False),
        (datetime(2024, 4, 30, 12, 0, tzinfo=UTC), True),
        (datetime(2024, 5, 1, 11, 59, tzinfo=UTC), True),
        (datetime(2024, 5, 1, 12, 0, tzinfo=UTC), False),
    ],
)
def test_days_are_those_of_the_vehicles_depot(moment: datetime, is_within: bool) -> None:
    make_policy()
    make_depot()
    far = make_vehicle(depot=make_depot("AKL", time_zone="Pacific/Auckland"))
    make_system(far)
    write_check(far, moment, {0: "pass"})
    found = resting_on(make_instrument().pk, happened_within(date(2024, 5, 1), date(2024, 5, 1)))
    assert found.records == is_within
