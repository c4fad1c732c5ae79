"""Days and moments in words, the same on pages, in refusals and in reports."""

from datetime import date, datetime


def day_text(day: date | None) -> str:
    return f"{day.day} {day:%b %Y}" if day else ""


def moment_text(moment: datetime) -> str:
    """The day and the minute, by the time zone that *moment* is given in."""
    return f"{day_text(moment)}, {moment:%H:%M}"
