"""Pages of a report: running head and foot, a contents list with page numbers, bookmarks, and a clear end.

How many pages there are is only known at the end. The places that say so draw a form that is filled last, so that the report is set once.
"""

from dataclasses import dataclass, field
from io import BytesIO
from typing import Any

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph

from fleetcal.reports.styles import (
    BOLD,
    BOTTOM,
    HAIRLINE,
    INK,
    MARGIN,
    PAGE_HEIGHT,
    PAGE_WIDTH,
    PLAIN,
    SOFT,
    TEXT_WIDTH,
    TOP,
    legible,
    register_fonts,
)

TOTAL = "page-total"
FOOT_SIZE = 6.2


@dataclass(frozen=True, slots=True)
class Running:
    """What stands on every page."""

    title: str
    subject: str
    author: str
    head_left: str
    head_right: str
    foot: tuple[str, ...]


@dataclass(slots=True)
class Places:
    """The page that each heading came to stand on, as the pages are set."""

    pages: dict[str, int] = field(default_factory=dict)


class Heading(Paragraph):
    """A heading with its bookmark."""

    def __init__(
        self, text: str, style: ParagraphStyle, *, plain: str, key: str, level: int, places: Places
    ) -> None:
        super().__init__(text, style)
        self._plain, self._key, self._level, self._places = plain, key, level, places

    def draw(self) -> None:
        canvas: Canvas = self.canv
        canvas.bookmarkHorizontal(self._key, 0, self.height)
        canvas.addOutlineEntry(self._plain, self._key, self._level, closed=self._level > 0)
        self._places.pages[self._key] = canvas.getPageNumber()
        super().draw()


class ContentsLine(Flowable):
    """The name of a section with the page that it will stand on."""

    def __init__(self, text: str, key: str) -> None:
        super().__init__()
        self._text, self._key = legible(text), key

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width, self.height = width, 14.0
        return self.width, self.height

    def draw(self) -> None:
        canvas: Canvas = self.canv
        canvas.setFont(PLAIN, 8.5)
        canvas.setFillColor(INK)
        canvas.drawString(0, 4, self._text)
        canvas.setStrokeColor(HAIRLINE)
        canvas.setLineWidth(0.4)
        canvas.line(0, 0, self.width, 0)
        canvas.linkRect("", self._key, (0, 0, self.width, self.height), relative=1, thickness=0)
        _show_later(canvas, f"at-{self._key}", self.width, 4)


class End(Flowable):
    """The end of the report, which now knows its pages."""

    def __init__(self, text: str, places: Places) -> None:
        super().__init__()
        self._text, self._places = text, places

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width = width
        return width, 24.0

    def draw(self) -> None:
        canvas: Canvas = self.canv
        canvas.setFont(BOLD, 8.5)
        canvas.setFillColor(INK)
        canvas.drawCentredString(self.width / 2, 4, self._text)
        for key, page in self._places.pages.items():
            _fill(canvas, f"at-{key}", str(page), 8.5, INK, right=True)
        _fill(canvas, TOTAL, str(canvas.getPageNumber()), 7, SOFT, right=False)


def _show_later(canvas: Canvas, name: str, x: float, y: float) -> None:
    canvas.saveState()
    canvas.translate(x, y)
    canvas.doForm(name)
    canvas.restoreState()


def _fill(canvas: Canvas, name: str, text: str, size: float, ink: Any, *, right: bool) -> None:
    canvas.beginForm(name, -60, -4, 60, 14)
    canvas.setFont(PLAIN, size)
    canvas.setFillColor(ink)
    (canvas.drawRightString if right else canvas.drawString)(0, 0, text)
    canvas.endForm()


def build(story: list[Flowable], running: Running) -> bytes:
    """The report as a PDF. The same story gives the same bytes: no date of making, no random identifier."""
    register_fonts()
    out = BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=(PAGE_WIDTH, PAGE_HEIGHT),
        title=running.title,
        author=running.author,
        subject=running.subject,
        creator="fleetcal",
        lang="en",
        invariant=1,
        pageCompression=1,
        initialFontName=PLAIN,
    )
    frame = Frame(
        MARGIN,
        BOTTOM,
        TEXT_WIDTH,
        PAGE_HEIGHT - TOP - BOTTOM,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )

    def furnish(canvas: Canvas, _: BaseDocTemplate) -> None:
        _furnish(canvas, running)

    document.addPageTemplates([PageTemplate("report", [frame], onPage=furnish)])
    document.build(story)
    return out.getvalue()


def _furnish(canvas: Canvas, running: Running) -> None:
    right = PAGE_WIDTH - MARGIN
    canvas.saveState()
    canvas.setStrokeColor(HAIRLINE)
    canvas.setLineWidth(0.5)
    canvas.line(MARGIN, PAGE_HEIGHT - TOP + 10, right, PAGE_HEIGHT - TOP + 10)
    canvas.line(MARGIN, BOTTOM - 8, right, BOTTOM - 8)
    canvas.setFont(BOLD, 8)
    canvas.setFillColor(INK)
    canvas.drawString(MARGIN, PAGE_HEIGHT - TOP + 15, legible(running.head_left))
    canvas.setFont(PLAIN, 8)
    canvas.drawRightString(right, PAGE_HEIGHT - TOP + 15, legible(running.head_right))
    canvas.setFillColor(SOFT)
    canvas.setFont(PLAIN, FOOT_SIZE)
    for number, line in enumerate(running.foot):
        canvas.drawString(MARGIN, BOTTOM - 18 - 9 * number, legible(line))
    canvas.setFont(PLAIN, 7)
    canvas.drawRightString(right - 18, BOTTOM - 18, f"Page {canvas.getPageNumber()} of")
    _show_later(canvas, TOTAL, right - 15, BOTTOM - 18)
    canvas.restoreState()
