"""Installation records: one row per sensor, as the person who fitted it would have written it down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

from fleetcal.simulator.stories import Story
from fleetcal.simulator.vehicles import Vehicle

CHANNELS_PER_UNIT = 4
# Common practice, no source: the faces are warmed below this.
WARM_BELOW_F = 60.0


@dataclass(frozen=True, slots=True)
class SensorRow:
    """A line of installations.csv; the fields are its columns."""

    registration: str
    system_serial: str
    fitted_on: date
    division_kg: int
    mode: str
    supply_v: int
    fuse_a: int
    clock_set_at: datetime
    clock_offset_s: int
    junction_units: str
    alarm_gross_kg: int
    alarm_axles_kg: str
    sensor_serial: str
    channel: int
    axle: int
    side: str
    principle: str
    place: str
    in_line: bool
    pivot: str
    lead_towards_pivot: bool | None
    fixing: str
    bonded_at: datetime | None
    surface_clean: bool
    temperature: float | None
    temperature_unit: str
    warmed_first: bool | None
    pressed_min: int | None
    supported_while_curing: bool | None
    free_travel: bool
    clear_of_heat: bool
    labelled: bool
    recognised_singly: bool


@dataclass(frozen=True, slots=True)
class _Mount:
    """How a sensor of one principle sits on an axle."""

    axle: int
    side: str
    principle: str
    place: str
    pivot: str
    fixing: str


def record_installation(
    vehicle: Vehicle, number: int, story: Story, rng: np.random.Generator
) -> tuple[SensorRow, ...]:
    """The rows of one vehicle, channels counted from 1 from the front and left to right.

    Steel and rubber carry a sensor on each side of every axle; air carries one per group, on its first axle.
    """
    layout = vehicle.layout
    mounts = [
        mount
        for axles, suspension in zip(layout.groups, layout.suspension, strict=True)
        for mount in _mount_group(axles, suspension, layout.steered_axles)
    ]
    started_at = datetime.combine(vehicle.fitted_on, time(8, 30)) + timedelta(
        minutes=int(rng.integers(0, 60))
    )
    in_celsius = vehicle.depot == "SKE"
    temperature_f = float(rng.uniform(50.0, 80.0))
    clock_offset_s = int(rng.integers(-40, 90))
    return tuple(
        SensorRow(
            registration=vehicle.registration,
            system_serial=f"WS-{4000 + number}",
            fitted_on=vehicle.fitted_on,
            division_kg=vehicle.division_kg,
            mode="group" if any(len(axles) > 1 for axles in layout.groups) else "axle",
            supply_v=24,
            fuse_a=3,
            clock_set_at=started_at + timedelta(hours=5),
            clock_offset_s=clock_offset_s,
            junction_units=_wire_junction_units(len(mounts)),
            alarm_gross_kg=_alarm_kg(layout.max_gross_kg),
            alarm_axles_kg=";".join(str(_alarm_kg(each)) for each in layout.axle_max_kg),
            sensor_serial=f"SE-{4000 + number}-{channel:02d}",
            channel=channel,
            axle=mount.axle,
            side=mount.side,
            principle=mount.principle,
            place=mount.place,
            in_line=True,
            pivot=mount.pivot,
            # The two sides of an axle mirror each other; opposite leads would compensate a slope in opposite senses.
            lead_towards_pivot=None if mount.pivot == "none" else True,
            fixing=mount.fixing,
            bonded_at=started_at + timedelta(minutes=20 * channel) if mount.fixing == "bonded" else None,
            surface_clean=True,
            temperature=_convert_temperature(temperature_f, in_celsius) if mount.fixing == "bonded" else None,
            temperature_unit=("C" if in_celsius else "F") if mount.fixing == "bonded" else "",
            warmed_first=temperature_f < WARM_BELOW_F if mount.fixing == "bonded" else None,
            pressed_min=5 if mount.fixing == "bonded" else None,
            supported_while_curing=True if mount.fixing == "bonded" else None,
            free_travel=True,
            clear_of_heat=True,
            labelled=story is not Story.INSTALLATION_OPEN,
            recognised_singly=story is not Story.INSTALLATION_OPEN,
        )
        for channel, mount in enumerate(mounts, start=1)
    )


def _mount_group(axles: Sequence[int], suspension: str, steered: Sequence[int]) -> list[_Mount]:
    """A mixed group has air under its first axle and steel under the others."""
    if suspension == "air":
        return [_Mount(axles[0], "centre", "pressure", "air line", "none", "piped")]
    if suspension == "mixed":
        return [*_mount_group(axles[:1], "air", steered), *_mount_group(axles[1:], "steel", steered)]
    mounts = []
    for axle in axles:
        pivot = "ahead" if axle in steered else "behind"
        for side in ("left", "right"):
            if suspension == "rubber":
                mounts.append(_Mount(axle, side, "deflection", "strut", "none", "bolted"))
            else:
                mounts.append(_Mount(axle, side, "strain", "spring", pivot, "bonded"))
    return mounts


def _wire_junction_units(channels: int) -> str:
    units = []
    for number, first in enumerate(range(1, channels + 1, CHANNELS_PER_UNIT), start=1):
        last = min(first + CHANNELS_PER_UNIT - 1, channels)
        units.append(f"JU{number}:" + "+".join(str(channel) for channel in range(first, last + 1)))
    return ";".join(units)


def _alarm_kg(maximum_kg: int) -> int:
    """Just below the rating plate, to the 100 kg."""
    return int(maximum_kg * 0.98 // 100 * 100)


def _convert_temperature(temperature_f: float, in_celsius: bool) -> float:
    return round((temperature_f - 32.0) / 1.8 if in_celsius else temperature_f, 1)
