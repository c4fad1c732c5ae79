from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from fleetcal.accounts.models import MassUnit
from fleetcal.web.forms.days import DayField

# As they stand in the address; “from” cannot be the name of anything in Python.
IN_ADDRESS = {"since": "from", "until": "to"}


class AuditForm(forms.Form):
    """The period and the unit of an audit report. What is left out is filled in from what is on record."""

    since = DayField(label="From", required=False)
    until = DayField(label="To", required=False)
    unit = forms.ChoiceField(label="Weights in", choices=MassUnit.choices, required=False)

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"].initial = self.own_unit = unit

    def add_prefix(self, field_name: str) -> str:
        return IN_ADDRESS.get(field_name, field_name)

    def clean_until(self) -> date | None:
        until: date | None = self.cleaned_data["until"]
        if until and until > timezone.localdate():
            raise ValidationError("Choose today or a past day.")
        return until

    def clean_unit(self) -> str:
        return self.cleaned_data["unit"] or self.own_unit

    def clean(self) -> dict[str, Any]:
        cleaned = self.cleaned_data
        since, until = cleaned.get("since"), cleaned.get("until")
        if since and until and since > until:
            self.add_error("until", "The period ends before it begins.")
        return cleaned
