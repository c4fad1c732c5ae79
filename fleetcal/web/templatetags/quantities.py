"""Numbers as pages show them: in the reader's unit, grouped, with a true minus sign."""

from decimal import Decimal
from typing import Any

from django import template

from fleetcal.metrology.mass import from_kg

register = template.Library()
THIN_SPACE = "\u202f"


@register.filter
def mass(value_kg: Any, unit: str = "kg") -> str:
    """Kilograms as a whole number of *unit* (tonnes to the kilogram), without the unit; empty for nothing."""
    if value_kg is None or value_kg == "":
        return ""
    number = from_kg(Decimal(str(value_kg)), unit)
    return grouped(number, 3 if unit == "t" else 0)


@register.filter
def signed_mass(value_kg: Any, unit: str = "kg") -> str:
    text = mass(value_kg, unit)
    return text if not text or text.startswith("−") or text == "0" else f"+{text}"


def grouped(number: Decimal, places: int = 0) -> str:
    rounded = number.quantize(Decimal(1).scaleb(-places))
    text = f"{abs(rounded):,.{places}f}".replace(",", THIN_SPACE)
    return f"−{text}" if rounded < 0 else text
