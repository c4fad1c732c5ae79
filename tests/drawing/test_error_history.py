import itertools
from dataclasses import replace
from datetime import date, timedelta

import pytest

from fleetcal.drawing.history import (
    EstimatePoint,
    HistoryData,
    HistoryPoint,
    HistoryRule,
    draw_history,
)
from fleetcal.drawing.primitives import ROLES, Circle, DrawingError, Group, Line, Path, Rect, Shape, Text

TODAY = date(2026, 11, 25)
HISTORY = HistoryData(
    name="Gross",
    tolerance=2.0,
    guard=0.4,
    today=TODAY,
    points=(
        HistoryPoint(on=date(2026, 9, 1), error=1.0, U=0.5, counted=False, record="Ticket 8812"),
        HistoryPoint(on=date(2026, 3, 1), error=-0.5, U=0.5),
    ),
    rules=(HistoryRule(on=date(2026, 2, 20), word="calibration", record="Calibration, accepted"),),
    estimate=(
        EstimatePoint(on=TODAY, error=1.2, low=0.8, high=1.6),
        EstimatePoint(on=date(2027, 2, 20), error=1.8, low=0.9, high=2.7),
    ),
    due=date(2027, 2, 20),
)


def groups_of(data: HistoryData, role: str) -> list[Group]:
    return [item for item in draw_history(data).items if isinstance(item, Group) and item.role == role]


def all_shapes(data: HistoryData) -> list[Shape]:
    shapes: list[Shape] = []
    for item in draw_history(data).items:
        shapes += item.shapes if isinstance(item, Group) else (item,)
    return shapes


def find(data: HistoryData, role: str) -> list[Shape]:
    return [shape for shape in all_shapes(data) if shape.role == role]


def test_records_stand_in_order_of_date_with_their_words() -> None:
    assert [group.title for group in groups_of(HISTORY, "point")] == [
        "1 Mar 2026: −0.5 % ± 0.5 %, counted for the schedule",
        "1 Sep 2026: +1.0 % ± 0.5 %, not counted for the schedule. Ticket 8812",
    ]
    assert [group.title for group in groups_of(HISTORY, "event")] == [
        "20 Feb 2026: Calibration, accepted",
        "25 Nov 2026: today",
        "20 Feb 2027: due",
    ]


def test_errors_stand_between_the_limits_in_proportion() -> None:
    upper, lower = (line.y1 for line in find(HISTORY, "tolerance") if isinstance(line, Line))
    (zero,) = (line.y1 for line in find(HISTORY, "zero") if isinstance(line, Line))
    (counted,) = (dot.cy for dot in find(HISTORY, "dot") if isinstance(dot, Circle))
    (not_counted,) = (dot.cy for dot in find(HISTORY, "dot-open") if isinstance(dot, Circle))
    assert zero == pytest.approx((upper + lower) / 2)
    assert zero - not_counted == pytest.approx((zero - upper) / 2)
    assert counted - zero == pytest.approx((lower - zero) / 4)


def test_dates_stand_in_proportion() -> None:
    first, second = (g.shapes[0] for g in groups_of(HISTORY, "point"))
    rule, today = (g.shapes[0] for g in groups_of(HISTORY, "event")[:2])
    assert isinstance(first, Line)
    assert isinstance(second, Line)
    assert isinstance(rule, Line)
    assert isinstance(today, Line)
    days = (date(2026, 3, 1) - date(2026, 2, 20)).days, (date(2026, 9, 1) - date(2026, 2, 20)).days
    assert (first.x1 - rule.x1) / (second.x1 - rule.x1) == pytest.approx(days[0] / days[1])
    assert second.x1 < today.x1


def test_the_band_spans_the_tolerance_and_the_guard_lies_inside_it() -> None:
    (band,) = find(HISTORY, "band")
    assert isinstance(band, Rect)
    upper, lower = find(HISTORY, "guard")
    assert isinstance(upper, Path)
    assert isinstance(lower, Path)
    width = band.height * 0.4 / 4.0
    for hatch, top in ((upper, band.y), (lower, band.y + band.height - width)):
        ys = [y for stroke in hatch.strokes for _, y in stroke]
        assert min(ys) == pytest.approx(top)
        assert max(ys) == pytest.approx(top + width)


@pytest.mark.parametrize(("error", "counted", "role"), [(90.0, True, "arrow"), (-90.0, False, "arrow-open")])
def test_an_error_beyond_the_scale_becomes_an_arrow_at_its_edge(
    error: float, counted: bool, role: str
) -> None:
    point = HistoryPoint(on=TODAY, error=error, U=1.0, counted=counted)
    data = HistoryData(name="Gross", tolerance=2.0, today=TODAY, points=(point,))
    (arrow,) = find(data, role)
    (axis,) = find(data, "axis")
    assert isinstance(arrow, Path)
    assert isinstance(axis, Line)
    edge = axis.y1 if error < 0 else axis.y1 - 216
    assert arrow.strokes[0][1][1] == pytest.approx(edge)
    assert find(data, "dot") == find(data, "dot-open") == []
    assert "90.0 % ± 1.0 %" in groups_of(data, "point")[0].title


def test_the_estimate_runs_with_its_band_from_today_to_the_due_date() -> None:
    (line,) = find(HISTORY, "estimate")
    (band,) = find(HISTORY, "estimate-band")
    today, due = find(HISTORY, "today") + find(HISTORY, "due")
    assert isinstance(line, Path)
    assert isinstance(band, Path)
    assert isinstance(today, Line)
    assert isinstance(due, Line)
    assert [x for x, _ in line.strokes[0]] == [today.x1, due.x1]
    assert [x for x, _ in band.strokes[0]] == [today.x1, due.x1, due.x1, today.x1]
    assert band.closed


def test_a_history_without_records_still_shows_its_ground() -> None:
    drawing = draw_history(HistoryData(name="Gross", tolerance=2.0, today=TODAY))
    assert drawing.description == "No comparison on record."
    assert {item.role for item in drawing.items} >= {"band", "tolerance", "zero", "axis", "label"}


def test_crowded_words_take_lanes_of_their_own_and_every_rule_stays() -> None:
    rules = tuple(HistoryRule(on=TODAY - timedelta(days=200 - 3 * i), word="calibration") for i in range(9))
    far = HistoryPoint(on=TODAY - timedelta(days=900), error=0.0)
    data = replace(HISTORY, rules=rules, points=(far,))
    words = [word for word in find(data, "word") if isinstance(word, Text)]
    boxes = [(word.y, word.x, word.x + len(word.words) * 6.6) for word in words]
    for i, (y, left, right) in enumerate(boxes):
        assert not any(y == other and left < end and start < right for other, start, end in boxes[i + 1 :])
    assert len(find(data, "rule")) == 9
    assert 4 <= sum(word.words == "calibration" for word in words) < 9


@pytest.mark.parametrize("days", [0, 1, 20, 69, 70, 400, 3000, 40000])
def test_everything_lies_inside_the_drawing(days: int) -> None:
    start = TODAY - timedelta(days=days)
    data = replace(
        HISTORY,
        points=(HistoryPoint(on=start, error=70, U=3), HistoryPoint(on=TODAY, error=-1, U=90)),
        rules=(HistoryRule(on=start, word="repair"), HistoryRule(on=TODAY, word="calibration")),
    )
    drawing = draw_history(data)
    for shape in all_shapes(data):
        assert shape.role in ROLES
        for x, y in corners_of(shape):
            assert -0.01 <= x <= drawing.width + 0.01
            assert -0.01 <= y <= drawing.height + 0.01


def corners_of(shape: Shape) -> list[tuple[float, float]]:
    if isinstance(shape, Line):
        return [(shape.x1, shape.y1), (shape.x2, shape.y2)]
    if isinstance(shape, Rect):
        return [(shape.x, shape.y), (shape.x + shape.width, shape.y + shape.height)]
    if isinstance(shape, Path):
        return [point for stroke in shape.strokes for point in stroke]
    if isinstance(shape, Text):
        length = len(shape.words) * 6.6
        start = shape.x - {"start": 0.0, "middle": length / 2, "end": length}[shape.anchor]
        return [(start, shape.y - 12), (start + length, shape.y)]
    return [(shape.cx - shape.r, shape.cy), (shape.cx + shape.r, shape.cy)]


@pytest.mark.parametrize("days", [0, 30, 100, 365, 1500, 9000, 40000])
def test_date_labels_are_few_and_do_not_touch(days: int) -> None:
    point = HistoryPoint(on=TODAY - timedelta(days=days), error=0)
    data = HistoryData(name="Gross", tolerance=2.0, today=TODAY, points=(point,))
    (axis,) = find(data, "axis")
    assert isinstance(axis, Line)
    below = [t for t in find(data, "label") if isinstance(t, Text) and t.y > axis.y1]
    edges = [(t.x - len(t.words) * 3.3, t.x + len(t.words) * 3.3) for t in below]
    assert 2 <= len(below) <= 8
    assert all(before[1] < after[0] for before, after in itertools.pairwise(edges))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"tolerance": 0.0}, "tolerance is 0 %"),
        ({"guard": -0.1}, "guard band is -0.1 %"),
        ({"points": (HistoryPoint(on=TODAY, error=float("nan")),)}, "error on 25 Nov 2026 is nan %"),
        ({"points": (HistoryPoint(on=TODAY, error=1, U=-1),)}, "U on 25 Nov 2026 is -1 %"),
        ({"due": date(9999, 12, 31)}, "9999-12-31 lies outside"),
        ({"estimate": (EstimatePoint(on=TODAY, error=3, low=1, high=2),)}, "estimate of 3 % on 25 Nov 2026"),
        ({"estimate": HISTORY.estimate[::-1]}, "goes back from 20 Feb 2027 to 25 Nov 2026"),
    ],
)
def test_it_refuses_values_that_cannot_be_drawn(change: dict[str, object], message: str) -> None:
    with pytest.raises(DrawingError, match=message):
        replace(HISTORY, **change)  # type: ignore[arg-type]
