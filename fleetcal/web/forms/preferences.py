from zoneinfo import available_timezones

from django import forms

from fleetcal.accounts.models import MassUnit


def time_zones() -> list[tuple[str, str]]:
    """The zones that name a place, and UTC; the others are old spellings of these."""
    return [("UTC", "UTC"), *((name, name) for name in sorted(available_timezones()) if "/" in name)]


class PreferencesForm(forms.Form):
    first_name = forms.CharField(max_length=150, required=False)
    last_name = forms.CharField(max_length=150, required=False)
    unit = forms.ChoiceField(
        label="Unit of mass",
        choices=MassUnit.choices,
        help_text="For what you read and what you type. Records keep the unit that was typed.",
    )
    time_zone = forms.ChoiceField(
        choices=time_zones, help_text="Times are shown and read in it, such as Europe/Berlin."
    )
