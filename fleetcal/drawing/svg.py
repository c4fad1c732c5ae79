"""A drawing as SVG: classes only, no style of its own, as a strict content security policy demands."""

import re
from collections.abc import Iterable
from html import escape

from fleetcal.drawing.primitives import Circle, Drawing, DrawingError, Group, Line, Path, Point, Rect, Shape

PREFIX = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
# What XML 1.0 does not allow, escaped or not (XML 1.0, production 2).
NOT_XML = re.compile(r"[^\t\n\r\u0020-\uD7FF\uE000-\uFFFD\U00010000-\U0010FFFF]")


def render_svg(drawing: Drawing, prefix: str) -> str:
    """The drawing as one `<svg>` element, ids starting with `prefix` (unique on its page).

    A strip is one image. A history is a group: its records take the focus one by one, and what lies inside an
    image cannot (WAI-ARIA 1.2, children presentational).
    """
    if not PREFIX.fullmatch(prefix):
        raise DrawingError(f"an id cannot start with {prefix!r}; use a letter, then letters, digits, - and _")
    width, height = _number(drawing.width), _number(drawing.height)
    named_by = f"{prefix}-title {prefix}-desc" if drawing.description else f"{prefix}-title"
    role = "img" if drawing.kind == "strip" else "group"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{drawing.kind}" viewBox="0 0 {width} {height}"'
        f' width="{width}" height="{height}" role="{role}" aria-labelledby="{named_by}">',
        f'<title id="{prefix}-title">{_escape(drawing.title)}</title>',
    ]
    if drawing.description:
        parts.append(f'<desc id="{prefix}-desc">{_escape(drawing.description)}</desc>')
    for index, item in enumerate(drawing.items):
        parts.append(
            _render_group(item, f"{prefix}-{index}") if isinstance(item, Group) else _render_shape(item)
        )
    parts.append("</svg>")
    return "".join(parts)


def _render_group(group: Group, title_id: str) -> str:
    shapes = "".join(map(_render_shape, group.shapes))
    return (
        f'<g class="ink-{group.role}" tabindex="0" role="img" aria-labelledby="{title_id}">'
        f'<title id="{title_id}">{_escape(group.title)}</title>{shapes}</g>'
    )


def _render_shape(shape: Shape) -> str:
    ink = f'class="ink-{shape.role}"'
    if isinstance(shape, Line):
        ends = zip(("x1", "y1", "x2", "y2"), (shape.x1, shape.y1, shape.x2, shape.y2), strict=True)
        return f"<line {ink} {_attributes(ends)}/>"
    if isinstance(shape, Rect):
        box = zip(("x", "y", "width", "height"), (shape.x, shape.y, shape.width, shape.height), strict=True)
        return f"<rect {ink} {_attributes(box)}/>"
    if isinstance(shape, Circle):
        return f"<circle {ink} {_attributes((('cx', shape.cx), ('cy', shape.cy), ('r', shape.r)))}/>"
    if isinstance(shape, Path):
        end = "Z" if shape.closed else ""
        return f'<path {ink} d="{"".join(_trace(stroke) + end for stroke in shape.strokes)}"/>'
    place = _attributes((("x", shape.x), ("y", shape.y)))
    return f'<text class="ink-{shape.role} anchor-{shape.anchor}" {place}>{_escape(shape.words)}</text>'


def _trace(stroke: tuple[Point, ...]) -> str:
    return "M" + "L".join(f"{_number(x)} {_number(y)}" for x, y in stroke)


def _attributes(pairs: Iterable[tuple[str, float]]) -> str:
    return " ".join(f'{name}="{_number(value)}"' for name, value in pairs)


def _number(value: float) -> str:
    """Two decimals at most, and no minus before a zero: the same drawing gives the same bytes."""
    return f"{round(value, 2) + 0.0:.2f}".rstrip("0").rstrip(".")


def _escape(words: str) -> str:
    return escape(NOT_XML.sub("\N{REPLACEMENT CHARACTER}", words))
