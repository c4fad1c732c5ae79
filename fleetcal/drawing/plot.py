"""The ground of the error history: bands, axes and what is written on them."""

from fleetcal.drawing.hatching import hatch_area
from fleetcal.drawing.lanes import measure_words
from fleetcal.drawing.primitives import Line, Rect, Shape, Text
from fleetcal.drawing.scales import DateScale, ValueScale
from fleetcal.drawing.text import format_plain


def draw_bands(tolerance: float, guard: float, values: ValueScale, dates: DateScale) -> list[Shape]:
    """The tolerance as a band with its two limits, the guard band hatched inside each."""
    left, right = dates.left, dates.right
    width = right - left
    top, bottom = values.at(tolerance), values.at(-tolerance)
    shapes: list[Shape] = [Rect("band", left, top, width, bottom - top)]
    height = values.at(tolerance - min(guard, tolerance)) - top
    if height >= 1:
        shapes += [hatch_area(left, y, width, height, 8.0) for y in (top, bottom - height)]
    shapes += [Line("tolerance", left, y, right, y) for y in (top, bottom)]
    return shapes


def draw_axes(unit: str, values: ValueScale, dates: DateScale) -> list[Shape]:
    """Zero, ticks with their numbers and dates, and the unit over the numbers."""
    left, right = dates.left, dates.right
    shapes: list[Shape] = [
        Line("axis", left, values.bottom, right, values.bottom),
        Text("label", left - 8, values.top - 8, unit, "end"),
    ]
    for tick in values.ticks():
        y = values.at(tick)
        sign = "+" if tick > 0 else ""
        shapes.append(Text("label", left - 8, y + 4, sign + format_plain(tick), "end"))
        shapes.append(Line("grid", left - 4, y, left, y))
    shapes.append(Line("zero", left, values.at(0), right, values.at(0)))
    for day, label in dates.ticks():
        x = dates.at(day)
        shapes.append(Line("grid", x, values.bottom, x, values.bottom + 4))
        if x + measure_words(label) / 2 <= right:
            shapes.append(Text("label", x, values.bottom + 18, label, "middle"))
    return shapes
