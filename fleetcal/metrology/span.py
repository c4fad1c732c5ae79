"""Tare and span: what the technician enters in the display, with uncertainty and the rounding it costs."""

import math
from dataclasses import dataclass
from decimal import Context, Decimal
from fractions import Fraction
from typing import Literal

import numpy as np

from fleetcal.metrology.axle_weights import AxleWeights, Labels, Matrix
from fleetcal.metrology.least_squares import Floats, UnusableReadings

EXACT = Context(prec=60)
# A solved weight carries binary noise far below a milligram; it must not decide which way a half is rounded.
NOISE_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class SpanValues:
    """Tare (empty) and span (loaded - empty) in kg, in the order of `keys`; covariances in kg².

    `cross_covariance[i][j]` is that of tare i with span j.
    """

    keys: Labels
    tares_kg: tuple[float, ...]
    spans_kg: tuple[float, ...]
    tare_covariance: Matrix
    span_covariance: Matrix
    cross_covariance: Matrix

    def u_tare(self, key: str) -> float:
        return math.sqrt(self.tare_covariance[self._index(key)][self._index(key)])

    def u_span(self, key: str) -> float:
        return math.sqrt(self.span_covariance[self._index(key)][self._index(key)])

    def _index(self, key: str) -> int:
        if key not in self.keys:
            raise UnusableReadings(f"no span for {key!r}; there are {', '.join(self.keys)}")
        return self.keys.index(key)


def subtract(empty: AxleWeights, loaded: AxleWeights) -> SpanValues:
    """Spans s = l - e with Cov(s) = C_l + C_e - C_el - C_elᵀ and Cov(e, s) = C_el - C_e.

    Assumed: an instrument that gave readings both empty and loaded had one and the same common error on both
    occasions, in proportion to its u_shared at each reading (so proportional to load where u_shared is). Then
    C_el = Σ_b g_b g'_bᵀ, with g_b what one standard deviation of that error does to the weights. In
    proportion to load, the span keeps the error of its own load: (u_loaded - u_empty), neither cancelled nor
    added twice. Everything else, and every pair of different instruments, is taken as independent. Raises
    UnusableReadings if the two weighings do not have the same keys.
    """
    if set(empty.keys) != set(loaded.keys):
        raise UnusableReadings(
            f"empty weighing of {', '.join(empty.keys)} but loaded weighing of {', '.join(loaded.keys)}"
        )
    order = [loaded.keys.index(key) for key in empty.keys]
    c_empty = np.array(empty.covariance)
    c_loaded = np.array(loaded.covariance)[np.ix_(order, order)]
    c_between = np.zeros_like(c_empty)
    loaded_shared = dict(loaded.shared_kg)
    for instrument, g in empty.shared_kg:
        if instrument in loaded_shared:
            c_between += np.outer(g, np.array(loaded_shared[instrument])[order])
    return SpanValues(
        keys=empty.keys,
        tares_kg=empty.weights_kg,
        spans_kg=tuple(loaded.weight(key) - empty.weight(key) for key in empty.keys),
        tare_covariance=empty.covariance,
        span_covariance=_as_matrix(c_loaded + c_empty - c_between - c_between.T),
        cross_covariance=_as_matrix(c_between - c_empty),
    )


def _as_matrix(array: Floats) -> Matrix:
    return tuple(tuple(row) for row in array.tolist())


@dataclass(frozen=True, slots=True)
class DisplayEntry:
    """One value to enter. `rounding_error_kg` = entered - value is known, not an uncertainty."""

    key: str
    quantity: Literal["tare", "span"]
    value_kg: Decimal
    u_kg: float
    entered_kg: Decimal
    rounding_error_kg: Decimal


def list_display_entries(values: SpanValues, division_kg: Decimal | int) -> tuple[DisplayEntry, ...]:
    """Tare then span of each key, rounded to the display's division.

    The two are rounded separately, so that at the calibration load their rounding errors add (at most one
    division).
    """
    entries: list[DisplayEntry] = []
    for key, tare, span in zip(values.keys, values.tares_kg, values.spans_kg, strict=True):
        entries.append(_enter(key, "tare", tare, values.u_tare(key), division_kg))
        entries.append(_enter(key, "span", span, values.u_span(key), division_kg))
    return tuple(entries)


def _enter(
    key: str, quantity: Literal["tare", "span"], value_kg: float, u_kg: float, division_kg: Decimal | int
) -> DisplayEntry:
    value = round(Decimal(value_kg), NOISE_DECIMALS)
    entered = round_to_division(value, division_kg)
    return DisplayEntry(key, quantity, value, u_kg, entered, entered - value)


def round_to_division(value: Decimal | int, division: Decimal | int) -> Decimal:
    """The nearest multiple of the division, halves away from zero, exactly; any one unit for both.

    Floats are refused by type: their ties are not the ties of the number that was written.
    Raises UnusableReadings for a value that is not finite or a division that is not positive.
    """
    for number in (value, division):
        if (
            isinstance(number, bool)
            or not isinstance(number, Decimal | int)
            or not Decimal(number).is_finite()
        ):
            raise UnusableReadings(f"{number!r} is not a finite decimal number")
    if division <= 0:
        raise UnusableReadings(f"a division of {division} is not positive")
    steps = math.floor(abs(Fraction(value)) / Fraction(division) + Fraction(1, 2))
    return EXACT.multiply(Decimal(steps if value >= 0 else -steps), Decimal(division))
