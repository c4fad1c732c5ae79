"""Calibration worksheets: the readings that a technician writes down, empty and loaded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np

from fleetcal.simulator.vehicles import Vehicle
from fleetcal.simulator.weighing import Reference, empty_kg, share_load

MINUTES_PER_READING = 3


@dataclass(frozen=True, slots=True)
class WorksheetRow:
    """A line of worksheets.csv, one reading; the fields are its columns."""

    worksheet: str
    registration: str
    technician: str
    instrument: str
    on: date
    time: str
    state: str
    method: str
    axles: str
    left: int | None
    right: int | None
    reading: int | None
    unit: str
    lift_axles_state: str
    slope_percent: float
    wind_m_s: float
    brakes_released: bool
    ride_height: bool | None
    level: bool
    stop_a_at: datetime
    stop_b_at: datetime | None
    stop_signed_by: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """`taught_at` is the signing of the second stop, None where the load was too light to teach the spans."""

    rows: tuple[WorksheetRow, ...]
    taught_at: datetime | None


@dataclass(frozen=True, slots=True)
class _Reading:
    reference: Reference
    method: str
    axles: tuple[int, ...]
    left_kg: int | None
    right_kg: int | None
    reading_kg: int | None


def calibrate(
    vehicle: Vehicle,
    on: date,
    technician: str,
    *,
    scale: Reference,
    one_draft: Reference | None,
    loaded_fraction: float,
    teach: bool,
    rng: np.random.Generator,
) -> Calibration:
    """One worksheet, weighed on `scale` with the load at `loaded_fraction` of the maximum gross weight.

    With pads, `one_draft` is a weighbridge that gave the gross of all axles as well, if there was one.
    """
    layout = vehicle.layout
    begun_at = datetime.combine(on, time(9, 0)) + timedelta(minutes=int(rng.integers(0, 45)))
    empty = _weigh(vehicle, share_load(layout, empty_kg(layout, rng), rng), scale, one_draft, rng)
    loaded = _weigh(
        vehicle, share_load(layout, loaded_fraction * layout.max_gross_kg, rng), scale, one_draft, rng
    )
    stop_a_at = begun_at + timedelta(minutes=MINUTES_PER_READING * len(empty) + 12)
    loaded_at = stop_a_at + timedelta(minutes=int(rng.integers(40, 80)))
    stop_b_at = loaded_at + timedelta(minutes=MINUTES_PER_READING * len(loaded) + 12)
    form = WorksheetRow(
        worksheet=f"{vehicle.registration}/{on:%y%m%d}",
        registration=vehicle.registration,
        technician=technician,
        instrument="",
        on=on,
        time="",
        state="",
        method="",
        axles="",
        left=None,
        right=None,
        reading=None,
        unit="kg",
        lift_axles_state="",
        slope_percent=round(float(rng.uniform(0.0, 0.3)), 1),
        wind_m_s=round(float(rng.uniform(0.5, 4.5)), 1),
        brakes_released=True,
        ride_height=True if {"air", "mixed"} & set(layout.suspension) else None,
        level=True,
        stop_a_at=stop_a_at,
        stop_b_at=stop_b_at if teach else None,
        stop_signed_by=technician,
    )
    return Calibration(
        rows=(*_fill(form, "empty", begun_at, empty), *_fill(form, "loaded", loaded_at, loaded)),
        taught_at=form.stop_b_at,
    )


def _weigh(
    vehicle: Vehicle,
    loads_kg: Sequence[float],
    scale: Reference,
    one_draft: Reference | None,
    rng: np.random.Generator,
) -> tuple[_Reading, ...]:
    axles = tuple(range(1, len(loads_kg) + 1))
    if scale.kind == "pads":
        readings = [_read_pads(scale, axle, loads_kg[axle - 1], rng) for axle in axles]
        if one_draft is not None:
            readings.append(_read_bridge(one_draft, axles, loads_kg, rng))
        return tuple(readings)
    boarded = [axles[:count] for count in range(1, len(axles) + 1)]
    # A tractor is weighed with its trailer behind it, which is why it cannot leave the platform axle by axle.
    remaining = [axles[count:] for count in range(1, len(axles))] if vehicle.layout.kind == "rigid" else []
    return tuple(_read_bridge(scale, covered, loads_kg, rng) for covered in (*boarded, *remaining))


def _read_pads(scale: Reference, axle: int, load_kg: float, rng: np.random.Generator) -> _Reading:
    left_share = 0.5 + float(rng.normal(0.0, 0.008))
    return _Reading(
        scale,
        "pads",
        (axle,),
        scale.read_kg(load_kg * left_share, rng),
        scale.read_kg(load_kg * (1.0 - left_share), rng),
        None,
    )


def _read_bridge(
    scale: Reference, axles: tuple[int, ...], loads_kg: Sequence[float], rng: np.random.Generator
) -> _Reading:
    on_the_platform_kg = sum(loads_kg[axle - 1] for axle in axles)
    return _Reading(scale, "bridge", axles, None, None, scale.read_kg(on_the_platform_kg, rng))


def _fill(
    form: WorksheetRow, state: str, begun_at: datetime, readings: Sequence[_Reading]
) -> tuple[WorksheetRow, ...]:
    return tuple(
        replace(
            form,
            instrument=reading.reference.serial,
            time=f"{begun_at + timedelta(minutes=MINUTES_PER_READING * number):%H:%M}",
            state=state,
            method=reading.method,
            axles="+".join(str(axle) for axle in reading.axles),
            left=reading.left_kg,
            right=reading.right_kg,
            reading=reading.reading_kg,
        )
        for number, reading in enumerate(readings)
    )
