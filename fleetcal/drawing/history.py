"""The error history: the strip's grammar upright in time, error against date."""

import itertools
from dataclasses import dataclass
from datetime import date, timedelta

from fleetcal.drawing.lanes import WordPlace, place_words
from fleetcal.drawing.plot import draw_axes, draw_bands
from fleetcal.drawing.primitives import (
    Circle,
    Drawing,
    DrawingError,
    Group,
    Line,
    Path,
    Rect,
    Role,
    Shape,
    Text,
    require_finite,
    require_not_negative,
    require_positive,
)
from fleetcal.drawing.scales import DateScale, ValueScale
from fleetcal.drawing.text import describe_date, describe_limit, describe_reading

WIDTH, PLOT_HEIGHT = 720.0, 216.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 8.0, 8.0, 24.0
LANE_PX = 14.0
EARLIEST, LATEST = date(1900, 1, 1), date(2200, 12, 31)
# The scale shows the whole tolerance and a little more, and follows the errors up to this multiple of it.
LEAST_REACH, MOST_REACH = 1.3, 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryPoint:
    """One comparison; `counted`: it counted for the schedule; `record`: what hover and focus add."""

    on: date
    error: float
    U: float | None = None
    counted: bool = True
    record: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRule:
    """A calibration or repair: the word that stands on its rule, and what hover and focus say."""

    on: date
    word: str
    record: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimatePoint:
    on: date
    error: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryData:
    """One series over time, in `unit`; tolerance above 0, guard 0 for none, estimate in order of date."""

    name: str
    tolerance: float
    today: date
    guard: float = 0.0
    points: tuple[HistoryPoint, ...] = ()
    rules: tuple[HistoryRule, ...] = ()
    estimate: tuple[EstimatePoint, ...] = ()
    due: date | None = None
    unit: str = "%"

    def __post_init__(self) -> None:
        require_positive("tolerance", self.tolerance, self.unit)
        require_not_negative("guard band", self.guard, self.unit)
        for day in self.days():
            if not EARLIEST <= day <= LATEST:
                raise DrawingError(
                    f"{day} lies outside {EARLIEST} to {LATEST}, the days that a history can show"
                )
        for point in self.points:
            require_finite(f"error on {describe_date(point.on)}", point.error, self.unit)
            require_not_negative(f"U on {describe_date(point.on)}", point.U or 0.0, self.unit)
        _check_estimate(self.estimate, self.unit)

    def days(self) -> list[date]:
        days = [self.today] if self.due is None else [self.today, self.due]
        days += [point.on for point in self.points]
        days += [rule.on for rule in self.rules]
        return days + [point.on for point in self.estimate]


@dataclass(frozen=True, slots=True)
class PlacedRule:
    role: Role
    title: str
    word: str
    place: WordPlace


def draw_history(data: HistoryData) -> Drawing:
    """The history as shapes, 720 units wide and as high as its rules' words need.

    Errors beyond the scale become arrows at its edge; U, band and estimate are cut off there. Every record is
    a group with its own words, in order of date.
    """
    dates = _date_scale(data)
    rules = _place_rules(data, dates)
    lanes = 1 + max(rule.place.lane for rule in rules if rule.place.lane is not None)
    top = TOP + lanes * LANE_PX
    values = ValueScale(_find_limit(data), top, top + PLOT_HEIGHT)
    items: list[Shape | Group] = [
        *draw_bands(data.tolerance, data.guard, values, dates),
        *draw_axes(data.unit, values, dates),
        *_draw_estimate(data.estimate, values, dates),
        *(_draw_rule(rule, values) for rule in rules),
        *(_draw_point(point, data.unit, values, dates) for point in sorted(data.points, key=lambda p: p.on)),
    ]
    title = f"{data.name}: error history, tolerance {describe_limit(data.tolerance, data.unit)}"
    return Drawing("history", WIDTH, values.bottom + BOTTOM, title, describe_history(data), tuple(items))


def describe_history(data: HistoryData) -> str:
    """The history in a sentence or three, for those who cannot see it."""
    if not data.points:
        return "No comparison on record."
    points = sorted(data.points, key=lambda p: p.on)
    last = points[-1]
    count = "1 comparison" if len(points) == 1 else f"{len(points)} comparisons"
    sentences = [
        f"{count}, {sum(p.counted for p in points)} counted for the schedule.",
        f"The latest, {describe_date(last.on)}: {describe_reading(last.error, last.U, data.unit)}.",
    ]
    if data.estimate:
        end = data.estimate[-1]
        low, high = (describe_reading(v, None, data.unit) for v in (end.low, end.high))
        sentences.append(f"Estimated between {low} and {high} on {describe_date(end.on)}.")
    return " ".join(sentences)


def describe_point(point: HistoryPoint, unit: str) -> str:
    counted = "counted for the schedule" if point.counted else "not counted for the schedule"
    reading = f"{describe_date(point.on)}: {describe_reading(point.error, point.U, unit)}, {counted}"
    return f"{reading}. {point.record}" if point.record else reading


def _check_estimate(estimate: tuple[EstimatePoint, ...], unit: str) -> None:
    for point in estimate:
        for name, value in (
            ("estimate", point.error),
            ("its low end", point.low),
            ("its high end", point.high),
        ):
            require_finite(f"{name} on {describe_date(point.on)}", value, unit)
        if not point.low <= point.error <= point.high:
            raise DrawingError(
                f"the estimate of {point.error:g} {unit} on {describe_date(point.on)} lies outside "
                f"its own band, {point.low:g} to {point.high:g} {unit}"
            )
    for before, after in itertools.pairwise(estimate):
        if after.on <= before.on:
            raise DrawingError(
                f"the estimate goes back from {describe_date(before.on)} to {describe_date(after.on)}"
            )


def _find_limit(data: HistoryData) -> float:
    farthest = max((abs(p.error) + (p.U or 0.0) for p in data.points), default=0.0) * 1.05
    return min(max(LEAST_REACH * data.tolerance, farthest), MOST_REACH * data.tolerance)


def _date_scale(data: HistoryData) -> DateScale:
    first, last = min(data.days()), max(data.days())
    days_shown = (last - first).days
    margin = timedelta(days=round(days_shown * 0.02) if days_shown > 90 else 10)
    return DateScale(first - margin, last + margin, LEFT, WIDTH - RIGHT)


def _place_rules(data: HistoryData, dates: DateScale) -> list[PlacedRule]:
    marks: list[tuple[date, Role, str, str]] = [(r.on, "rule", r.word, r.record) for r in data.rules]
    marks.append((data.today, "today", "today", ""))
    if data.due:
        marks.append((data.due, "due", "due", ""))
    places = place_words([(dates.at(on), word) for on, _, word, _ in sorted(marks)], WIDTH)
    return [
        PlacedRule(role, f"{describe_date(on)}: {record or word}", word, place)
        for (on, role, word, record), place in zip(sorted(marks), places, strict=True)
    ]


def _draw_estimate(estimate: tuple[EstimatePoint, ...], values: ValueScale, dates: DateScale) -> list[Shape]:
    if len(estimate) < 2:
        return []
    upper = [(dates.at(p.on), values.at(p.high)) for p in estimate]
    lower = [(dates.at(p.on), values.at(p.low)) for p in reversed(estimate)]
    middle = tuple((dates.at(p.on), values.at(p.error)) for p in estimate)
    return [Path("estimate-band", ((*upper, *lower),), closed=True), Path("estimate", (middle,))]


def _draw_rule(rule: PlacedRule, values: ValueScale) -> Group:
    place = rule.place
    start = values.top if place.lane is None else TOP + place.lane * LANE_PX
    shapes: list[Shape] = [Line(rule.role, place.x, start, place.x, values.bottom)]
    if place.lane is not None:
        shapes.append(Text("word", place.word_x, start + 10, rule.word))
    shapes.append(Rect("hit", place.x - 4, start, 8, values.bottom - start))
    return Group("event", rule.title, tuple(shapes))


def _draw_point(point: HistoryPoint, unit: str, values: ValueScale, dates: DateScale) -> Group:
    x, y, U = dates.at(point.on), values.at(point.error), point.U or 0.0
    shapes: list[Shape] = []
    ends = (point.error + U, point.error - U) if U else ()
    if ends:
        shapes.append(Line("whisker", x, values.at(ends[0]), x, values.at(ends[1])))
    # No cap where the whisker is cut off by the edge of the scale.
    shapes += [Line("whisker", x - 3, values.at(e), x + 3, values.at(e)) for e in ends if values.holds(e)]
    if values.holds(point.error):
        shapes.append(Circle("dot" if point.counted else "dot-open", x, y, 4.0))
    else:
        shapes.append(_draw_arrow(point, x, y))
    shapes.append(Circle("hit", x, y, 9.0))
    return Group("point", describe_point(point, unit), tuple(shapes))


def _draw_arrow(point: HistoryPoint, x: float, y: float) -> Path:
    side = -1 if point.error > 0 else 1
    base = y - side * 7
    return Path(
        "arrow" if point.counted else "arrow-open", (((x - 5, base), (x, y), (x + 5, base)),), closed=True
    )
