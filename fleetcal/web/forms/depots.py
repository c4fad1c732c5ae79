from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from fleetcal.accounts.models import User
from fleetcal.fleet.services.depots import DepotDraft
from fleetcal.web.forms.preferences import time_zones
from fleetcal.web.numbers import read_count


class DepotForm(forms.Form):
    code = forms.CharField(
        max_length=8, help_text="2 to 8 capital letters or digits, as in tables and in files: MIL."
    )
    name = forms.CharField(max_length=80)
    address = forms.CharField(required=False, widget=forms.Textarea(attrs={"rows": 3}))
    time_zone = forms.ChoiceField(
        choices=time_zones, initial="UTC", help_text="A day at this depot begins and ends by it."
    )
    is_closed = forms.BooleanField(
        label="Closed for good",
        required=False,
        help_text="Its vehicles must have moved or retired first. Its records stay.",
    )

    def draft(self) -> DepotDraft:
        return DepotDraft(**self.cleaned_data)


class PeopleField(forms.ModelMultipleChoiceField):
    def clean(self, value: Any) -> Any:
        # The database fails at a key that is larger than its column, before the field finds that it is nobody's.
        for key in value or ():
            if read_count(str(key)) is None:
                raise ValidationError(f"Nobody has the key “{str(key)[:40]}”: choose from the list.")
        return super().clean(value)

    def label_from_instance(self, obj: Any) -> str:
        return f"{obj.display_name} ({obj.get_role_display()})"


class DepotPeopleForm(forms.Form):
    people = PeopleField(
        User.objects.none(), required=False, widget=forms.CheckboxSelectMultiple, label="Who works here"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["people"]
        assert isinstance(field, forms.ModelMultipleChoiceField)
        field.queryset = User.objects.filter(all_depots=False, is_superuser=False, is_active=True).order_by(
            "username"
        )
