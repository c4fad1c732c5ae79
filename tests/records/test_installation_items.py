from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest

from fleetcal.fleet.models import Axle, PolicyVersion, Sensor, WeighingSystem
from fleetcal.fleet.policy_defaults import REQUIRED_ITEMS
from fleetcal.fleet.selectors import AxleShape, GroupShape, VehicleShape
from fleetcal.records.installation_items import (
    Fitting,
    convert_temperature,
    list_items,
    slope_sense,
)
from fleetcal.records.models import Installation, SensorBond
from fleetcal.records.models.installations import InstallationItem as Item

BONDED_AT = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
CURED_AT = BONDED_AT + timedelta(hours=72)


def a_shape() -> VehicleShape:
    """Two axles: steel in front, air behind."""
    return VehicleShape(
        uuid4(), "KJ-204", "F1", "rigid", uuid4(), 18000.0, None, date(2025, 1, 1), None,
        (GroupShape(uuid4(), 1, "steel", 7500.0, (1,)), GroupShape(uuid4(), 2, "air", 11500.0, (2,))),
        (
            AxleShape(1, 1, 7500.0, None, True, False, False, False),
            AxleShape(2, 2, 11500.0, 4500, False, True, False, True),
        ),
    )  # fmt: skip


def a_sensor(channel: int, axle: int, side: str, fixing: str = "bonded", **fields: Any) -> Sensor:
    values = {"pivot": "ahead", "lead_towards_pivot": True} if fixing == "bonded" else {"pivot": "none"}
    return Sensor(channel=channel, axle=Axle(number=axle), side=side, fixing=fixing, **{**values, **fields})


def a_bond(sensor: Sensor, **fields: Any) -> SensorBond:
    values = {
        "bonded_at": BONDED_AT, "surface_ready": True, "surface_temperature": Decimal("60.00"), "temperature_unit": "F",
        "pressed_min": Decimal(5), "was_supported": True, "travel_is_free": True, "lead_has_slack": True,
        "lead_is_clear": True, "lead_is_labelled": True,
    }  # fmt: skip
    return SensorBond(sensor_id=sensor.pk, **{**values, **fields})


def a_policy(**fields: Any) -> PolicyVersion:
    version = PolicyVersion(required_items=list(REQUIRED_ITEMS), **fields)
    version.clean_fields(
        exclude=["policy", "number", "effective_from", "recorded_at", "recorded_by", "entry"]
    )
    return version


def a_fitting(
    *,
    sensors: tuple[Sensor, ...] | None = None,
    bond: dict[str, Any] | None = None,
    installation: dict[str, Any] | None = None,
    system: dict[str, Any] | None = None,
    policy: dict[str, Any] | None = None,
) -> Fitting:
    """Everything settled but for what is given; *bond* changes the bond of channel 1."""
    if sensors is None:
        sensors = (a_sensor(1, 1, "left"), a_sensor(2, 1, "right"), a_sensor(3, 2, "centre", "piped"))
    bonds = {s.pk: a_bond(s, **(bond or {} if s.channel == 1 else {})) for s in sensors}
    flags = dict.fromkeys(("clock_is_set", "supply_fused", "units_sheltered", "channels_recognised"), True)
    alarms: dict[str, Any] = {
        "alarm_gross_kg": Decimal(18000),
        "alarm_axles_kg": {"1": "7500.000", "2": "11500.000"},
    }
    return Fitting(
        shape=a_shape(),
        system=WeighingSystem(
            **{"axle_count": 2, "mode": "axle", "supply_v": 24, "fuse_a": Decimal("3.00"), **(system or {})}
        ),
        sensors=sensors,
        installation=Installation(**{**flags, **alarms, **(installation or {})}),
        bonds=bonds,
        policy=a_policy(**(policy or {})),
    )


def state_of(fitting: Fitting, item: Item, at: datetime = CURED_AT) -> tuple[bool | None, str]:
    state = next(state for state in list_items(fitting, at) if state.item == item)
    return state.settled, state.text


def test_a_complete_installation_leaves_nothing_open() -> None:
    states = list_items(a_fitting(), CURED_AT)

    assert [state.item for state in states] == list(Item)
    assert [state.item.value for state in states if state.settled is not True] == []


Case = tuple[Item, Callable[[], Fitting], str]
OPEN: list[Case] = [
    (Item.CHANNELS, lambda: a_fitting(sensors=()), "No sensor is on record"),
    (
        Item.CHANNELS,
        lambda: a_fitting(
            sensors=(a_sensor(1, 1, "left"), a_sensor(1, 1, "right"), a_sensor(2, 2, "centre", "piped"))
        ),
        "Channel 1 is given twice",
    ),
    (
        Item.CHANNELS,
        lambda: a_fitting(
            sensors=(a_sensor(1, 1, "left"), a_sensor(2, 1, "right"), a_sensor(4, 2, "centre", "piped"))
        ),
        "Channel 3 is missing",
    ),
    (
        Item.CHANNELS,
        lambda: a_fitting(sensors=(a_sensor(1, 1, "left"), a_sensor(2, 1, "right"))),
        "Axle group 2 has no sensor",
    ),
    (
        Item.CHANNELS,
        lambda: replace(a_fitting(), bonds={}),
        "How channel 1, channel 2, channel 3 was put in place",
    ),
    (Item.RECOGNISED, lambda: a_fitting(installation={"channels_recognised": False}), "one at a time"),
    (Item.AXLES, lambda: a_fitting(system={"axle_count": 3}), "set to 3 axles, the vehicle has 2"),
    (
        Item.AXLES,
        lambda: a_fitting(sensors=(a_sensor(1, 1, "left"), a_sensor(2, 1, "right"))),
        "axle 2 has no sensor of its own",
    ),
    (
        Item.PAIRS,
        lambda: a_fitting(
            sensors=(a_sensor(1, 1, "left"), a_sensor(2, 1, "left"), a_sensor(3, 2, "centre", "piped"))
        ),
        "Axle 1 needs one sensor on each side and has 2 left",
    ),
    (
        Item.PAIRS,
        lambda: a_fitting(sensors=(a_sensor(1, 1, "left"), a_sensor(2, 2, "centre", "piped"))),
        "Axle 1 needs one sensor on each side and has 1 left",
    ),
    (
        Item.PAIRS,
        lambda: a_fitting(
            sensors=(
                a_sensor(1, 1, "left"),
                a_sensor(2, 1, "right", lead_towards_pivot=False),
                a_sensor(3, 2, "centre", "piped"),
            )
        ),
        "in different senses",
    ),
    (Item.SURFACE, lambda: a_fitting(bond={"surface_ready": False}), "channel 1"),
    (
        Item.TEMPERATURE,
        lambda: a_fitting(bond={"surface_temperature": None}),
        "Measure the surface at channel 1",
    ),
    (Item.TEMPERATURE, lambda: a_fitting(bond={"surface_temperature": Decimal("59.99")}), "not warmed first"),
    (Item.PRESSED, lambda: a_fitting(bond={"pressed_min": Decimal("4.9")}), "at least 5 min: channel 1"),
    (Item.PRESSED, lambda: a_fitting(bond={"pressed_min": None}), "channel 1"),
    (Item.SUPPORTED, lambda: a_fitting(bond={"was_supported": False}), "channel 1"),
    (Item.TRAVEL, lambda: a_fitting(bond={"travel_is_free": False}), "channel 1"),
    (Item.LEADS, lambda: a_fitting(bond={"lead_has_slack": False}), "Give just the slack"),
    (Item.LEADS, lambda: a_fitting(bond={"lead_is_clear": False}), "clear of sharp and hot"),
    (Item.LEADS, lambda: a_fitting(bond={"lead_is_labelled": False}), "Label at both ends"),
    (Item.UNITS, lambda: a_fitting(installation={"units_sheltered": False}), "sheltered"),
    (Item.SUPPLY, lambda: a_fitting(installation={"supply_fused": False}), "Fuse the supply lead"),
    (Item.SUPPLY, lambda: a_fitting(system={"fuse_a": Decimal("5.00")}), "5 A is fitted; at most 3 A"),
    (Item.CLOCK, lambda: a_fitting(installation={"clock_is_set": False}), "Set the display's clock"),
    (Item.ALARM_GROSS, lambda: a_fitting(installation={"alarm_gross_kg": None}), "to 18\u202f000 kg or less"),
    (
        Item.ALARM_GROSS,
        lambda: a_fitting(policy={"alarm_margin_percent": "98.00"}),
        "is 18\u202f000 kg; the policy allows 17\u202f640 kg",
    ),
    (
        Item.ALARM_AXLES,
        lambda: a_fitting(installation={"alarm_axles_kg": {"1": "7500.000"}}),
        "alarm point of axle 2 to 11\u202f500 kg or less",
    ),
    (Item.CURED, lambda: a_fitting(bond={"bonded_at": None}), "When was it bonded? channel 1"),
    (Item.CURED, lambda: a_fitting(bond={"bonded_at": BONDED_AT + timedelta(hours=1)}), "1.0 h more"),
    (Item.CURED, lambda: replace(a_fitting(), rebonded_at=(BONDED_AT + timedelta(hours=30),)), "30.0 h more"),
]


@pytest.mark.parametrize(("item", "fitting", "words"), OPEN)
def test_an_item_stays_open_and_says_what_to_do(
    item: Item, fitting: Callable[[], Fitting], words: str
) -> None:
    settled, text = state_of(fitting(), item)

    assert settled is False
    assert words in text


@pytest.mark.parametrize(
    ("value", "unit", "warmed", "settled"),
    [
        # 60 °F is 15.5556 °C (15.56 °C is its rounding): the threshold is compared in °F, so 15.56 °C is warm enough.
        ("60.00", "F", False, True),
        ("15.56", "C", False, True),
        ("15.55", "C", False, False),
        ("15.55", "C", True, True),
        ("59.99", "F", False, False),
    ],
)
def test_a_temperature_is_compared_in_the_policys_unit(
    value: str, unit: str, warmed: bool, settled: bool
) -> None:
    fitting = a_fitting(
        bond={"surface_temperature": Decimal(value), "temperature_unit": unit, "was_warmed": warmed}
    )

    assert state_of(fitting, Item.TEMPERATURE)[0] is settled


def test_temperatures_convert_exactly() -> None:
    assert convert_temperature(Decimal(100), "C", "F") == 212
    assert convert_temperature(Decimal(-40), "F", "C") == -40


def test_the_bond_counts_as_cured_at_the_end_of_the_window_and_not_before() -> None:
    assert state_of(a_fitting(), Item.CURED, CURED_AT)[0] is True
    assert state_of(a_fitting(), Item.CURED, CURED_AT - timedelta(seconds=1))[0] is False


def test_items_of_bonded_sensors_do_not_apply_where_nothing_is_bonded() -> None:
    bolted = (
        a_sensor(1, 1, "left", "bolted"),
        a_sensor(2, 1, "right", "bolted"),
        a_sensor(3, 2, "centre", "piped"),
    )

    states = {state.item: state.settled for state in list_items(a_fitting(sensors=bolted), CURED_AT)}

    assert {item for item, settled in states.items() if settled is None} == {
        Item.TEMPERATURE, Item.PRESSED, Item.SUPPORTED, Item.CURED,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("pivot", "towards", "sense"),
    [("ahead", True, 1), ("ahead", False, -1), ("behind", True, -1), ("behind", False, 1), ("none", True, 0), ("none", False, 0)],
)  # fmt: skip
def test_the_sense_of_slope_compensation_follows_from_pivot_and_lead(
    pivot: str, towards: bool, sense: int
) -> None:
    assert slope_sense(Sensor(pivot=pivot, lead_towards_pivot=towards)) == sense
