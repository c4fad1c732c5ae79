import pytest

from fleetcal.drawing.primitives import Circle, DrawingError, Line, Path, Shape
from fleetcal.drawing.strip import StripData, draw_strip


def shapes_of(data: StripData, role: str) -> list[Shape]:
    return [item for item in draw_strip(data).items if not hasattr(item, "shapes") and item.role == role]


@pytest.mark.parametrize("tolerance", [0.5, 2.0, 300.0])
def test_every_tolerance_stands_at_the_same_place(tolerance: float) -> None:
    left, right = shapes_of(StripData(tolerance=tolerance), "tolerance")
    assert isinstance(left, Path)
    assert isinstance(right, Path)
    assert [x for x, _ in left.strokes[0]] == [46, 42, 42, 46]
    assert [x for x, _ in right.strokes[0]] == [134, 138, 138, 134]


@pytest.mark.parametrize(
    ("error", "x"),
    [
        (0.0, 90.0),
        (2.0, 138.0),
        (-2.0, 42.0),
        (1.0, 114.0),
        (3.5, 174.0),  # the last value on the scale: 84 / 48 of the tolerance
    ],
)
def test_the_dot_stands_at_the_error(error: float, x: float) -> None:
    assert shapes_of(StripData(tolerance=2, error=error), "dot") == [Circle("dot", x, 10, 3.5)]


@pytest.mark.parametrize(("error", "tip"), [(3.6, 177.0), (900.0, 177.0), (-3.6, 3.0)])
def test_an_error_beyond_the_scale_becomes_an_arrow_at_its_end(error: float, tip: float) -> None:
    data = StripData(tolerance=2, error=error, U=0.1)
    assert shapes_of(data, "dot") == []
    (arrow,) = shapes_of(data, "arrow")
    assert isinstance(arrow, Path)
    assert arrow.strokes[0][1] == (tip, 10)
    assert "beyond the scale" in draw_strip(data).description


def test_the_whisker_spans_the_expanded_uncertainty_with_a_cap_at_each_end() -> None:
    span, low, high = shapes_of(StripData(tolerance=2, error=1, U=0.5), "whisker")
    assert span == Line("whisker", 102, 10, 126, 10)
    assert low == Line("whisker", 102, 7, 102, 13)
    assert high == Line("whisker", 126, 7, 126, 13)


def test_a_whisker_cut_off_by_the_end_of_the_scale_has_no_cap_there() -> None:
    span, cap = shapes_of(StripData(tolerance=2, error=3, U=1), "whisker")
    assert span == Line("whisker", 138, 10, 174, 10)
    assert cap == Line("whisker", 138, 7, 138, 13)


@pytest.mark.parametrize(("guard", "inner"), [(0.5, 126.0), (2.0, 90.0), (5.0, 90.0)])
def test_the_guard_band_is_hatched_inside_the_tolerance(guard: float, inner: float) -> None:
    left, right = shapes_of(StripData(tolerance=2, guard=guard), "guard")
    assert isinstance(left, Path)
    assert isinstance(right, Path)
    for hatch, low, high in ((left, 42.0, 180 - inner), (right, inner, 138.0)):
        points = [point for stroke in hatch.strokes for point in stroke]
        assert points
        assert all(low <= x <= high and 4 <= y <= 16 for x, y in points)
        assert all(a[0] - b[0] == pytest.approx(b[1] - a[1]) for a, b in hatch.strokes)


def test_no_guard_band_draws_no_hatching() -> None:
    assert shapes_of(StripData(tolerance=2), "guard") == []


def test_the_tail_is_thick_today_and_ends_in_a_point_at_the_due_date() -> None:
    (tail,) = shapes_of(StripData(tolerance=2, error=1, tail_from=0.5, tail_to=1.5), "tail")
    assert tail == Path("tail", (((102, 16.5), (102, 20.5), (126, 18.5)),), closed=True)


def test_a_tail_that_leaves_the_scale_ends_in_an_arrow() -> None:
    wedge, arrow = shapes_of(StripData(tolerance=2, tail_from=1, tail_to=9), "tail")
    assert isinstance(wedge, Path)
    assert isinstance(arrow, Path)
    assert wedge.strokes[0][2] == (174, 18.5)
    assert arrow.strokes[0][1][0] > 174


def test_a_tail_that_stands_still_is_a_tick() -> None:
    assert shapes_of(StripData(tolerance=2, tail_from=1, tail_to=1), "tail") == [
        Line("tail", 114, 16.5, 114, 20.5)
    ]


def test_a_strip_without_an_error_draws_the_scale_alone() -> None:
    roles = {item.role for item in draw_strip(StripData(tolerance=2)).items}
    assert roles == {"axis", "zero", "tolerance"}


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"tolerance": 0}, "tolerance is 0 %"),
        ({"tolerance": -3}, "tolerance is -3 %"),
        ({"tolerance": float("nan")}, "tolerance is nan %"),
        ({"tolerance": 2, "error": float("inf")}, "error is inf %"),
        ({"tolerance": 2, "error": 1e300}, r"error is 1e\+300 %"),
        ({"tolerance": 2, "error": 1, "U": -0.1}, "U is -0.1 %"),
        ({"tolerance": 2, "U": 0.4}, "no error that it belongs to"),
        ({"tolerance": 2, "guard": -1}, "guard band is -1 %"),
        ({"tolerance": 2, "tail_from": 1}, "not one alone"),
        ({"tolerance": 2, "tail_from": 1, "tail_to": float("nan")}, "due date is nan %"),
    ],
)
def test_it_refuses_values_that_cannot_be_drawn(values: dict[str, float], message: str) -> None:
    with pytest.raises(DrawingError, match=message):
        StripData(**values)  # type: ignore[arg-type]
