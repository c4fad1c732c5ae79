"""How a weighing system was fitted, as typed: once for the vehicle and once for each sensor."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.http import QueryDict

from fleetcal.fleet.models import Sensor, WeighingSystem
from fleetcal.fleet.models.systems import Fixing
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Installation, SensorBond
from fleetcal.records.services.installations import BondDraft, InstallationDraft
from fleetcal.web.forms.fields import MassField
from fleetcal.web.forms.measurements import MomentField, NumberField


class InstallationForm(forms.Form):
    happened_at = MomentField(label="Finished at")
    channels_recognised = forms.BooleanField(
        label="Junction units connected one at a time, and the display recognised every channel",
        required=False,
    )
    units_sheltered = forms.BooleanField(
        label="Junction units sheltered, and within the leads’ reach", required=False
    )
    supply_fused = forms.BooleanField(label="Supply lead fused close to the battery", required=False)
    clock_is_set = forms.BooleanField(label="Clock of the display set", required=False)

    def __init__(
        self,
        *args: Any,
        shape: VehicleShape,
        system: WeighingSystem,
        unit: str,
        corrects: Installation | None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.shape, self.system, self.unit, self.corrects = shape, system, unit, corrects
        self.fields["alarm_gross_kg"] = MassField(
            unit=unit,
            required=False,
            label=f"Alarm point, gross, {unit}",
            help_text="As set in the display, never above the rating plate.",
        )
        for axle in shape.axles:
            label = f"Alarm point, axle {axle.number}, {unit}"
            self.fields[f"alarm_axle_{axle.number}"] = MassField(unit=unit, required=False, label=label)
        self.fields["odometer_km"] = forms.IntegerField(
            label="Odometer, km", required=False, min_value=0, max_value=9_999_999
        )
        self.fields["note"] = forms.CharField(
            label="Note", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
        )
        if corrects:
            self.fields["reason"] = forms.CharField(
                label="Why the record is corrected", max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
            )

    def draft(self, bonds: tuple[BondDraft, ...]) -> InstallationDraft:
        data = self.cleaned_data
        alarms = {axle.number: data[f"alarm_axle_{axle.number}"] for axle in self.shape.axles}
        return InstallationDraft(
            vehicle_id=self.shape.id,
            system_id=self.system.pk,
            happened_at=data["happened_at"],
            bonds=bonds,
            clock_is_set=data["clock_is_set"],
            supply_fused=data["supply_fused"],
            units_sheltered=data["units_sheltered"],
            channels_recognised=data["channels_recognised"],
            alarm_gross_kg=data["alarm_gross_kg"],
            alarm_axles_kg={number: kg for number, kg in alarms.items() if kg is not None},
            unit=self.unit,
            entered=self._entered(),
            odometer_km=data["odometer_km"],
            note=data["note"],
            supersedes_id=self.corrects.pk if self.corrects else None,
            reason=data.get("reason", ""),
        )

    def _entered(self) -> dict[str, str]:
        names = [name for name, field in self.fields.items() if isinstance(field, MassField)]
        typed = {name: str(self.data.get(self.add_prefix(name), "")).strip() for name in names}
        return {name: text for name, text in typed.items() if text}

    def add_refusal(self, refusal: Refused) -> None:
        self.add_error(refusal.field if refusal.field in self.fields else None, str(refusal))


class BondForm(forms.Form):
    """One sensor. What only a bond has is asked only of a bonded sensor."""

    bonded_at = MomentField(label="Bonded or fixed at", required=False)
    surface_ready = forms.BooleanField(label="Faces flat, bare, clean and dry", required=False)
    surface_temperature = NumberField(places=2, label="Temperature of the surface")
    temperature_unit = forms.ChoiceField(label="In", choices=[("C", "°C"), ("F", "°F")])
    was_warmed = forms.BooleanField(label="Warmed first", required=False)
    pressed_min = NumberField(places=1, label="Pressed for, min")
    was_supported = forms.BooleanField(label="Supported while the bond cures", required=False)
    travel_is_free = forms.BooleanField(
        label="Nothing touches it over the spring’s whole travel", required=False
    )
    lead_has_slack = forms.BooleanField(label="Lead has just the slack that travel needs", required=False)
    lead_is_clear = forms.BooleanField(label="Lead clear of sharp and hot parts", required=False)
    lead_is_labelled = forms.BooleanField(label="Lead labelled at both ends", required=False)

    def __init__(self, data: QueryDict | None, *, sensor: Sensor, initial: dict[str, Any]) -> None:
        super().__init__(data, initial=initial, prefix=f"channel{sensor.channel}")
        self.sensor = sensor
        if sensor.fixing != Fixing.BONDED:
            for name in (
                "surface_temperature",
                "temperature_unit",
                "was_warmed",
                "pressed_min",
                "was_supported",
            ):
                del self.fields[name]
        if sensor.fixing == Fixing.PIPED:
            del self.fields["surface_ready"]

    def draft(self) -> BondDraft:
        return BondDraft(sensor_id=self.sensor.pk, **self.cleaned_data)


def bond_forms(
    data: QueryDict | None, sensors: Sequence[Sensor], stored: dict[Any, SensorBond], temperature_unit: str
) -> list[BondForm]:
    return [
        BondForm(data, sensor=sensor, initial=_initial_of_bond(stored.get(sensor.pk), temperature_unit))
        for sensor in sensors
    ]


def _initial_of_bond(bond: SensorBond | None, temperature_unit: str) -> dict[str, Any]:
    if bond is None:
        return {"temperature_unit": temperature_unit}
    return {name: getattr(bond, name) for name in BondForm.base_fields}


def initial_of_installation(installation: Installation) -> dict[str, Any]:
    names = ("happened_at", "channels_recognised", "units_sheltered", "supply_fused", "clock_is_set")
    alarms = {f"alarm_axle_{axle}": Decimal(kg) for axle, kg in installation.alarm_axles_kg.items()}
    rest = ("alarm_gross_kg", "odometer_km", "note")
    return {name: getattr(installation, name) for name in (*names, *rest)} | alarms
