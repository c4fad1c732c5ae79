"""Form fields that several forms share."""

from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from fleetcal.metrology.mass import NotANumber, from_kg, read_number, to_kg


class MassField(forms.CharField):
    """A mass typed in the person's unit; cleans to kilograms. `entered` keeps what was typed.

    *least* and *most* are in kilograms.
    """

    # More digits than this do not fit the decimal arithmetic of the conversion.
    MOST_CHARACTERS = 24

    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "num"})

    def __init__(
        self, *, unit: str = "kg", least: str = "0.001", most: str = "200000", **kwargs: Any
    ) -> None:
        super().__init__(max_length=self.MOST_CHARACTERS, **kwargs)
        self.unit, self.least, self.most = unit, Decimal(least), Decimal(most)
        self.label_suffix = f", {unit}:"

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        try:
            kilograms = to_kg(read_number(text), self.unit)
        except NotANumber as error:
            raise ValidationError(str(error)) from error
        if not self.least <= kilograms <= self.most:
            low, high = (from_kg(limit, self.unit) for limit in (self.least, self.most))
            raise ValidationError(f"Must be between {low:.0f} and {high:.0f} {self.unit}.")
        return kilograms

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, Decimal):
            return f"{from_kg(value, self.unit).quantize(Decimal('0.1')).normalize():f}"
        return value
