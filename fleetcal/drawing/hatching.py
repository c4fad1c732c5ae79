"""Hatching as strokes, because a PDF has no pattern fill and a page's policy allows no style of its own."""

from fleetcal.drawing.primitives import Path, Point


def hatch_area(x: float, y: float, width: float, height: float, spacing: float) -> Path:
    """Strokes at 45 degrees, rising to the right, clipped to the rectangle; `spacing` is measured along x."""
    strokes: list[tuple[Point, ...]] = []
    reach = width + height
    offset = spacing
    while offset < reach:
        along_top, along_left = min(offset, width), min(offset, height)
        strokes.append(
            ((x + offset - along_left, y + along_left), (x + along_top, y + offset - along_top)),
        )
        offset += spacing
    return Path("guard", tuple(strokes))
