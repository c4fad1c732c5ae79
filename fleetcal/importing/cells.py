"""Reading one cell: numbers, masses, days and times of day as the mapping states them, never guessed."""

import functools
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

from fleetcal.importing.reading import Cell
from fleetcal.metrology.mass import KG_PER_UNIT, to_kg

SPACES = re.compile(r"[\s\u00a0\u202f]+")
UNIT_WORDS = {
    "kg": "kg", "kgs": "kg", "t": "t", "to": "t", "tn": "t", "tonnes": "t", "tonne": "t", "lb": "lb", "lbs": "lb",
}  # fmt: skip
DECIMAL_MARKS = {".": "point (41.02)", ",": "comma (41,02)"}
THOUSANDS_MARKS = {
    "": "none (41020)",
    ",": "comma (41,020)",
    ".": "point (41.020)",
    " ": "space (41 020)",
    "'": "apostrophe (41'020)",
}
YES_WORDS = {"yes", "y", "true", "1", "x", "ja", "j", "oui", "o", "sí", "si", "s"}
NO_WORDS = {"no", "n", "false", "0", "nein", "non"}
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
# Two digits of a year: 70 to 99 lie in the last century, as POSIX strptime has it (69 there).
CENTURY_TURNS_AT = 70
MOST = Decimal(10**15)

_D, _M, _Y, _YY = r"(?P<d>\d{1,2})", r"(?P<m>\d{1,2})", r"(?P<y>\d{4})", r"(?P<y>\d{2})"
DATE_PATTERNS = {
    "YYYY-MM-DD": rf"{_Y}-{_M}-{_D}",
    "DD.MM.YYYY": rf"{_D}\.{_M}\.{_Y}",
    "DD/MM/YYYY": rf"{_D}/{_M}/{_Y}",
    "MM/DD/YYYY": rf"{_M}/{_D}/{_Y}",
    "DD-MM-YYYY": rf"{_D}-{_M}-{_Y}",
    "MM-DD-YYYY": rf"{_M}-{_D}-{_Y}",
    "YYYY/MM/DD": rf"{_Y}/{_M}/{_D}",
    "YYYY.MM.DD": rf"{_Y}\.{_M}\.{_D}",
    "YYYYMMDD": r"(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})",
    "DD.MM.YY": rf"{_D}\.{_M}\.{_YY}",
    "DD/MM/YY": rf"{_D}/{_M}/{_YY}",
    "MM/DD/YY": rf"{_M}/{_D}/{_YY}",
    "YY-MM-DD": rf"{_YY}-{_M}-{_D}",
    "DD Mon YYYY": rf"{_D}[ -](?P<month>[A-Za-z]{{3}})[ -]{_Y}",
}
_ZONE = r"(?:\s?(?P<zone>Z|[+-]\d{2}:?\d{2}))?"
TIME_PATTERNS = {
    "HH:MM": r"(?P<H>\d{1,2}):(?P<M>\d{2})",
    "HH:MM:SS": r"(?P<H>\d{1,2}):(?P<M>\d{2}):(?P<S>\d{2})(?:[.,]\d+)?",
    "HH.MM": r"(?P<H>\d{1,2})\.(?P<M>\d{2})",
    "HHMM": r"(?P<H>\d{2})(?P<M>\d{2})",
    "hh:MM AM": r"(?P<H>\d{1,2}):(?P<M>\d{2})\s?(?P<half>[AaPp])\.?[Mm]\.?",
    "hh:MM:SS AM": r"(?P<H>\d{1,2}):(?P<M>\d{2}):(?P<S>\d{2})\s?(?P<half>[AaPp])\.?[Mm]\.?",
}


class Unreadable(ValueError):
    """A cell that does not hold what its column should; the message says what to do."""


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How numbers are written in a file."""

    decimal_mark: str = "."
    thousands_mark: str = ""
    unit: str = "kg"


def text_of(cell: Cell) -> str:
    """The cell as text on one line; a whole number without the decimals that spreadsheets add."""
    if cell is None:
        return ""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return SPACES.sub(" ", str(cell)).strip()


def number_of(cell: Cell, style: NumberStyle) -> Decimal | None:
    """The number in *cell*, None where it is empty. A number of a spreadsheet needs no style."""
    if isinstance(cell, (int, float, Decimal)) and not isinstance(cell, bool):
        return _sensible(Decimal(str(cell)))
    text = text_of(cell)
    if not text:
        return None
    if not _number_pattern(style.decimal_mark, style.thousands_mark).fullmatch(text):
        raise Unreadable(
            f"Not a number with a decimal {'comma' if style.decimal_mark == ',' else 'point'}"
            f" and {_thousands_words(style)}: correct it, or state another way of writing numbers."
        )
    if style.thousands_mark:
        text = (SPACES.sub("", text) if style.thousands_mark == " " else text).replace(
            style.thousands_mark, ""
        )
    return _sensible(Decimal(text.replace(",", ".").replace("−", "-")))


def _sensible(number: Decimal) -> Decimal:
    # A workbook may hold what is no number at all; more digits do not fit the arithmetic of the conversion.
    if not number.is_finite() or abs(number) >= MOST:
        raise Unreadable("No number that anything here can have: correct it.")
    return number


def _thousands_words(style: NumberStyle) -> str:
    return {
        "": "no mark between thousands",
        ",": "commas between thousands",
        ".": "points between thousands",
        " ": "spaces between thousands",
        "'": "apostrophes between thousands",
    }[style.thousands_mark]


@functools.cache
def _number_pattern(decimal_mark: str, thousands_mark: str) -> re.Pattern[str]:
    # A thousands mark stands before three digits or nowhere: 12,5 is not 125.
    mark = r"[ \u00a0\u202f]" if thousands_mark == " " else re.escape(thousands_mark)
    grouped = rf"\d{{1,3}}(?:{mark}\d{{3}})+|" if thousands_mark else ""
    return re.compile(rf"[+\-−]?(?:{grouped}\d+)(?:{re.escape(decimal_mark)}\d+)?", re.ASCII)


def mass_of(cell: Cell, style: NumberStyle) -> Decimal | None:
    """The mass in *cell* in kilograms to the gram; a unit written in the cell itself goes before the column's."""
    unit = style.unit
    if isinstance(cell, str):
        head, _, tail = SPACES.sub(" ", cell).strip().rpartition(" ")
        if head and tail.lower().rstrip(".") in UNIT_WORDS:
            cell, unit = head, UNIT_WORDS[tail.lower().rstrip(".")]
    number = number_of(cell, style)
    return None if number is None else to_kg(number, unit)


def count_of(cell: Cell, style: NumberStyle) -> int | None:
    """The whole number in *cell* that is not negative."""
    number = number_of(cell, style)
    if number is None:
        return None
    if number != number.to_integral_value() or not 0 <= number < 2**31:
        raise Unreadable("Not a whole number from 0 upwards: correct it.")
    return int(number)


def answer_of(cell: Cell) -> bool | None:
    """Yes or no in four languages, None where the cell is empty."""
    if isinstance(cell, bool):
        return cell
    word = text_of(cell).lower()
    if not word:
        return None
    if word in YES_WORDS or word in NO_WORDS:
        return word in YES_WORDS
    raise Unreadable("Neither yes nor no: write one of them.")


def date_of(cell: Cell, pattern: str) -> date | None:
    """The day in *cell*, written as *pattern*; a true date of a spreadsheet needs none."""
    if isinstance(cell, datetime):
        return cell.date()
    if isinstance(cell, date):
        return cell
    text = text_of(cell)
    if not text:
        return None
    if not pattern:
        raise Unreadable("This cell is text, not a true date: state how dates are written.")
    found = compiled(DATE_PATTERNS[pattern]).fullmatch(text)
    if not found:
        raise Unreadable(
            f"Not a date like {pattern} ({example_of(pattern)}): correct it, or state another date format."
        )
    return _day(found, pattern)


def time_of(cell: Cell, pattern: str) -> time | None:
    if isinstance(cell, datetime):
        return cell.time()
    if isinstance(cell, time):
        return cell
    text = text_of(cell)
    if not text:
        return None
    if not pattern:
        raise Unreadable("This cell is text, not a true time: state how times are written.")
    found = compiled(TIME_PATTERNS[pattern]).fullmatch(text)
    if not found:
        raise Unreadable(f"Not a time like {pattern}: correct it, or state another time format.")
    return _clock(found)


def moment_of(cell: Cell, date_pattern: str, time_pattern: str, zone: ZoneInfo) -> datetime | None:
    """Day and time of day in one cell; a zone written in the cell (Z, +01:00) goes before *zone*."""
    if isinstance(cell, datetime):
        return cell if cell.tzinfo else in_zone(cell, zone)
    text = text_of(cell)
    if not text:
        return None
    if not (date_pattern and time_pattern):
        raise Unreadable("This cell is text, not a true date: state how dates and times are written.")
    both = rf"{DATE_PATTERNS[date_pattern]}(?:T|,? ){TIME_PATTERNS[time_pattern]}{_ZONE}"
    found = compiled(both).fullmatch(text)
    if not found:
        raise Unreadable(
            f"Not a date and time like {date_pattern} {time_pattern}: correct it, or state another format."
        )
    moment = datetime.combine(_day(found, date_pattern), _clock(found))
    written = found.group("zone")
    return moment.replace(tzinfo=_offset(written)) if written else in_zone(moment, zone)


def in_zone(moment: datetime, zone: ZoneInfo) -> datetime:
    """A local time with its zone. The hour that a clock skips in spring is refused; of the repeated one the first is taken."""
    placed = moment.replace(tzinfo=zone)
    try:
        returned = placed.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
    except OverflowError as error:
        raise Unreadable("Lies outside of the calendar: correct it, or state another date format.") from error
    if returned != moment:
        raise Unreadable(
            f"{moment:%H:%M} does not exist on that day in {zone.key}: correct it, or state another time zone."
        )
    return placed


def _offset(text: str) -> timezone:
    if text == "Z":
        return UTC
    hours, minutes = int(text[1:3]), int(text[-2:])
    if hours > 14 or minutes > 59:
        raise Unreadable(f"{text} is not a time zone: correct it.")
    return timezone((1 if text[0] == "+" else -1) * timedelta(hours=hours, minutes=minutes))


def _day(found: re.Match[str], pattern: str) -> date:
    parts = found.groupdict()
    year = int(parts["y"])
    if len(parts["y"]) == 2:
        year += 1900 if year >= CENTURY_TURNS_AT else 2000
    word = parts.get("month")
    if word and word.lower() not in MONTHS:
        raise Unreadable(f"“{word}” is not a month in English, three letters long: correct it.")
    month = MONTHS.index(word.lower()) + 1 if word else int(parts["m"])
    try:
        return date(year, month, int(parts["d"]))
    except ValueError as error:
        raise Unreadable(
            f"There is no such day, read as {pattern}: correct it, or state another date format."
        ) from error


def _clock(found: re.Match[str]) -> time:
    parts = found.groupdict()
    hour = int(parts["H"])
    half = (parts.get("half") or "").lower()
    if half:
        if not 1 <= hour <= 12:
            raise Unreadable("There is no such time of day: correct it.")
        hour = hour % 12 + (12 if half == "p" else 0)
    try:
        return time(hour, int(parts["M"]), int(parts.get("S") or 0))
    except ValueError as error:
        raise Unreadable("There is no such time of day: correct it.") from error


@functools.cache
def compiled(pattern: str) -> re.Pattern[str]:
    return re.compile(pattern, re.ASCII)


def example_of(pattern: str) -> str:
    """24 November 2026, written as *pattern*."""
    parts = {"YYYY": "2026", "YY": "26", "Mon": "Nov", "MM": "11", "DD": "24"}
    for code, digits in parts.items():
        pattern = pattern.replace(code, digits)
    return pattern


def fitting(patterns: dict[str, str], cells: list[Cell], read: Callable[[Cell, str], object]) -> list[str]:
    """Those of *patterns* that every one of *cells* can be read by, empty cells apart. The choice among them is a person's."""
    filled = [cell for cell in cells if text_of(cell)]
    return [name for name in patterns if filled and all(_reads(read, cell, name) for cell in filled)]


def _reads(read: Callable[[Cell, str], object], cell: Cell, pattern: str) -> bool:
    try:
        read(cell, pattern)
    except Unreadable:
        return False
    return True


def unit_known(unit: str) -> bool:
    return unit in KG_PER_UNIT
