"""What a vehicle's display is really wrong by, on any day.

Per axle group, relative to the group's full load: zero error a, span error at full load G, drift rate d of G.
The error at load r (fraction of full load) is a + r·G. Between events a and G are random walks and G also
moves by d; a repair adds a jump to both; a recalibration sets both to a small residual and leaves d as it
was. Nothing here knows what anybody has measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

DAYS_PER_MONTH = 30.4375
DAYS_PER_YEAR = 365.25
# The coldest day of the year, on which the seasonal error is largest. An assumption, no source.
COLDEST_DAY_OF_YEAR = 20


@dataclass(frozen=True, slots=True)
class DriftParameters:
    """How groups of one suspension type drift; every error is a fraction of the group's full load.

    The values are assumptions: no published drift-versus-time figure was found for any suspension type.
    """

    drift_mean_per_month: float
    drift_spread_per_month: float
    walk_span_per_sqrt_month: float
    walk_zero_per_sqrt_month: float
    repeatability: float
    jumps_per_year: float = 0.25
    jump_span: float = 0.018
    jump_zero: float = 0.006
    residual_span: float = 0.0035
    residual_zero: float = 0.0025
    unrecorded_share: float = 0.0
    season_amplitude: float = 0.0
    heavy_tails: bool = False


def well_specified() -> dict[str, DriftParameters]:
    """Parameters under which the drift model's own assumptions hold, by suspension type."""
    return {
        "steel": DriftParameters(0.0010, 0.0010, 0.0035, 0.0015, 0.012),
        "air": DriftParameters(0.0002, 0.0005, 0.0020, 0.0010, 0.006),
        "rubber": DriftParameters(0.0006, 0.0008, 0.0028, 0.0012, 0.009),
        # Half way between steel and air: a further assumption.
        "mixed": DriftParameters(0.0006, 0.0008, 0.0028, 0.0013, 0.009),
    }


def mis_specified() -> dict[str, DriftParameters]:
    """The same with t(4) jumps and drift rates, a fifth of the repairs unrecorded, and a season of ±0.5 %."""
    return {
        suspension: replace(parameters, heavy_tails=True, unrecorded_share=0.2, season_amplitude=0.005)
        for suspension, parameters in well_specified().items()
    }


@dataclass(frozen=True, slots=True)
class Jump:
    """A repair's effect at `day`; `recorded` says whether anybody wrote the repair down."""

    day: float
    zero: float
    span: float
    recorded: bool


@dataclass(frozen=True, slots=True)
class Reset:
    """A recalibration at `day`, after which zero and span errors are these residuals."""

    day: float
    zero: float
    span: float


@dataclass(frozen=True, slots=True)
class GroupTruth:
    """One axle group's true history; walks are cumulative, one value per whole day since the epoch."""

    axles: tuple[int, ...]
    suspension: str
    full_load_kg: float
    parameters: DriftParameters
    drift_per_day: float
    start_zero: float
    start_span: float
    walk_zero: FloatArray
    walk_span: FloatArray
    events: tuple[Jump | Reset, ...]

    def state(self, days: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Zero and span error (fractions of full load) at each of `days` since the epoch, without season."""
        at = np.atleast_1d(np.asarray(days, dtype=np.float64))
        if at.size and (at.min() < 0 or at.max() >= len(self.walk_zero)):
            raise ValueError(f"day {at.min():g} to {at.max():g} outside 0 to {len(self.walk_zero)} days")
        levels_zero, levels_span = self._levels()
        passed = np.searchsorted([event.day for event in self.events], at, side="right")
        return self._free_zero(at) + levels_zero[passed], self._free_span(at) + levels_span[passed]

    def with_event(self, event: Jump | Reset) -> GroupTruth:
        return replace(self, events=tuple(sorted((*self.events, event), key=lambda each: each.day)))

    def jumps(self) -> tuple[Jump, ...]:
        return tuple(event for event in self.events if isinstance(event, Jump))

    def _levels(self) -> tuple[FloatArray, FloatArray]:
        zero, span = np.zeros(len(self.events) + 1), np.zeros(len(self.events) + 1)
        for number, event in enumerate(self.events, start=1):
            if isinstance(event, Jump):
                zero[number] = zero[number - 1] + event.zero
                span[number] = span[number - 1] + event.span
            else:
                day = np.asarray([event.day])
                zero[number] = event.zero - self._free_zero(day)[0]
                span[number] = event.span - self._free_span(day)[0]
        return zero, span

    def _free_zero(self, days: FloatArray) -> FloatArray:
        return self.start_zero + self.walk_zero[days.astype(np.int64)]

    def _free_span(self, days: FloatArray) -> FloatArray:
        return self.start_span + self.drift_per_day * days + self.walk_span[days.astype(np.int64)]


@dataclass(frozen=True, slots=True)
class TrueHistory:
    """The true error of every group of one vehicle, on every day from the epoch to the end of its walks."""

    epoch: date
    groups: tuple[GroupTruth, ...]

    def error_kg(self, group: int, load_kg: float, on_day: float) -> float:
        """What the display shows too much, in kg, of the group's `load_kg` on a day since the epoch."""
        return float(self.errors_kg(group, load_kg, on_day)[0])

    def errors_kg(self, group: int, load_kg: float, days: ArrayLike) -> FloatArray:
        """`error_kg` for many days at once: R_max·(a + r·(G + season)), r = load/R_max."""
        truth = self.groups[group]
        zero, span = truth.state(days)
        ratio = load_kg / truth.full_load_kg
        return truth.full_load_kg * (zero + ratio * (span + self._season(group, days)))

    def after_jump(self, group: int, jump: Jump) -> TrueHistory:
        return self._with_group(group, self.groups[group].with_event(jump))

    def after_recalibration(self, group: int, on_day: float, rng: np.random.Generator) -> TrueHistory:
        """The history with the group recalibrated at `on_day`, its residuals drawn from `rng`."""
        parameters = self.groups[group].parameters
        reset = Reset(
            on_day,
            float(rng.normal(0.0, parameters.residual_zero)),
            float(rng.normal(0.0, parameters.residual_span)),
        )
        return self._with_group(group, self.groups[group].with_event(reset))

    def with_drift(self, group: int, drift_per_month: float) -> TrueHistory:
        truth = replace(self.groups[group], drift_per_day=drift_per_month / DAYS_PER_MONTH)
        return self._with_group(group, truth)

    def _with_group(self, group: int, truth: GroupTruth) -> TrueHistory:
        return replace(self, groups=(*self.groups[:group], truth, *self.groups[group + 1 :]))

    def _season(self, group: int, days: ArrayLike) -> FloatArray:
        amplitude = self.groups[group].parameters.season_amplitude
        new_year = date(self.epoch.year, 1, 1).toordinal()
        day_of_year = np.atleast_1d(np.asarray(days, dtype=np.float64)) + (self.epoch.toordinal() - new_year)
        turns = (day_of_year - COLDEST_DAY_OF_YEAR) / DAYS_PER_YEAR
        return amplitude * np.cos(2.0 * math.pi * turns)


def draw_history(
    groups: Sequence[tuple[tuple[int, ...], str, float]],
    parameters: dict[str, DriftParameters],
    *,
    epoch: date,
    horizon_days: int,
    rng: np.random.Generator,
) -> TrueHistory:
    """A vehicle's free history, before anyone has recalibrated it.

    `groups` holds (axles, suspension, full load in kg) per group. The start is a display that was never
    taught: 2 % zero and 4 % span (standard deviations, an assumption).
    """
    return TrueHistory(
        epoch=epoch,
        groups=tuple(
            _draw_group(axles, suspension, full_load_kg, parameters[suspension], horizon_days, rng)
            for axles, suspension, full_load_kg in groups
        ),
    )


def _draw_group(
    axles: tuple[int, ...],
    suspension: str,
    full_load_kg: float,
    parameters: DriftParameters,
    horizon_days: int,
    rng: np.random.Generator,
) -> GroupTruth:
    per_sqrt_day = 1.0 / math.sqrt(DAYS_PER_MONTH)
    drift_per_month = parameters.drift_mean_per_month + parameters.drift_spread_per_month * _draw_standard(
        parameters, rng
    )
    return GroupTruth(
        axles=axles,
        suspension=suspension,
        full_load_kg=full_load_kg,
        parameters=parameters,
        drift_per_day=drift_per_month / DAYS_PER_MONTH,
        start_zero=float(rng.normal(0.0, 0.02)),
        start_span=float(rng.normal(0.0, 0.04)),
        walk_zero=_draw_walk(parameters.walk_zero_per_sqrt_month * per_sqrt_day, horizon_days, rng),
        walk_span=_draw_walk(parameters.walk_span_per_sqrt_month * per_sqrt_day, horizon_days, rng),
        events=_draw_jumps(parameters, horizon_days, rng),
    )


def _draw_walk(step: float, horizon_days: int, rng: np.random.Generator) -> FloatArray:
    walk = np.zeros(horizon_days + 1)
    np.cumsum(rng.normal(0.0, step, horizon_days), out=walk[1:])
    return walk


def _draw_jumps(parameters: DriftParameters, horizon_days: int, rng: np.random.Generator) -> tuple[Jump, ...]:
    """Repairs as a Poisson process of days, each at an hour at which a workshop is open."""
    count = int(rng.poisson(parameters.jumps_per_year * horizon_days / DAYS_PER_YEAR))
    days = np.sort(rng.integers(0, horizon_days, count) + rng.integers(8 * 60, 17 * 60, count) / 1440.0)
    return tuple(
        Jump(
            day=float(day),
            zero=parameters.jump_zero * _draw_standard(parameters, rng),
            span=parameters.jump_span * _draw_standard(parameters, rng),
            recorded=bool(rng.random() >= parameters.unrecorded_share),
        )
        for day in days
    )


def _draw_standard(parameters: DriftParameters, rng: np.random.Generator) -> float:
    """Zero mean, unit variance; with heavy tails Student's t(4), whose variance is 2 before scaling."""
    if parameters.heavy_tails:
        return float(rng.standard_t(4)) / math.sqrt(2.0)
    return float(rng.normal())
