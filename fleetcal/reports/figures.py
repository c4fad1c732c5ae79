"""Numbers and days as a report prints them: rounded once, grouped, with a true minus sign; the unit stands in the head of the column."""

from datetime import datetime, tzinfo
from decimal import Decimal

from fleetcal.fleet import days
from fleetcal.metrology.mass import from_kg
from fleetcal.metrology.rounding import round_by_uncertainty

NO_BREAK = "\u00a0"
TENTH = Decimal("0.1")


def mass_text(value_kg: Decimal | float | str | None, unit: str) -> str:
    """A mass as it was read or entered, in *unit* to a tenth where it has one; empty for nothing."""
    if value_kg is None or value_kg == "":
        return ""
    return number_text(from_kg(Decimal(str(value_kg)), unit).quantize(TENTH))


def result_text(
    value_kg: Decimal | None, U_kg: Decimal | None, unit: str, *, signed: bool = False
) -> tuple[str, str]:
    """A result and its uncertainty, both to the place that two digits of the uncertainty reach."""
    if value_kg is None or not U_kg:
        return mass_text(value_kg, unit), ""
    rounded = round_by_uncertainty(from_kg(value_kg, unit), from_kg(U_kg, unit))
    value = number_text(rounded.value, keep=True)
    return f"+{value}" if signed and rounded.value > 0 else value, number_text(rounded.U, keep=True)


def number_text(value: Decimal, *, keep: bool = False) -> str:
    """Thousands grouped; without *keep*, no zeros after the point that say nothing."""
    text = f"{abs(value):,f}"
    if "." in text and not keep:
        text = text.rstrip("0").rstrip(".")
    text = text.replace(",", NO_BREAK)
    return f"−{text}" if value < 0 and text.strip("0.") else text


def percent_text(fraction: Decimal | None) -> str:
    """A probability in percent; never a flat 0 or 100."""
    if fraction is None:
        return ""
    percent = 100 * fraction
    if percent > Decimal("99.9"):
        return "> 99.9"
    return "< 0.1" if percent < TENTH else f"{percent:.1f}"


def moment_text(moment: datetime | None, zone: tzinfo) -> str:
    return days.moment_text(moment.astimezone(zone)) if moment else ""


def yes_no(value: bool | None) -> str:
    return {True: "yes", False: "no", None: "not recorded"}[value]


def count_text(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def group_text(position: int, axles: tuple[int, ...]) -> str:
    return f"Group {position} ({'axle' if len(axles) == 1 else 'axles'} {' + '.join(map(str, axles))})"


def join_words(words: list[str]) -> str:
    """“a”, “a and b”, “a, b and c”."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""
