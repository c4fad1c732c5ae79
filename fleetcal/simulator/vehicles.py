"""The invented fleet: layouts of rigids, tractors and trailers, their plates, numbers and dates."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleetcal.simulator.stories import Story, story_of

PLATE_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
VIN_CHARACTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
# No maker's number begins with 0: the first character names a region, from 1 or A on (from memory).
VIN_PREFIX = "0BT"
SHARE_ON_THE_ROLLOUT = 0.8


@dataclass(frozen=True, slots=True)
class Layout:
    """A kind of vehicle; weights are the rating plate's and the empty vehicle's, per axle from the front."""

    kind: str
    max_gross_kg: int
    axle_max_kg: tuple[int, ...]
    empty_kg: tuple[int, ...]
    groups: tuple[tuple[int, ...], ...]
    suspension: tuple[str, ...]
    spacing_mm: tuple[int, ...]
    lift_axles: tuple[int, ...] = ()
    steered_axles: tuple[int, ...] = ()
    driven_axles: tuple[int, ...] = ()
    twin_tyred_axles: tuple[int, ...] = ()

    def group_max_kg(self, group: int) -> int:
        return sum(self.axle_max_kg[axle - 1] for axle in self.groups[group])


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One unit of the fleet. A trailer's gross is what stands on its own axles."""

    fleet_number: str
    registration: str
    vin: str
    depot: str
    registered_on: date
    in_service_on: date
    fitted_on: date
    division_kg: int
    km_per_day: int
    odometer_start_km: int
    layout: Layout


# Weights and spacings are common practice, no source. One entry per vehicle of a cycle of twenty.
_RIGID_2_AIR = Layout(
    "rigid", 18000, (7500, 11500), (4700, 4100), ((1,), (2,)), ("steel", "air"), (4800,),
    steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,),
)  # fmt: skip
_RIGID_2_LEAF = Layout(
    "rigid", 18000, (7500, 11500), (4600, 3900), ((1,), (2,)), ("steel", "steel"), (4500,),
    steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,),
)  # fmt: skip
_RIGID_3_LIFT = Layout(
    "rigid", 26000, (8000, 11500, 8000), (5100, 3400, 1900), ((1,), (2, 3)), ("steel", "air"), (3900, 1370),
    lift_axles=(3,), steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,),
)  # fmt: skip
_RIGID_3_RUBBER = Layout(
    "rigid", 26000, (8000, 9500, 9500), (5000, 2900, 2800), ((1,), (2, 3)), ("steel", "rubber"), (3600, 1350),
    steered_axles=(1,), driven_axles=(2, 3), twin_tyred_axles=(2, 3),
)  # fmt: skip
_RIGID_3_MIXED = Layout(
    "rigid", 26000, (8000, 11500, 7500), (5000, 3300, 1900), ((1,), (2, 3)), ("steel", "mixed"), (4100, 1400),
    steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,),
)  # fmt: skip
_RIGID_4_LEAF = Layout(
    "rigid", 32000, (8000, 8000, 9500, 9500), (3500, 3300, 2900, 2800), ((1, 2), (3, 4)), ("steel", "steel"),
    (1950, 3200, 1370), steered_axles=(1, 2), driven_axles=(3, 4), twin_tyred_axles=(3, 4),
)  # fmt: skip
_RIGID_4_RUBBER = Layout(
    "rigid", 32000, (8000, 8000, 9500, 9500), (3400, 3200, 2800, 2800), ((1, 2), (3, 4)), ("steel", "rubber"),
    (1950, 3100, 1350), steered_axles=(1, 2), driven_axles=(3, 4), twin_tyred_axles=(3, 4),
)  # fmt: skip
_RIGID_4_AIR = Layout(
    "rigid", 32000, (8000, 8000, 11500, 7500), (3600, 3400, 3300, 2000), ((1, 2), (3,), (4,)),
    ("steel", "air", "air"), (1950, 3300, 1900),
    steered_axles=(1, 2, 4), driven_axles=(3,), twin_tyred_axles=(3,),
)  # fmt: skip
_TRACTOR_2 = Layout(
    "tractor", 18000, (7500, 11500), (5000, 2600), ((1,), (2,)), ("steel", "air"), (3700,),
    steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,),
)  # fmt: skip
_TRACTOR_2_AIR = Layout(
    "tractor", 18000, (8000, 11500), (5100, 2600), ((1,), (2,)), ("air", "air"), (3800,),
    steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,),
)  # fmt: skip
_TRACTOR_3 = Layout(
    "tractor", 26000, (8000, 11500, 7500), (5200, 2500, 1400), ((1,), (2, 3)), ("steel", "air"), (3100, 1350),
    lift_axles=(3,), steered_axles=(1,), driven_axles=(2,), twin_tyred_axles=(2,),
)  # fmt: skip
_SEMI_3_AIR = Layout(
    "trailer", 27000, (9000, 9000, 9000), (1900, 1900, 1900), ((1, 2, 3),), ("air",), (1310, 1310),
    lift_axles=(1,),
)  # fmt: skip
_SEMI_3_LEAF = Layout(
    "trailer", 24000, (8000, 8000, 8000), (1800, 1800, 1800), ((1, 2, 3),), ("steel",), (1360, 1360)
)  # fmt: skip
_SEMI_2_RUBBER = Layout("trailer", 18000, (9000, 9000), (2100, 2100), ((1, 2),), ("rubber",), (1820,))
_DRAWBAR_2 = Layout(
    "trailer", 18000, (9000, 9000), (2300, 2200), ((1,), (2,)), ("steel", "steel"), (5000,),
    steered_axles=(1,), twin_tyred_axles=(1, 2),
)  # fmt: skip
_DRAWBAR_3 = Layout(
    "trailer", 24000, (9000, 8000, 8000), (2200, 1700, 1700), ((1,), (2, 3)), ("air", "air"), (4600, 1310),
    steered_axles=(1,),
)  # fmt: skip

CYCLE: tuple[Layout, ...] = (
    _RIGID_4_LEAF, _TRACTOR_2, _SEMI_3_AIR, _RIGID_3_RUBBER, _RIGID_2_AIR, _RIGID_4_RUBBER, _TRACTOR_3,
    _SEMI_3_LEAF, _RIGID_3_LIFT, _DRAWBAR_2, _RIGID_4_LEAF, _TRACTOR_2_AIR, _SEMI_2_RUBBER, _RIGID_3_MIXED,
    _RIGID_4_AIR, _TRACTOR_2, _SEMI_3_AIR, _RIGID_2_LEAF, _DRAWBAR_3, _RIGID_4_RUBBER,
)  # fmt: skip


def draw_vehicles(
    count: int,
    *,
    depots: tuple[str, ...],
    epoch: date,
    horizon_days: int,
    rng: np.random.Generator,
) -> tuple[Vehicle, ...]:
    """`count` vehicles; most got their weighing system in the months after the epoch, the others when bought.

    A vehicle with a story was there from the epoch, so that there is time for it.
    """
    plates = _draw_plates(rng)
    return tuple(
        _draw_vehicle(index, next(plates), depots, epoch, horizon_days, story_of(index), rng)
        for index in range(count)
    )


def _draw_vehicle(
    index: int,
    plate: str,
    depots: tuple[str, ...],
    epoch: date,
    horizon_days: int,
    story: Story,
    rng: np.random.Generator,
) -> Vehicle:
    layout = CYCLE[index % len(CYCLE)]
    in_service_day, fitted_day, odometer_km = _draw_days(horizon_days, story, rng)
    in_service_on = epoch + timedelta(days=in_service_day)
    return Vehicle(
        fleet_number=f"{layout.kind[0].upper()}{101 + index}",
        registration=plate,
        vin=_draw_vin(rng),
        depot=depots[int(rng.integers(len(depots)))],
        registered_on=in_service_on - timedelta(days=int(rng.integers(1, 15))),
        in_service_on=in_service_on,
        fitted_on=epoch + timedelta(days=fitted_day),
        division_kg=int(rng.choice([10, 20, 20, 20, 50])),
        km_per_day=int(rng.integers(150, 380)),
        odometer_start_km=odometer_km,
        layout=layout,
    )


def _draw_days(horizon_days: int, story: Story, rng: np.random.Generator) -> tuple[int, int, int]:
    """Day in service and day fitted, both counted from the epoch, and the odometer at the epoch in km."""
    on_the_rollout = rng.random() < SHARE_ON_THE_ROLLOUT or story is not Story.ORDINARY
    age_days, rollout_day = (
        int(rng.integers(60, 1500)),
        int(rng.integers(2, max(3, min(75, horizon_days // 5)))),
    )
    bought_day = int(rng.integers(horizon_days // 10, horizon_days * 2 // 3))
    if story is Story.NEWLY_FITTED:
        return -age_days, horizon_days - 10, age_days * 250
    if on_the_rollout:
        return -age_days, rollout_day, age_days * 250
    return bought_day, bought_day - 1, 0


def _draw_plates(rng: np.random.Generator) -> Iterator[str]:
    """Two letters, a hyphen and three digits, never the same twice."""
    seen: set[str] = set()
    while True:
        letters = rng.choice(list(PLATE_LETTERS), 2)
        plate = f"{letters[0]}{letters[1]}-{int(rng.integers(100, 1000))}"
        if plate not in seen:
            seen.add(plate)
            yield plate


def _draw_vin(rng: np.random.Generator) -> str:
    return VIN_PREFIX + "".join(rng.choice(list(VIN_CHARACTERS), 14))
