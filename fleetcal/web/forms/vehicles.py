"""A vehicle and its axles as typed. An axle either begins a group with its suspension or joins the group in front of it."""

from dataclasses import replace
from decimal import Decimal
from typing import Any, cast

from django import forms
from django.db.models import Q
from django.http import QueryDict

from fleetcal.accounts.models import User
from fleetcal.fleet.layouts import MOST_AXLES, SPACING_MM, Layout
from fleetcal.fleet.models import Depot, Vehicle
from fleetcal.fleet.models.vehicles import Suspension, UnitKind
from fleetcal.fleet.selectors import VehicleShape, depots_for
from fleetcal.fleet.services.vehicles import NewVehicle
from fleetcal.web.forms.days import DayField
from fleetcal.web.forms.fields import MassField

JOINS = "joins"


class AxleCountForm(forms.Form):
    axles = forms.IntegerField(
        label="Number of axles",
        min_value=1,
        max_value=MOST_AXLES,
        initial=3,
        help_text="Of this unit alone, lift axles included; a trailer is registered by itself.",
    )


class VehicleForm(forms.Form):
    registration = forms.CharField(max_length=16, help_text="As on the number plate.")
    fleet_number = forms.CharField(max_length=24)
    vin = forms.CharField(
        label="VIN",
        max_length=17,
        required=False,
        help_text="17 letters and digits, without I, O and Q.",
    )
    kind = forms.ChoiceField(choices=UnitKind.choices)
    depot = forms.ModelChoiceField(Depot.objects.none(), label="Home depot", empty_label="choose")
    registered_on = DayField(required=False, help_text="First registration.")
    in_service_on = DayField(label="In service since", help_text="Records before this day are refused.")

    def __init__(
        self, data: QueryDict | None, *, user: User, vehicle: Vehicle | None = None, **kwargs: Any
    ) -> None:
        super().__init__(data, **kwargs)
        depot = self.fields["depot"]
        assert isinstance(depot, forms.ModelChoiceField)
        depot.queryset = Depot.objects.filter(
            Q(is_closed=False) | Q(pk=vehicle.depot_id if vehicle else None),
            pk__in=[each.pk for each in depots_for(user)],
        )
        self.fields["max_gross_kg"] = MassField(
            unit=user.unit, label=f"Maximum gross weight, {user.unit}", help_text="From the rating plate."
        )
        if vehicle:
            self.fields["retired_on"] = DayField(
                label="Out of service since",
                required=False,
                help_text="Its records stay. Nothing falls due for it any longer.",
            )
            self.fields["reason"] = forms.CharField(
                label="Why this changes",
                required=False,
                widget=forms.Textarea(attrs={"rows": 2}),
                help_text="It stands in the vehicle’s history.",
            )


class AxleForm(forms.Form):
    """One axle; the first has none in front of it."""

    suspension = forms.ChoiceField(choices=[("", "choose"), *Suspension.choices])
    spacing_mm = forms.IntegerField(
        label="Distance to the axle in front, mm", min_value=SPACING_MM[0], max_value=SPACING_MM[1]
    )
    is_steered = forms.BooleanField(label="steered", required=False)
    is_driven = forms.BooleanField(label="driven", required=False)
    has_twin_tyres = forms.BooleanField(label="twin tyres", required=False)
    is_lift = forms.BooleanField(label="lift axle", required=False)

    field_order = ("max_kg", "spacing_mm", "suspension", "group_max_kg")

    def __init__(self, *args: Any, unit: str, number: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.number = number
        self.fields["max_kg"] = MassField(unit=unit, label=f"Maximum, {unit}")
        self.fields["group_max_kg"] = MassField(
            unit=unit, required=False, label=f"Maximum of its group, {unit}"
        )
        if number == 1:
            del self.fields["spacing_mm"], self.fields["is_lift"]
        else:
            joins = (JOINS, f"with axle {number - 1}, one group")
            self.fields["suspension"] = forms.ChoiceField(
                choices=[("", "choose"), joins, *Suspension.choices]
            )
        self.order_fields(self.field_order)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if cleaned.get("group_max_kg") and cleaned.get("suspension") == JOINS:
            self.add_error("group_max_kg", "Give it at the first axle of the group.")
        return cleaned


class BaseAxleFormSet(forms.BaseFormSet):
    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        self.unit = unit
        super().__init__(*args, **kwargs)

    def get_form_kwargs(self, index: int | None) -> dict[str, Any]:
        return {"unit": self.unit, "number": (index or 0) + 1, "empty_permitted": False}


_FormSet = forms.formset_factory(
    AxleForm,
    formset=BaseAxleFormSet,
    extra=0,
    max_num=MOST_AXLES,
    absolute_max=MOST_AXLES,
    validate_max=True,
    min_num=1,
    validate_min=True,
)


def axle_forms(data: QueryDict | None, initial: list[dict[str, Any]], unit: str) -> BaseAxleFormSet:
    formset: Any = _FormSet
    return cast(BaseAxleFormSet, formset(data, initial=initial, prefix="axles", unit=unit))


def new_vehicle(form: VehicleForm, axles: BaseAxleFormSet) -> NewVehicle:
    cleaned = form.cleaned_data
    return NewVehicle(
        fleet_number=cleaned["fleet_number"],
        registration=cleaned["registration"],
        vin=cleaned["vin"],
        kind=cleaned["kind"],
        depot_id=cleaned["depot"].pk,
        max_gross_kg=cleaned["max_gross_kg"],
        registered_on=cleaned["registered_on"],
        in_service_on=cleaned["in_service_on"],
        retired_on=cleaned.get("retired_on"),
        layout=layout_of([axle.cleaned_data for axle in axles.forms]),
    )


def layout_of(axles: list[dict[str, Any]]) -> Layout:
    groups: list[list[int]] = []
    suspension, group_max_kg = [], []
    for number, axle in enumerate(axles, start=1):
        if axle["suspension"] == JOINS:
            groups[-1].append(number)
            continue
        groups.append([number])
        suspension.append(axle["suspension"])
        group_max_kg.append(axle["group_max_kg"])
    layout = Layout(
        axle_max_kg=tuple(axle["max_kg"] for axle in axles),
        spacing_mm=tuple(axle["spacing_mm"] for axle in axles[1:]),
        groups=tuple(tuple(group) for group in groups),
        suspension=tuple(suspension),
        lift_axles=_numbers(axles, "is_lift"),
        steered_axles=_numbers(axles, "is_steered"),
        driven_axles=_numbers(axles, "is_driven"),
        twin_tyred_axles=_numbers(axles, "has_twin_tyres"),
    )
    if not any(group_max_kg):
        return layout
    maxima = tuple(given or layout.sum_of_group_kg(i) for i, given in enumerate(group_max_kg, start=1))
    return replace(layout, group_max_kg=maxima)


def axles_as_typed(shape: VehicleShape, count: int) -> list[dict[str, Any]]:
    """The initial values of the axles' forms: those on record, then empty ones up to *count*."""
    typed = []
    for axle in shape.axles:
        group = shape.group(axle.group)
        first = group.axles[0] == axle.number
        sum_kg = sum(each.max_kg for each in shape.axles if each.group == axle.group)
        typed.append(
            {
                "suspension": group.suspension if first else JOINS,
                "max_kg": Decimal(str(axle.max_kg)),
                "group_max_kg": Decimal(str(group.max_kg)) if first and group.max_kg < sum_kg else None,
                "spacing_mm": axle.spacing_mm,
                "is_steered": axle.is_steered,
                "is_driven": axle.is_driven,
                "is_lift": axle.is_lift,
                "has_twin_tyres": axle.has_twin_tyres,
            }
        )
    return typed + [{} for _ in range(count - len(typed))]


def _numbers(axles: list[dict[str, Any]], name: str) -> tuple[int, ...]:
    return tuple(number for number, axle in enumerate(axles, start=1) if axle.get(name))
