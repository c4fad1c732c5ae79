from datetime import date

import pytest

from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.selectors import PolicyBook, shape_of
from fleetcal.ledger.verification import verify
from tests.factories import (
    BUILDS,
    make_depot,
    make_instrument,
    make_policy,
    make_system,
    make_user,
    make_vehicle,
)

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("layout", BUILDS)
def test_a_vehicle_of_every_build_stands_with_its_system_and_its_policy(layout: str) -> None:
    vehicle = make_vehicle(layout=layout)
    system = make_system(vehicle)
    make_policy()

    shape = shape_of(vehicle)
    assert [axle.number for axle in shape.axles] == list(range(1, BUILDS[layout].layout.axle_count + 1))
    assert system.sensors.count() == len({sensor.channel for sensor in system.sensors.all()})
    assert PolicyBook().version_for(shape, date(2026, 1, 1)) is not None


def test_the_ledger_agrees_with_everything_that_the_factories_made() -> None:
    depot = make_depot()
    make_user("n.ashgrovely", role="clerk", depots=(depot,))
    make_system(make_vehicle())
    make_instrument()
    make_instrument("Millbridge pads", kind="pads")
    make_policy()

    assert list(verify()) == []


def test_asking_twice_gives_the_same_object() -> None:
    assert make_vehicle() == make_vehicle()
    assert make_depot() == make_depot()
    assert make_instrument() == make_instrument()
    assert InstrumentBook().validity(make_instrument().pk, date(2026, 1, 1)).valid
