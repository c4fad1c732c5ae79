"""A number as people type it, and the moment at which something was done."""

from datetime import MAXYEAR, UTC, datetime
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from fleetcal.metrology.mass import NotANumber, read_number
from fleetcal.web.forms.days import EARLIEST


class MomentField(forms.DateTimeField):
    """A local time of the person who types it. The hour that a clock skips in spring is refused; of the repeated one the first is taken,
    as it is in files."""

    widget = forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"})

    def to_python(self, value: Any) -> datetime | None:
        try:
            moment: datetime | None = super().to_python(value)
        except ValidationError as error:
            if error.code != "ambiguous_timezone" or not error.params:
                raise
            moment = _first_of_repeated(error.params["datetime"])
        # In the last year of the calendar, another time zone may lie beyond it.
        if moment and not EARLIEST.year <= moment.year < MAXYEAR:
            raise ValidationError(f"Must lie between the years {EARLIEST.year} and {MAXYEAR - 1}.")
        return moment


def _first_of_repeated(typed: datetime) -> datetime:
    zone = timezone.get_current_timezone()
    moment = typed.replace(tzinfo=zone)
    if moment.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != typed:
        raise ValidationError(
            f"{typed:%H:%M} does not exist on that day in {zone}: the clocks were put forward."
        )
    return moment


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
