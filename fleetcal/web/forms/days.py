"""A calendar day, by the browser's own picker or typed as 2026-11-25."""

from datetime import date
from typing import Any

from django import forms
from django.core.validators import MaxValueValidator, MinValueValidator

# A year mistyped by a century is caught here; no rule depends on it.
EARLIEST, LATEST = date(1950, 1, 1), date(2100, 1, 1)


class DayField(forms.DateField):
    widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.validators += [MinValueValidator(EARLIEST), MaxValueValidator(LATEST)]
