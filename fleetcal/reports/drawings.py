"""The product's own drawings, and the marks of its standings, as flowables of a printed report."""

from collections.abc import Iterator

from reportlab.graphics import shapes
from reportlab.lib.colors import Color, white

from fleetcal.drawing.primitives import Circle, Drawing, Group, Line, Path, Point, Rect, Role, Shape, Text
from fleetcal.reports.styles import (
    EDGE,
    HAIRLINE,
    INK,
    PLAIN,
    SOFT,
    STANDING_INK,
    TINT,
    legible,
    register_fonts,
)

TEXT_UNITS = 12.0
# Width of the line in units of the drawing, ink, dashes; a role that is not named here is not stroked.
STROKES: dict[Role, tuple[float, Color, tuple[float, ...] | None]] = {
    "axis": (1, EDGE, None),
    "grid": (1, EDGE, None),
    "zero": (1, EDGE, None),
    "tolerance": (1.2, SOFT, None),
    "guard": (0.8, HAIRLINE, None),
    "whisker": (1.5, INK, None),
    "dot": (1, white, None),
    "dot-open": (1.5, INK, None),
    "arrow": (1, white, None),
    "arrow-open": (1.5, INK, None),
    "tail": (1, SOFT, None),
    "estimate": (1.5, SOFT, (5, 4)),
    "rule": (1, SOFT, None),
    "due": (1, INK, (6, 3)),
}
FILLS: dict[Role, Color] = {
    "band": TINT,
    "dot": INK,
    "dot-open": white,
    "arrow": INK,
    "arrow-open": white,
    "tail": SOFT,
    "estimate-band": HAIRLINE,
}


def draw_on_paper(drawing: Drawing, width: float) -> shapes.Drawing:
    """*drawing* as a flowable *width* points wide. Areas for a pointer are left out, and so is “today”: paper has none."""
    register_fonts()
    scale = width / drawing.width
    marks = shapes.Group(transform=(scale, 0, 0, -scale, 0, drawing.height * scale))
    for shape in _flatten(drawing):
        for mark in _marks(shape):
            marks.add(mark)
    paper = shapes.Drawing(width, drawing.height * scale)
    paper.add(marks)
    return paper


def standing_mark(word: str, size: float = 8.0) -> shapes.Drawing:
    """The mark of a standing, each of a shape of its own, legible without its colour."""
    paper, ink, s = shapes.Drawing(size, size), STANDING_INK[word], size / 14
    line = {"strokeColor": ink, "strokeWidth": 1.6 * s}
    if word == "reliable":
        paper.add(shapes.Circle(7 * s, 7 * s, 6 * s, fillColor=ink, strokeColor=None))
    elif word == "check due":
        corners = [v * s for v in (7, 13, 13, 7, 7, 1, 1, 7)]
        paper.add(shapes.Polygon(corners, fillColor=None, **line))
        paper.add(shapes.Polygon([v * s for v in (7, 13, 7, 1, 1, 7)], fillColor=ink, strokeColor=None))
    elif word == "overdue":
        paper.add(shapes.Polygon([v * s for v in (7, 13, 13.6, 1, 0.4, 1)], fillColor=ink, strokeColor=None))
    elif word == "do not rely":
        for x1, x2 in ((2, 12), (12, 2)):
            paper.add(shapes.Line(x1 * s, 2 * s, x2 * s, 12 * s, strokeColor=ink, strokeWidth=3.2 * s))
    else:
        paper.add(
            shapes.Rect(
                1.5 * s, 1.5 * s, 11 * s, 11 * s, fillColor=None, strokeDashArray=(3 * s, 2.5 * s), **line
            )
        )
    return paper


def _flatten(drawing: Drawing) -> Iterator[Shape]:
    for item in drawing.items:
        parts = item.shapes if isinstance(item, Group) else (item,)
        if not any(shape.role == "today" for shape in parts):
            yield from (shape for shape in parts if shape.role != "hit")


def _marks(shape: Shape) -> Iterator[shapes.Shape]:
    width, ink, dashes = STROKES.get(shape.role, (0, None, None))
    stroke = {"strokeColor": ink, "strokeWidth": width, "strokeDashArray": dashes}
    fill = {"fillColor": FILLS.get(shape.role)}
    match shape:
        case Line():
            yield shapes.Line(shape.x1, shape.y1, shape.x2, shape.y2, **stroke)
        case Rect():
            yield shapes.Rect(shape.x, shape.y, shape.width, shape.height, **stroke, **fill)
        case Circle():
            yield shapes.Circle(shape.cx, shape.cy, shape.r, **stroke, **fill)
        case Path():
            yield from (_stroke(points, shape.closed, stroke, fill) for points in shape.strokes)
        case Text():
            yield _words(shape)


def _stroke(
    points: tuple[Point, ...], closed: bool, stroke: dict[str, object], fill: dict[str, object]
) -> shapes.Shape:
    flat = [coordinate for point in points for coordinate in point]
    return shapes.Polygon(flat, **stroke, **fill) if closed else shapes.PolyLine(flat, **stroke)


def _words(text: Text) -> shapes.Shape:
    """The drawing's y points down, and letters stand the other way."""
    upright = shapes.Group(transform=(1, 0, 0, -1, text.x, text.y))
    upright.add(
        shapes.String(
            0,
            0,
            legible(text.words),
            fontName=PLAIN,
            fontSize=TEXT_UNITS * 0.92,
            fillColor=INK if text.role == "word" else SOFT,
            textAnchor=text.anchor,
        )
    )
    return upright
