"""A number as people type it, and the moment at which something was done."""

from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from fleetcal.metrology.mass import NotANumber, read_number


class MomentField(forms.DateTimeField):
    widget = forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"})


class NumberField(forms.CharField):
    """An optional decimal number, with a point or a comma, rounded to *places* decimals."""

    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})

    def __init__(self, *, places: int, least: str = "-999", most: str = "999", **kwargs: Any) -> None:
        super().__init__(max_length=12, required=False, **kwargs)
        self.places, self.least, self.most = places, Decimal(least), Decimal(most)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        try:
            number = read_number(text)
        except NotANumber as error:
            raise ValidationError(str(error)) from error
        if not self.least <= number <= self.most:
            raise ValidationError(f"Must be between {self.least} and {self.most}.")
        return number.quantize(Decimal(1).scaleb(-self.places))
