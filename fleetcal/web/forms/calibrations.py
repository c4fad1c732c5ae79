"""A calibration worksheet as filled in, one form per step."""

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django import forms

from fleetcal.fleet.models.vehicles import Suspension
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.records.models.calibrations import Method
from fleetcal.records.services.worksheets import ReadingDraft
from fleetcal.records.worksheet import Conditions, SheetReading
from fleetcal.web.forms.fields import MassField
from fleetcal.web.forms.measurements import NumberField


class BeginForm(forms.Form):
    """Which groups, and why it cannot wait where only the bond has not cured."""

    covers_groups = forms.TypedMultipleChoiceField(
        label="Calibrate",
        coerce=int,
        widget=forms.CheckboxSelectMultiple,
        help_text="After work on one group, that group alone may be set again. The gross is still weighed.",
    )
    cure_reason = forms.CharField(
        label="Why it cannot wait for the bond to cure",
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="It stays with the calibration, and an early check becomes due.",
    )

    def __init__(self, *args: Any, shape: VehicleShape, asks_for_reason: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        groups = self.fields["covers_groups"]
        assert isinstance(groups, forms.TypedMultipleChoiceField)
        groups.choices = [(group.position, name_group(group.position, group.axles)) for group in shape.groups]
        groups.initial = [group.position for group in shape.groups]
        self.every_group = frozenset(group.position for group in shape.groups)
        if not asks_for_reason:
            del self.fields["cure_reason"]

    def groups(self) -> tuple[int, ...]:
        """Empty where every group is calibrated."""
        chosen = frozenset(self.cleaned_data["covers_groups"])
        return () if chosen == self.every_group else tuple(sorted(chosen))


def name_group(position: int, axles: Sequence[int]) -> str:
    return f"Group {position} (axle{'s' if len(axles) > 1 else ''} {', '.join(map(str, axles))})"


class ConditionsForm(forms.Form):
    slope_percent = NumberField(label="Slope of the site, %", places=2, least="0", most="20")
    wind_m_s = NumberField(label="Wind, m/s", places=1, least="0", most="60")
    lift_axles_up = forms.TypedMultipleChoiceField(
        label="Lift axles that are up",
        coerce=int,
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Tare and span hold only for this state. Leave empty when all axles are down.",
    )
    brakes_released = forms.BooleanField(label="Brakes released, wheels chocked", required=False)
    ride_height_settled = forms.BooleanField(
        label="Air suspension at ride height and settled", required=False
    )
    is_level = forms.BooleanField(label="Level and calm, all axles of a group in one plane", required=False)

    def __init__(self, *args: Any, shape: VehicleShape, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        lift = [axle.number for axle in shape.axles if axle.is_lift]
        lifted = self.fields["lift_axles_up"]
        assert isinstance(lifted, forms.TypedMultipleChoiceField)
        lifted.choices = [(number, f"Axle {number}") for number in lift]
        if not lift:
            del self.fields["lift_axles_up"]
        air = {str(Suspension.AIR), str(Suspension.MIXED)}
        if not any(group.suspension in air for group in shape.groups):
            del self.fields["ride_height_settled"]

    def conditions(self) -> Conditions:
        data = self.cleaned_data
        return Conditions(
            slope_percent=data["slope_percent"],
            wind_m_s=data["wind_m_s"],
            brakes_released=data["brakes_released"],
            ride_height_settled=data.get("ride_height_settled", False),
            is_level=data["is_level"],
            lift_axles_up=tuple(sorted(data.get("lift_axles_up", ()))),
        )


def initial_of_conditions(conditions: Conditions) -> dict[str, Any]:
    return {name: getattr(conditions, name) for name in Conditions.__dataclass_fields__}


class ReadingForm(forms.Form):
    """What both methods share; *number* is set where a reading is corrected."""

    method: str
    number = forms.IntegerField(required=False, min_value=1, widget=forms.HiddenInput)
    instrument = forms.TypedChoiceField(label="Reference instrument", coerce=UUID)

    def __init__(
        self,
        *args: Any,
        axles: Sequence[int],
        instruments: Sequence[tuple[UUID, str]],
        unit: str,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.unit = unit
        choice = self.fields["instrument"]
        assert isinstance(choice, forms.TypedChoiceField)
        choice.choices = list(instruments)
        self.add_fields([(number, str(number)) for number in axles])

    def add_fields(self, axles: list[tuple[int, str]]) -> None:
        raise NotImplementedError

    def draft(self, state: str) -> ReadingDraft:
        raise NotImplementedError

    def typed(self, name: str) -> str:
        return str(self.data.get(self.add_prefix(name), "")).strip()[:40]


class PadsForm(ReadingForm):
    method = Method.PADS

    def add_fields(self, axles: list[tuple[int, str]]) -> None:
        self.fields["axle"] = forms.TypedChoiceField(
            coerce=int, choices=[(number, f"Axle {text}") for number, text in axles], label="Axle on the pads"
        )
        for name in ("left", "right"):
            field = MassField(unit=self.unit, label=f"{name.title()} pad, {self.unit}")
            field.widget.attrs["data-addend"] = ""
            self.fields[name] = field

    def draft(self, state: str) -> ReadingDraft:
        data = self.cleaned_data
        return ReadingDraft(
            state,
            self.method,
            data["instrument"],
            (data["axle"],),
            left_kg=data["left"],
            right_kg=data["right"],
            unit=self.unit,
            entered={"left": self.typed("left"), "right": self.typed("right")},
        )


class BridgeForm(ReadingForm):
    method = Method.BRIDGE

    def add_fields(self, axles: list[tuple[int, str]]) -> None:
        self.fields["axles"] = forms.TypedMultipleChoiceField(
            coerce=int,
            choices=[(number, f"Axle {text}") for number, text in axles],
            label="Axles on the platform",
            widget=forms.CheckboxSelectMultiple,
        )
        self.fields["value"] = MassField(unit=self.unit, label=f"Reading, {self.unit}")

    def draft(self, state: str) -> ReadingDraft:
        data = self.cleaned_data
        return ReadingDraft(
            state,
            self.method,
            data["instrument"],
            tuple(data["axles"]),
            value_kg=data["value"],
            unit=self.unit,
            entered={"value": self.typed("value")},
        )


def initial_of_reading(reading: SheetReading) -> dict[str, Any]:
    return {
        "number": reading.number,
        "instrument": reading.instrument_id,
        "axle": reading.axles[0],
        "axles": list(reading.axles),
        "left": reading.left_kg,
        "right": reading.right_kg,
        "value": reading.value_kg,
    }


class ExcuseForm(forms.Form):
    rule = forms.ChoiceField(label="Rule")
    reason = forms.CharField(
        label="Why it may be left unmet",
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="It stays visible with the calibration.",
    )

    def __init__(self, *args: Any, rules: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        rule = self.fields["rule"]
        assert isinstance(rule, forms.ChoiceField)
        rule.choices = list(rules)


class ConcludeForm(forms.Form):
    odometer_km = forms.IntegerField(
        label="Odometer, km", required=False, min_value=0, max_value=9_999_999, help_text="As it reads now."
    )
    note = forms.CharField(
        label="Note", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )
    why_not = forms.CharField(
        label="Why it is not accepted",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Only when you record it as not accepted.",
    )


class AbandonForm(forms.Form):
    reason = forms.CharField(
        label="Why it is abandoned", max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )
