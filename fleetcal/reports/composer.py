"""Sets what a section says: headings, sentences, facts in pairs and tables, in the unit and the time zone of one report."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from decimal import Decimal
from typing import Any, Literal, TypeAlias
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import CondPageBreak, Flowable, Paragraph, Spacer, Table, TableStyle

from fleetcal.reports import figures, styles
from fleetcal.reports.layout import Heading, Places
from fleetcal.reports.styles import PADDING, TEXT_WIDTH, legible

Kind = Literal["text", "number", "digest"]
# Words, or something that sets itself.
Cell: TypeAlias = Any
# Points that must be left on the page for a section, a part of it, or a table to begin there.
ROOM_FOR_SECTION, ROOM_FOR_PART, ROOM_FOR_TABLE = 190, 130, 72
STYLES: dict[Kind, ParagraphStyle] = {
    "text": styles.CELL,
    "number": styles.CELL_NUMBER,
    "digest": styles.CELL_DIGEST,
}


@dataclass(frozen=True, slots=True)
class Column:
    """*width* is a share: the columns of a table fill the line together."""

    title: str
    width: float
    kind: Kind = "text"


@dataclass(slots=True)
class Composer:
    unit: str
    zone: tzinfo
    places: Places = field(default_factory=Places)
    sections: list[tuple[str, str]] = field(default_factory=list)
    _parts: int = 0

    def heading(self, title: str) -> list[Flowable]:
        """A numbered section, which the contents list too."""
        key = f"section-{len(self.sections) + 1}"
        name = f"{len(self.sections) + 1}  {title}"
        self.sections.append((name, key))
        return self._heading(name, styles.HEADING, key, 0, ROOM_FOR_SECTION)

    def subheading(self, title: str) -> list[Flowable]:
        self._parts += 1
        return self._heading(title, styles.SUBHEADING, f"part-{self._parts}", 1, ROOM_FOR_PART)

    def _heading(
        self, title: str, style: ParagraphStyle, key: str, level: int, room: float
    ) -> list[Flowable]:
        plain = legible(title)
        heading = Heading(escape(plain), style, plain=plain, key=key, level=level, places=self.places)
        return [CondPageBreak(room), heading]

    def text(self, words: str, style: ParagraphStyle = styles.TEXT) -> Paragraph:
        return Paragraph(_marked_up(words), style)

    def small(self, words: str) -> Paragraph:
        return self.text(words, styles.SMALL)

    def notice(self, words: str) -> Paragraph:
        return self.text(words, styles.NOTICE)

    def bullets(self, lines: Iterable[str]) -> list[Flowable]:
        return [Paragraph(_marked_up(line), styles.BULLET, bulletText="•") for line in lines]

    def facts(self, pairs: Iterable[tuple[str, Cell]]) -> Flowable:
        """Names on the left, what they are on the right; a pair without a value is left out."""
        rows = [
            [Paragraph(_marked_up(name), styles.CELL_SOFT), self._fact(value)]
            for name, value in pairs
            if value not in ("", None)
        ]
        ruled = TableStyle([*_QUIET, ("LINEBELOW", (0, 0), (-1, -1), 0.3, styles.HAIRLINE)])
        return Table(rows, [0.3 * TEXT_WIDTH, 0.7 * TEXT_WIDTH], style=ruled, splitInRow=1, spaceAfter=6)

    def _fact(self, value: Cell) -> Flowable:
        return Paragraph(_marked_up(value), styles.CELL) if isinstance(value, str) else value

    def table(
        self, columns: Sequence[Column], rows: Sequence[Sequence[Cell]], caption: str = ""
    ) -> list[Flowable]:
        """A table that goes on over pages with its head repeated; long words and long cells are broken."""
        whole = sum(column.width for column in columns)
        widths = [column.width / whole * TEXT_WIDTH for column in columns]
        head = [
            Paragraph(
                _marked_up(column.title),
                styles.CELL_HEAD_NUMBER if column.kind == "number" else styles.CELL_HEAD,
            )
            for column in columns
        ]
        body = [
            [
                _cell(cell, column.kind, width)
                for cell, column, width in zip(row, columns, widths, strict=True)
            ]
            for row in rows
        ]
        numbers = [n for n, column in enumerate(columns) if column.kind == "number"]
        # Figures that end where the next column's words begin need more white between them.
        loose = [n for n in numbers if n + 1 < len(columns) and columns[n + 1].kind == "text"]
        digests = [n for n, column in enumerate(columns) if column.kind == "digest"]
        style = TableStyle(
            [
                *_QUIET,
                ("LINEBELOW", (0, 0), (-1, 0), 0.6, styles.EDGE),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, styles.HAIRLINE),
                ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
                *(("ALIGN", (n, 1), (n, -1), "RIGHT") for n in numbers),
                *(("RIGHTPADDING", (n, 0), (n, -1), 4 * PADDING) for n in loose),
                *(("FONTSIZE", (n, 1), (n, -1), styles.CELL_DIGEST.fontSize) for n in digests),
            ]
        )
        made = Table([head, *body], widths, style=style, repeatRows=1, splitInRow=1, spaceAfter=7)
        start: list[Flowable] = [CondPageBreak(ROOM_FOR_TABLE)]
        if caption:
            start.append(self.text(caption, styles.CAPTION))
        return [*start, made]

    def mass(self, value_kg: Decimal | float | str | None) -> str:
        return figures.mass_text(value_kg, self.unit)

    def moment(self, moment: datetime | None) -> str:
        return figures.moment_text(moment, self.zone)

    def gap(self, height: float = 4) -> Spacer:
        return Spacer(1, height)


_QUIET = [
    ("FONT", (0, 0), (-1, -1), styles.PLAIN, styles.CELL_SIZE, styles.CELL_LEADING),
    ("TEXTCOLOR", (0, 0), (-1, -1), styles.INK),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2 * PADDING),
    ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), PADDING - 1),
    ("BOTTOMPADDING", (0, 0), (-1, -1), PADDING),
]


def _cell(cell: Cell, kind: Kind, width: float) -> Cell:
    """Text that fits in one line stays a plain string: it is set many times faster than a paragraph."""
    if not isinstance(cell, str):
        return cell
    words, style = legible(cell), STYLES[kind]
    if "\n" not in words and stringWidth(words, style.fontName, style.fontSize) <= width - 2 * PADDING - 1:
        return words
    return Paragraph(_marked_up(cell), style)


def _marked_up(words: str) -> str:
    return escape(legible(words)).replace("\n", "<br/>")
