"""The text equivalents of the drawings, in the reader's unit and with language-neutral dates."""

import math
from datetime import date

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
DECIMALS = {"%": 1, "t": 2}
MOST_DECIMALS = 4


def decimals_for(unit: str, U: float | None) -> int:
    """Places after the point: the unit's habit (none for kg and lb), more where U would read as zero."""
    habit = DECIMALS.get(unit, 0)
    if not U:
        return habit
    return min(max(habit, -math.floor(math.log10(U))), MOST_DECIMALS)


def describe_signed(value: float, unit: str, decimals: int) -> str:
    rounded = round(value, decimals)
    sign = "+" if rounded > 0 else "\N{MINUS SIGN}" if rounded < 0 else ""
    return f"{sign}{abs(rounded):.{decimals}f} {unit}"


def describe_limit(value: float, unit: str) -> str:
    return f"±{format_plain(value)} {unit}"


def format_plain(value: float) -> str:
    """As many decimals as the number has, four at most: 2, 2.5, 12000."""
    plain = f"{abs(value):.{MOST_DECIMALS}f}".rstrip("0").rstrip(".")
    return f"\N{MINUS SIGN}{plain}" if value < 0 and plain != "0" else plain


def describe_reading(error: float, U: float | None, unit: str) -> str:
    """'+1.3 % ± 0.4 %', or '+1.3 %' where no uncertainty is known."""
    decimals = decimals_for(unit, U)
    reading = describe_signed(error, unit, decimals)
    return reading if U is None else f"{reading} ± {U:.{decimals}f} {unit}"


def describe_error(error: float | None, U: float | None, tolerance: float, unit: str) -> str:
    """'+1.3 % ± 0.4 %, tolerance ±2 %'."""
    reading = "no reading" if error is None else describe_reading(error, U, unit)
    return f"{reading}, tolerance {describe_limit(tolerance, unit)}"


def describe_date(day: date) -> str:
    """'25 Nov 2026'."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"
