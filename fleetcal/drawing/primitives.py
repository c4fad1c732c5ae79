"""What a drawing is made of: shapes with a role, in units of 1 px on a page or 0.75 pt in a PDF, y downwards.

A shape carries no colour and no font: the stylesheet gives a role its ink on a page, the PDF report its own.
"""

from dataclasses import dataclass
from typing import Literal, get_args

Role = Literal[
    "axis",  # the scale's own line
    "zero",  # zero error
    "grid",  # a tick on a scale
    "label",  # the number or date beside a tick
    "tolerance",  # limits: brackets of the strip, lines of the history
    "band",  # area inside the limits
    "guard",  # hatching of the guard band
    "whisker",  # expanded uncertainty
    "dot",  # an error that counted for the schedule
    "dot-open",  # an error that did not
    "arrow",  # as dot, beyond the scale
    "arrow-open",
    "tail",  # movement that the model predicts
    "estimate",  # the model's estimate over time
    "estimate-band",
    "rule",  # calibration or repair
    "today",
    "due",
    "word",  # the word of a rule
    "hit",  # area that answers to a pointer; not printed
    "point",  # group: one record's marks
    "event",  # group: one rule with its word
]
ROLES: tuple[str, ...] = get_args(Role)

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    role: Role
    x1: float
    y1: float
    x2: float
    y2: float


@dataclass(frozen=True, slots=True)
class Rect:
    role: Role
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Circle:
    role: Role
    cx: float
    cy: float
    r: float


@dataclass(frozen=True, slots=True)
class Path:
    """Straight strokes, each a run of points; closed ones are areas."""

    role: Role
    strokes: tuple[tuple[Point, ...], ...]
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Text:
    """Words whose baseline starts, is centred or ends at (x, y); 12 units high."""

    role: Role
    x: float
    y: float
    words: str
    anchor: Anchor = "start"


Shape = Line | Rect | Circle | Path | Text


@dataclass(frozen=True, slots=True)
class Group:
    """The marks of one record, with the words that hover and focus give."""

    role: Role
    title: str
    shapes: tuple[Shape, ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    kind: Literal["strip", "history"]
    width: float
    height: float
    title: str
    description: str
    items: tuple[Shape | Group, ...]


class DrawingError(ValueError):
    """A value that cannot be drawn; the message carries the numbers with their unit."""


def require_finite(name: str, value: float, unit: str) -> None:
    # Doubles reach 1e308; a scale built on one would overflow to infinity.
    if not abs(value) < 1e12:
        raise DrawingError(f"{name} is {value:g} {unit}; a drawing needs a finite number below 1e12")


def require_not_negative(name: str, value: float, unit: str) -> None:
    require_finite(name, value, unit)
    if value < 0:
        raise DrawingError(f"{name} is {value:g} {unit}; it cannot be below 0 {unit}")


def require_positive(name: str, value: float, unit: str) -> None:
    require_not_negative(name, value, unit)
    if value < 1e-9:
        raise DrawingError(f"{name} is {value:g} {unit}; it must be above 0 {unit}")
