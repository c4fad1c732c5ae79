"""Scales of the error history: values upwards, dates to the right, and the ticks that a reader can name."""

import math
from dataclasses import dataclass
from datetime import date, timedelta

from fleetcal.drawing.text import MONTHS

MOST_DATE_TICKS = 7
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200)
DAY_STEPS = (1, 2, 7, 14)


@dataclass(frozen=True, slots=True)
class ValueScale:
    """Maps values in [-limit, limit] to y in [top, bottom], limit at the top; others are held at the edge."""

    limit: float
    top: float
    bottom: float

    def at(self, value: float) -> float:
        share = (self.limit - self.hold(value)) / (2 * self.limit)
        return self.top + share * (self.bottom - self.top)

    def hold(self, value: float) -> float:
        return max(-self.limit, min(self.limit, value))

    def holds(self, value: float) -> bool:
        return abs(value) <= self.limit

    def ticks(self) -> tuple[float, ...]:
        """Multiples of 1, 2 or 5 times a power of ten, three to nine of them, zero always among them."""
        raw = self.limit / 4
        power = 10.0 ** math.floor(math.log10(raw))
        step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9))
        count = math.floor(self.limit / step * (1 + 1e-9))
        return tuple(step * i for i in range(-count, count + 1))


@dataclass(frozen=True, slots=True)
class DateScale:
    """Maps days in [first, last] to x in [left, right]."""

    first: date
    last: date
    left: float
    right: float

    def at(self, day: date) -> float:
        share = (day - self.first).days / (self.last - self.first).days
        return self.left + share * (self.right - self.left)

    def ticks(self) -> tuple[tuple[date, str], ...]:
        """Whole months with their year ('Nov 2026'), or days ('25 Nov') below a span of 70 days."""
        days = (self.last - self.first).days
        if days < 70:
            step = next((s for s in DAY_STEPS if days / s <= MOST_DATE_TICKS), DAY_STEPS[-1])
            marks = [self.first + timedelta(days=i) for i in range(0, days + 1, step)]
            return tuple((day, f"{day.day} {MONTHS[day.month - 1]}") for day in marks)
        months = days / 30.44
        step = next((s for s in MONTH_STEPS if months / s <= MOST_DATE_TICKS), MONTH_STEPS[-1])
        return tuple((day, f"{MONTHS[day.month - 1]} {day.year}") for day in self._month_starts(step))

    def _month_starts(self, step: int) -> list[date]:
        first, last = (day.year * 12 + day.month - 1 for day in (self.first, self.last))
        starts = [date(m // 12, m % 12 + 1, 1) for m in range(first, last + 1) if m % step == 0]
        return [day for day in starts if day >= self.first]
