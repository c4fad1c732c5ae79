"""A weighing system with its sensors and junction units as typed."""

import re
from typing import Any, cast

from django import forms
from django.http import QueryDict

from fleetcal.fleet.models import Sensor, WeighingSystem
from fleetcal.fleet.models.systems import Fixing, Pivot, Place, Principle, Side, WeighingMode
from fleetcal.fleet.models.vehicles import Suspension
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.fleet.services.systems import JunctionUnit, NewSensor, NewSystem
from fleetcal.web.forms.days import DayField
from fleetcal.web.forms.fields import MassField
from fleetcal.web.forms.measurements import MomentField

MOST_SENSORS, MOST_UNITS = 64, 16


class SystemForm(forms.Form):
    serial = forms.CharField(label="Display serial number", max_length=48)
    fitted_on = DayField(label="Fitted on")
    mode = forms.ChoiceField(
        label="Weighing mode", choices=WeighingMode.choices, help_text="As set in the display."
    )
    axle_count = forms.IntegerField(
        label="Axles set in the display",
        min_value=1,
        max_value=12,
        help_text="A number other than the vehicle’s own stays open until the installation settles it.",
    )
    supply_v = forms.TypedChoiceField(
        label="Supply voltage", coerce=int, choices=[(24, "24 V"), (12, "12 V")]
    )
    fuse_a = forms.DecimalField(
        label="Fuse in the supply lead, A", min_value=0, max_value=30, max_digits=5, decimal_places=2
    )
    clock_set_at = MomentField(label="Clock set at", required=False)
    clock_offset_s = forms.IntegerField(
        label="Clock ahead of true time by, s",
        min_value=-86_400,
        max_value=86_400,
        initial=0,
        help_text="Negative when it is behind. Tickets are matched to readings with it.",
    )

    field_order = ("serial", "fitted_on", "division_kg", "mode", "axle_count", "alarm_gross_kg")

    def __init__(self, *args: Any, unit: str, is_change: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["division_kg"] = MassField(
            unit=unit,
            most="1000",
            label=f"Division of the display, {unit}",
            help_text="The smallest step in which it shows a weight.",
        )
        self.fields["alarm_gross_kg"] = MassField(
            unit=unit,
            required=False,
            label=f"Alarm point, gross, {unit}",
            help_text="Not above the rating plate.",
        )
        if is_change:
            self.fields["changed_on"] = DayField(
                label="Sensors changed on",
                required=False,
                help_text="Only when a sensor came off or went on.",
            )
            self.fields["reason"] = forms.CharField(
                label="Why this changes", required=False, widget=forms.Textarea(attrs={"rows": 2})
            )
        self.order_fields(self.field_order)


class SensorForm(forms.Form):
    """One channel; left without a serial number it has no sensor."""

    serial = forms.CharField(label="Serial number", max_length=48, required=False)
    axle = forms.TypedChoiceField(coerce=int)
    side = forms.ChoiceField(choices=Side.choices)
    principle = forms.ChoiceField(choices=Principle.choices)
    place = forms.ChoiceField(choices=Place.choices)
    fixing = forms.ChoiceField(choices=Fixing.choices)
    pivot = forms.ChoiceField(label="Mounted", choices=Pivot.choices, initial=Pivot.NONE)
    in_line = forms.BooleanField(label="in line with the chassis", required=False, initial=True)
    lead_towards_pivot = forms.BooleanField(
        label="lead leaves towards the pivot", required=False, initial=True
    )

    def __init__(self, *args: Any, channel: int, axles: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.channel = channel
        field = self.fields["axle"]
        assert isinstance(field, forms.TypedChoiceField)
        field.choices = [(number, str(number)) for number in range(1, axles + 1)]


class BaseSensorFormSet(forms.BaseFormSet):
    """The channels of the display, from one, each with its sensor."""

    def __init__(self, *args: Any, axles: int, **kwargs: Any) -> None:
        self.axles = axles
        super().__init__(*args, **kwargs)

    def get_form_kwargs(self, index: int | None) -> dict[str, Any]:
        return {"channel": (index or 0) + 1, "axles": self.axles, "empty_permitted": False}

    def drafts(self) -> tuple[NewSensor, ...]:
        return tuple(
            NewSensor(channel=form.channel, **form.cleaned_data)
            for form in self.forms
            if form.cleaned_data["serial"]
        )


class UnitForm(forms.Form):
    """A junction unit; a row without a name is none."""

    name = forms.CharField(max_length=24, required=False)
    channels = forms.CharField(max_length=120, required=False, help_text="Such as 1+2.")
    place = forms.CharField(max_length=80, required=False)
    orientation = forms.CharField(max_length=80, required=False)

    def clean_channels(self) -> tuple[int, ...]:
        text = self.cleaned_data["channels"]
        if not re.fullmatch(r"\s*(\d{1,2}(\s*[+,;]\s*\d{1,2})*)?\s*", text):
            raise forms.ValidationError(f"“{text}” is no list of channels: write them like 1+2.")
        return tuple(int(number) for number in re.findall(r"\d+", text))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if not cleaned.get("name") and any(cleaned.get(key) for key in ("channels", "place", "orientation")):
            self.add_error("name", "Give the unit a name, as it is marked on the vehicle.")
        return cleaned


_SensorFormSet = forms.formset_factory(
    SensorForm,
    formset=BaseSensorFormSet,
    extra=0,
    max_num=MOST_SENSORS,
    absolute_max=MOST_SENSORS,
    validate_max=True,
)
UnitFormSet = forms.formset_factory(
    UnitForm, extra=1, max_num=MOST_UNITS, absolute_max=MOST_UNITS, validate_max=True
)


def sensor_forms(data: QueryDict | None, initial: list[dict[str, Any]], axles: int) -> BaseSensorFormSet:
    formset: Any = _SensorFormSet
    return cast(BaseSensorFormSet, formset(data, initial=initial, prefix="sensors", axles=axles))


def new_system(form: SystemForm, sensors: BaseSensorFormSet, units: forms.BaseFormSet) -> NewSystem:
    values = {key: value for key, value in form.cleaned_data.items() if key not in ("changed_on", "reason")}
    return NewSystem(
        **values,
        sensors=sensors.drafts(),
        junction_units=tuple(
            JunctionUnit(**unit.cleaned_data) for unit in units.forms if unit.cleaned_data.get("name")
        ),
    )


def system_as_stored(system: WeighingSystem) -> dict[str, Any]:
    names = [name for name in SystemForm.base_fields if name != "junction_units"]
    return {name: getattr(system, name) for name in [*names, "division_kg", "alarm_gross_kg"]}


def units_as_stored(system: WeighingSystem) -> list[dict[str, Any]]:
    return [
        {**unit, "channels": "+".join(str(channel) for channel in unit["channels"])}
        for unit in system.junction_units
    ]


def sensors_as_stored(system: WeighingSystem) -> list[dict[str, Any]]:
    sensors = Sensor.objects.filter(system=system, removed_on__isnull=True).select_related("axle")
    names = ("serial", "side", "principle", "place", "fixing", "pivot", "in_line", "lead_towards_pivot")
    by_channel = {
        sensor.channel: {name: getattr(sensor, name) for name in names} | {"axle": sensor.axle.number}
        for sensor in sensors
    }
    return [by_channel.get(channel, {}) for channel in range(1, max(by_channel, default=0) + 1)]


def sensors_as_usual(shape: VehicleShape) -> list[dict[str, Any]]:
    """A proposal: two on each axle of a steel or rubber group, one in the air line of each air group (common practice, no source)."""
    proposed: list[dict[str, Any]] = []
    for group in shape.groups:
        if group.suspension == Suspension.AIR:
            proposed.append(
                {
                    "axle": group.axles[0],
                    "side": Side.CENTRE,
                    "principle": Principle.PRESSURE,
                    "place": Place.AIR_LINE,
                    "fixing": Fixing.PIPED,
                }
            )
            continue
        proposed += [
            {
                "axle": axle,
                "side": side,
                "principle": Principle.STRAIN,
                "place": Place.SPRING,
                "fixing": Fixing.BONDED,
                "pivot": Pivot.AHEAD,
            }
            for axle in group.axles
            for side in (Side.LEFT, Side.RIGHT)
        ]
    return [{"in_line": True, "lead_towards_pivot": True, **each} for each in proposed]
