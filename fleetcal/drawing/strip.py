"""The error strip: one error on a scale centred on zero.

Every strip puts its tolerance at the same place: a column of them reads as shares of the tolerance.
"""

from dataclasses import dataclass
from typing import Literal

from fleetcal.drawing.hatching import hatch_area
from fleetcal.drawing.primitives import (
    Circle,
    Drawing,
    DrawingError,
    Line,
    Path,
    Shape,
    require_finite,
    require_not_negative,
    require_positive,
)
from fleetcal.drawing.text import decimals_for, describe_error, describe_limit, describe_signed

WIDTH, HEIGHT = 180.0, 22.0
CENTRE_X, MIDDLE_Y, TAIL_Y = 90.0, 10.0, 18.5
TOLERANCE_PX = 48.0
REACH_PX = 84.0
# The scale ends at this multiple of the tolerance.
REACH_IN_TOLERANCES = REACH_PX / TOLERANCE_PX
BRACKET_TOP, BRACKET_BOTTOM, BRACKET_LIP = 2.0, 18.0, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StripData:
    """One error for a strip, all values in `unit` ('%', 'kg', 'lb').

    error: the last error, None where there is none; U: its expanded uncertainty, None where it is not known;
    tolerance: half-width of the tolerance, above 0; guard: width of the guard band inside it, 0 for none;
    tail_from, tail_to: the model's estimate today and at the due date, both or neither.
    """

    tolerance: float
    error: float | None = None
    U: float | None = None
    guard: float = 0.0
    tail_from: float | None = None
    tail_to: float | None = None
    unit: str = "%"

    def __post_init__(self) -> None:
        require_positive("tolerance", self.tolerance, self.unit)
        require_not_negative("guard band", self.guard, self.unit)
        for name, value in (
            ("error", self.error),
            ("estimate today", self.tail_from),
            ("estimate at the due date", self.tail_to),
        ):
            if value is not None:
                require_finite(name, value, self.unit)
        if self.U is not None:
            require_not_negative("U", self.U, self.unit)
            if self.error is None:
                raise DrawingError(f"U is {self.U:g} {self.unit} but there is no error that it belongs to")
        if (self.tail_from is None) != (self.tail_to is None):
            raise DrawingError(
                "a tail needs the estimate today and the estimate at the due date, not one alone"
            )


def draw_strip(data: StripData) -> Drawing:
    """The strip as shapes in a box of 180 by 22 units: zero in the middle, tolerance at ±48, ends at ±84.

    Values are in data.unit. An error beyond the scale is an arrow at its end.
    """
    shapes: list[Shape] = [
        Line("axis", CENTRE_X - REACH_PX, MIDDLE_Y, CENTRE_X + REACH_PX, MIDDLE_Y),
        Line("zero", CENTRE_X, MIDDLE_Y - 5, CENTRE_X, MIDDLE_Y + 5),
    ]
    shapes += _draw_guard(data)
    shapes += [_draw_bracket(-1), _draw_bracket(1)]
    if data.tail_from is not None and data.tail_to is not None:
        shapes += _draw_tail(data.tail_from / data.tolerance, data.tail_to / data.tolerance)
    if data.error is not None:
        shapes += _draw_error(data.error / data.tolerance, (data.U or 0.0) / data.tolerance)
    return Drawing(
        "strip",
        WIDTH,
        HEIGHT,
        describe_error(data.error, data.U, data.tolerance, data.unit),
        describe_strip(data),
        tuple(shapes),
    )


def describe_strip(data: StripData) -> str:
    """What the strip shows beside the error itself: guard band, prediction, a value beyond its scale."""
    parts = []
    if data.guard:
        parts.append(
            f"Guard band {describe_limit(data.guard, data.unit).removeprefix('±')} inside the tolerance."
        )
    if data.tail_from is not None and data.tail_to is not None:
        decimals = decimals_for(data.unit, data.U)
        today = describe_signed(data.tail_from, data.unit, decimals)
        due = describe_signed(data.tail_to, data.unit, decimals)
        parts.append(f"Estimated {today} today and {due} at the due date.")
    if data.error is not None and abs(data.error) / data.tolerance > REACH_IN_TOLERANCES:
        parts.append("The error lies beyond the scale.")
    return " ".join(parts)


def _place(in_tolerances: float) -> float:
    bounded = max(-REACH_IN_TOLERANCES, min(REACH_IN_TOLERANCES, in_tolerances))
    return CENTRE_X + bounded * TOLERANCE_PX


def _draw_bracket(side: int) -> Path:
    x = CENTRE_X + side * TOLERANCE_PX
    lip = x - side * BRACKET_LIP
    return Path(
        "tolerance", (((lip, BRACKET_TOP), (x, BRACKET_TOP), (x, BRACKET_BOTTOM), (lip, BRACKET_BOTTOM)),)
    )


def _draw_guard(data: StripData) -> list[Shape]:
    width = min(data.guard / data.tolerance, 1.0) * TOLERANCE_PX
    if width < 0.5:
        return []
    top, height = BRACKET_TOP + 2, BRACKET_BOTTOM - BRACKET_TOP - 4
    return [
        hatch_area(CENTRE_X - TOLERANCE_PX, top, width, height, 4.0),
        hatch_area(CENTRE_X + TOLERANCE_PX - width, top, width, height, 4.0),
    ]


def _draw_error(error: float, U: float) -> list[Shape]:
    shapes: list[Shape] = []
    low, high = _place(error - U), _place(error + U)
    if high > low:
        shapes.append(Line("whisker", low, MIDDLE_Y, high, MIDDLE_Y))
    # No cap where the whisker is cut off by the end of the scale.
    shapes += [
        Line("whisker", _place(end), MIDDLE_Y - 3, _place(end), MIDDLE_Y + 3)
        for end in ((error - U, error + U) if U else ())
        if abs(end) <= REACH_IN_TOLERANCES
    ]
    x = _place(error)
    if abs(error) <= REACH_IN_TOLERANCES:
        shapes.append(Circle("dot", x, MIDDLE_Y, 3.5))
    else:
        shapes.append(_draw_arrow("arrow", x, MIDDLE_Y, 5.0, 1 if error > 0 else -1))
    return shapes


def _draw_tail(start: float, end: float) -> list[Shape]:
    """A wedge, thick today and pointed at the due date, below the axis and so clear of the whisker."""
    x1, x2 = _place(start), _place(end)
    shapes: list[Shape] = [
        Path("tail", (((x1, TAIL_Y - 2), (x1, TAIL_Y + 2), (x2, TAIL_Y)),), closed=True)
        if abs(x2 - x1) >= 1.5
        else Line("tail", x1, TAIL_Y - 2, x1, TAIL_Y + 2)
    ]
    if abs(end) > REACH_IN_TOLERANCES:
        shapes.append(_draw_arrow("tail", x2, TAIL_Y, 3.0, 1 if end > 0 else -1))
    return shapes


def _draw_arrow(role: Literal["arrow", "tail"], x: float, y: float, size: float, side: int) -> Path:
    base = x - side * size
    return Path(role, (((base, y - size), (x + side * size * 0.6, y), (base, y + size)),), closed=True)
