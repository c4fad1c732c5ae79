"""How a load is shared by the axles, and what a reference instrument and a display make of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleetcal.simulator.truth import TrueHistory
from fleetcal.simulator.vehicles import Layout

# Assumptions, no source: how much an instrument's span is off, and how well it repeats itself.
GAIN_SPREAD = {"weighbridge": 0.0005, "pads": 0.0015}
REPEATABILITY_KG = {"weighbridge": 5.0, "pads": 12.0}
# On a bad day (brakes dragging, wheels turned, air not settled) a display repeats this much worse.
BAD_DAY_FACTOR = 3.0
BAD_DAY_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference instrument as it really is: it multiplies a load by 1 + `gain_error`."""

    serial: str
    kind: str
    d_kg: int
    gain_error: float

    def read_kg(self, load_kg: float, rng: np.random.Generator) -> int:
        """What it indicates, to its division."""
        shown_kg = load_kg * (1.0 + self.gain_error) + rng.normal(0.0, REPEATABILITY_KG[self.kind])
        return round_to(max(shown_kg, 0.0), self.d_kg)


def draw_reference(serial: str, kind: str, d_kg: int, rng: np.random.Generator) -> Reference:
    return Reference(serial, kind, d_kg, float(rng.normal(0.0, GAIN_SPREAD[kind])))


def round_to(value_kg: float, division_kg: int) -> int:
    return round(value_kg / division_kg) * division_kg


def share_load(layout: Layout, gross_kg: float, rng: np.random.Generator) -> tuple[float, ...]:
    """Axle loads in kg that add up to `gross_kg`.

    Each axle carries its empty weight and its part of the payload, such that at the maximum gross weight all
    are equally near to their plates; the driver's placing of the load shifts each by about 0.7 % of itself.
    """
    empty_kg = np.array(layout.empty_kg, dtype=np.float64)
    plates_kg = np.array(layout.axle_max_kg, dtype=np.float64)
    full_kg = plates_kg * layout.max_gross_kg / plates_kg.sum()
    payload_share = (gross_kg - empty_kg.sum()) / (layout.max_gross_kg - empty_kg.sum())
    placing = 1.0 + np.clip(rng.normal(0.0, 0.007, len(empty_kg)), -0.014, 0.014)
    loads_kg = (empty_kg + payload_share * (full_kg - empty_kg)) * placing
    return tuple(float(each) for each in loads_kg * gross_kg / loads_kg.sum())


def empty_kg(layout: Layout, rng: np.random.Generator) -> float:
    """The vehicle's own weight today, with more or less fuel and mud on it."""
    return sum(layout.empty_kg) + float(rng.uniform(-60.0, 120.0))


def sum_groups(layout: Layout, loads_kg: Sequence[float]) -> tuple[float, ...]:
    return tuple(sum(loads_kg[axle - 1] for axle in axles) for axles in layout.groups)


def repeatability_kg(history: TrueHistory, group: int, load_kg: float) -> float:
    """Standard deviation of one display reading: its value at full load, falling with lighter loads.

    rep·R_max·min(1, 1.2 r): the check case of the drift model uses the factor 0.48 at r = 0.4 and 1 at r = 1.
    """
    truth = history.groups[group]
    ratio = load_kg / truth.full_load_kg
    return truth.parameters.repeatability * truth.full_load_kg * min(1.0, 1.2 * ratio)


def read_display(
    history: TrueHistory,
    group_loads_kg: Sequence[float],
    on_day: float,
    division_kg: int,
    rng: np.random.Generator,
    *,
    noise_factor: float = 1.0,
) -> tuple[int, ...]:
    """One reading of each group, to the display's division; the gross that it shows is their sum."""
    return tuple(
        round_to(
            load_kg
            + history.error_kg(group, load_kg, on_day)
            + rng.normal(0.0, noise_factor * repeatability_kg(history, group, load_kg)),
            division_kg,
        )
        for group, load_kg in enumerate(group_loads_kg)
    )
