"""Results rounded once, on the way out, by what their uncertainty carries (GUM 7.2.6, from memory)."""

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal

from fleetcal.metrology.budget import RefusedError

SIGNIFICANT_DIGITS_OF_U = 2

# Wide enough for any finite float to be quantised without an InvalidOperation.
_WIDE = Context(prec=800, rounding=ROUND_HALF_EVEN)


@dataclass(frozen=True, slots=True)
class RoundedValue:
    """A value and its expanded uncertainty, both rounded to the same decimal place."""

    value: Decimal
    U: Decimal

    def __str__(self) -> str:
        return f"{self.value:f} ± {self.U:f}"


def round_by_uncertainty(value: float | Decimal, U: float | Decimal) -> RoundedValue:
    """Round U half-even to two significant digits and the value to the same place; both in the caller's unit.

    Floats are taken at the shortest decimal that stands for them, so that 0.125 and 2.5 are the ties that
    they look like. Refuses NaN, infinities and U <= 0, for which there is no place to round to.
    """
    exact_value = _to_decimal("value", value)
    exact_U = _to_decimal("expanded uncertainty", U)
    if exact_U <= 0:
        raise RefusedError("expanded uncertainty", U, "a number above zero")
    quantum = _find_quantum(exact_U)
    rounded_U = exact_U.quantize(quantum, context=_WIDE)
    # 99.6 becomes 100, which carries three digits at the old place: two of them count.
    quantum = _find_quantum(rounded_U)
    return RoundedValue(_quantize(exact_value, quantum), _quantize(rounded_U, quantum))


def format_with_uncertainty(
    value: float | Decimal, U: float | Decimal, unit: str = "kg", k: float | None = None
) -> str:
    """The rounded value with its uncertainty as one line of text: "480 ± 310 kg (k = 2.00)"."""
    rounded = round_by_uncertainty(value, U)
    text = f"{rounded} {unit}".rstrip()
    return text if k is None else f"{text} (k = {_quantize(_to_decimal('k', k), Decimal('0.01')):f})"


def _to_decimal(quantity: str, value: float | Decimal) -> Decimal:
    # float() first: numpy's own repr is not a number.
    exact = value if isinstance(value, Decimal) else Decimal(repr(float(value)))
    if not exact.is_finite():
        raise RefusedError(quantity, value, "a finite number")
    return exact


def _find_quantum(U: Decimal) -> Decimal:
    return Decimal(1).scaleb(U.adjusted() - SIGNIFICANT_DIGITS_OF_U + 1)


def _quantize(value: Decimal, quantum: Decimal) -> Decimal:
    rounded = value.quantize(quantum, context=_WIDE)
    return abs(rounded) if rounded == 0 else rounded
