from datetime import date

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from fleetcal.web.forms.days import DayField


class AsOfForm(forms.Form):
    """Looks back to a past day: by everything that is known now, or by what was on record then."""

    day = DayField(label="As of", required=False)
    known = forms.ChoiceField(
        label="By", choices=[("now", "what is known now"), ("then", "what was known then")], required=False
    )

    def clean_day(self) -> date | None:
        day: date | None = self.cleaned_data["day"]
        if day and day > timezone.localdate():
            raise ValidationError("Choose today or a past day.")
        return day
