"""Type, ink and measures of a printed report. The typeface is embedded, so that a file looks the same everywhere and for years."""

import unicodedata
from typing import Any

from reportlab.graphics.shapes import STATE_DEFAULTS
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

# Bitstream Vera, which comes with reportlab; its digits all have one width.
PLAIN, BOLD, ITALIC, BOLD_ITALIC = "Vera", "Vera-Bold", "Vera-Italic", "Vera-BoldItalic"
FILES = {PLAIN: "Vera.ttf", BOLD: "VeraBd.ttf", ITALIC: "VeraIt.ttf", BOLD_ITALIC: "VeraBI.ttf"}

INK, SOFT, HAIRLINE, EDGE, TINT = map(HexColor, ("#14181c", "#4d565f", "#cdd3d8", "#75808a", "#f3f5f6"))
ACCENT, ALARM = HexColor("#00629b"), HexColor("#96285f")
# As on the pages: a word first, a mark of its own shape, colour last.
STANDING_INK = {
    "reliable": HexColor("#00694d"),
    "check due": HexColor("#7d5600"),
    "overdue": HexColor("#a83f00"),
    "do not rely": ALARM,
    "not on record": SOFT,
}

PAGE_WIDTH, PAGE_HEIGHT = A4
MARGIN, TOP, BOTTOM = 16 * mm, 23 * mm, 24 * mm
TEXT_WIDTH = PAGE_WIDTH - 2 * MARGIN
CELL_SIZE, CELL_LEADING = 7.5, 9.6
# A table's cell and the white at each of its sides.
PADDING = 3


def register_fonts() -> None:
    """Known to reportlab once per process; a second call changes nothing."""
    if PLAIN not in pdfmetrics.getRegisteredFontNames():
        for name, file in FILES.items():
            pdfmetrics.registerFont(TTFont(name, file))
        pdfmetrics.registerFontFamily(PLAIN, PLAIN, BOLD, ITALIC, BOLD_ITALIC)
        # Every drawing begins with this font, which would otherwise be one that is not embedded.
        STATE_DEFAULTS["fontName"] = PLAIN


def _style(name: str, size: float, leading: float, **more: Any) -> ParagraphStyle:
    base = {"fontName": PLAIN, "bulletFontName": PLAIN, "textColor": INK, "allowWidows": 0, "allowOrphans": 0}
    return ParagraphStyle(name, fontSize=size, leading=leading, **(base | more))


TITLE = _style("title", 19, 24, fontName=BOLD, spaceAfter=2)
HEADING = _style("heading", 13, 17, fontName=BOLD, spaceBefore=16, spaceAfter=6)
SUBHEADING = _style("subheading", 9.5, 13, fontName=BOLD, spaceBefore=11, spaceAfter=3)
TEXT = _style("text", 8.5, 12, spaceAfter=5)
SMALL = _style("small", 7, 9.4, textColor=SOFT, spaceAfter=4)
LEAD = _style("lead", 10, 14, spaceAfter=7)
NOTICE = _style(
    "notice",
    8.5,
    12,
    spaceBefore=9,
    spaceAfter=9,
    borderColor=ALARM,
    borderWidth=0.8,
    borderPadding=5,
    leftIndent=6,
    rightIndent=6,
)
BULLET = _style("bullet", 8.5, 12, leftIndent=10, bulletIndent=1, spaceAfter=3)
CAPTION = _style("caption", 7.5, 10, fontName=BOLD, spaceBefore=5, spaceAfter=2)
CELL = _style("cell", CELL_SIZE, CELL_LEADING)
CELL_SOFT = _style("cell soft", CELL_SIZE, CELL_LEADING, textColor=SOFT)
CELL_HEAD = _style("cell head", 7, 9, fontName=BOLD)
CELL_HEAD_NUMBER = _style("cell head number", 7, 9, fontName=BOLD, alignment=2)
CELL_NUMBER = _style("cell number", CELL_SIZE, CELL_LEADING, alignment=2)
CELL_DIGEST = _style("cell digest", 5.6, CELL_LEADING)

SPACES = {"\u202f": "\u00a0", "\u2009": "\u00a0", "\t": " "}


def legible(text: str) -> str:
    """*text* in characters that the typeface has: an accented letter it lacks loses its accent, anything else becomes its code point.

    Line ends stay; other control characters are spelt out, so that nothing in a record can pass unseen.
    """
    register_fonts()
    known = pdfmetrics.getFont(PLAIN).face.charToGlyph
    return "".join(c if ord(c) in known or c == "\n" else _stand_in(c, known) for c in text)


def _stand_in(character: str, known: dict[int, int]) -> str:
    if character in SPACES:
        return SPACES[character]
    if character == "\r":
        return ""
    letter = unicodedata.normalize("NFKD", character)[0]
    return letter if letter.isalpha() and ord(letter) in known else f"[U+{ord(character):04X}]"
