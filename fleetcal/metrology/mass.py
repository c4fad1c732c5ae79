"""Units of mass: exact conversion to and from kilograms, and reading a number as people type it.

1 lb = 0.453 592 37 kg exactly (international yard and pound agreement, 1959; NIST SP 811, appendix B).
"""

import re
from decimal import Decimal, InvalidOperation

KG_PER_UNIT = {"kg": Decimal(1), "lb": Decimal("0.45359237"), "t": Decimal(1000)}
GRAM = Decimal("0.001")
# Spaces of any width group thousands; one point or comma marks the decimals.
NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")


class NotANumber(ValueError):
    """Text that is not one number; the message says how to write it."""


def to_kg(value: Decimal, unit: str) -> Decimal:
    """*value* in *unit* (kg, lb or t) as kilograms to the gram."""
    return (value * KG_PER_UNIT[unit]).quantize(GRAM)


def from_kg(value_kg: Decimal, unit: str) -> Decimal:
    """Kilograms as *unit*, unrounded; round it for showing only."""
    return value_kg / KG_PER_UNIT[unit]


def read_number(text: str) -> Decimal:
    """The decimal number that *text* is: thousands grouped by spaces, decimals after a point or a comma."""
    compact = re.sub(r"[\s\u00a0\u202f']", "", text)
    if not NUMBER.fullmatch(compact):
        raise NotANumber(f"“{text.strip()}” is not a number; write it like 41020 or 41 020.5")
    try:
        return Decimal(compact.replace(",", "."))
    except InvalidOperation as error:
        raise NotANumber(f"“{text.strip()}” is not a number") from error
