"""An inspection report as an approved workshop writes it (Regulation (EU) 2019/1213, Article 4(5))."""

from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.forms import BoundField

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Inspection
from fleetcal.records.models.inspections import LoadTest, Stage
from fleetcal.records.services.inspections import InspectionDraft
from fleetcal.web.forms.attachments import UploadField
from fleetcal.web.forms.days import DayField
from fleetcal.web.forms.fields import MassField

LOADS = (1, 2, 3)
REPORT = ("inspected_on", "place", "vin", "test", "passed", "next_due_on")
FOUND = ("manipulation_found", "deficiencies", "remedies")
WORKSHOP = ("workshop_name", "workshop_address", "workshop_number", "inspector")
DEVICE = ("device_mark", "device_type", "device_number", "device_examination", "device_verified_on")
FURTHER = ("odometer_km", "note", "document", "reason")
# As they stand in the record and in the draft, under the same names.
SHARED = (*REPORT[1:], *FOUND, *WORKSHOP, *DEVICE, "stage", "maximum_kg", "odometer_km", "note")


class InspectionForm(forms.Form):
    inspected_on = DayField(label="Inspected on")
    place = forms.CharField(max_length=80)
    vin = forms.CharField(
        label="VIN or chassis number",
        max_length=24,
        help_text="As on the report.",
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "spellcheck": "false"}),
    )
    test = forms.ChoiceField(label="Kind of test", choices=LoadTest.choices, widget=forms.RadioSelect)
    passed = forms.TypedChoiceField(
        label="Result by the workshop",
        choices=[("True", "passed"), ("False", "not passed")],
        coerce=lambda text: text == "True",
        widget=forms.RadioSelect,
    )
    next_due_on = DayField(
        label="Next inspection by, or valid until",
        required=False,
        help_text="As the report names it. After a failed inspection it may name none: another is due within two months.",
    )
    manipulation_found = forms.BooleanField(
        label="Devices for manipulation, or traces of it, were found", required=False
    )
    deficiencies = forms.CharField(
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="What the report names, manipulation included. Needed if the inspection was not passed.",
    )
    remedies = forms.CharField(required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 2}))
    workshop_name = forms.CharField(label="Name", max_length=80)
    workshop_address = forms.CharField(label="Address", max_length=200)
    workshop_number = forms.CharField(label="Number under which it is approved", max_length=48)
    inspector = forms.CharField(label="Inspector’s name or identification", max_length=80)
    device_mark = forms.CharField(label="Mark", max_length=48)
    device_type = forms.CharField(label="Type", max_length=48)
    device_number = forms.CharField(label="Identification number", max_length=48)
    device_examination = forms.CharField(label="Number of its type-examination certificate", max_length=48)
    device_verified_on = DayField(label="Last verified on")
    stage = forms.TypedChoiceField(
        label="Accuracy asked for",
        choices=Stage.choices,
        coerce=int,
        initial=Stage.TWO,
        help_text="Which of the regulation’s two stages the weighing system belongs to; the report or its maker says so.",
    )
    odometer_km = forms.IntegerField(label="Odometer, km", required=False, min_value=0, max_value=9_999_999)
    note = forms.CharField(required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}))
    document = UploadField(
        label="The report itself",
        required=False,
        help_text="PDF, or a photo as JPEG, PNG or WebP; 10 MB at most. It can also be added later.",
    )
    reason = forms.CharField(
        label="Reason for the correction", max_length=1000, widget=forms.Textarea(attrs={"rows": 3})
    )

    def __init__(
        self, *args: Any, vehicle: Vehicle, unit: str, corrects: Inspection | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.vehicle, self.unit, self.corrects = vehicle, unit, corrects
        del self.fields["document" if corrects else "reason"]
        self.fields["maximum_kg"] = MassField(
            unit=unit,
            label=f"Maximum laden mass, {unit}",
            help_text="What the loads are a share of. For a test with a trailer coupled: that of the combination.",
        )
        for number in LOADS:
            for name, label in (("reference", "Reference"), ("indicated", "Display")):
                least = "0.001" if name == "reference" else "0"
                self.fields[f"{name}_{number}"] = MassField(
                    unit=unit, required=False, least=least, label=f"{label}, {unit}"
                )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        for number in LOADS:
            reference, indicated = cleaned.get(f"reference_{number}"), cleaned.get(f"indicated_{number}")
            for name, value, other in (
                ("reference", reference, indicated),
                ("indicated", indicated, reference),
            ):
                field = f"{name}_{number}"
                if field in cleaned and value is None and other is not None:
                    self.add_error(field, "Reference and display go together.")
        return cleaned

    def draft(self) -> InspectionDraft:
        data = self.cleaned_data
        shared = {name: data[name] for name in SHARED}
        return InspectionDraft(
            **shared,
            vehicle_id=self.vehicle.pk,
            inspected_on=data["inspected_on"],
            points=tuple(self._points()),
            unit=self.unit,
            entered=self._entered(),
            supersedes=self.corrects.pk if self.corrects else None,
            reason=data.get("reason", ""),
        )

    def report(self) -> list[BoundField]:
        return self._bound(REPORT)

    def found(self) -> list[BoundField]:
        return self._bound(FOUND)

    def workshop(self) -> list[BoundField]:
        return self._bound(WORKSHOP)

    def device(self) -> list[BoundField]:
        return self._bound(DEVICE)

    def loads(self) -> list[tuple[int, list[BoundField]]]:
        return [(n, self._bound((f"reference_{n}", f"indicated_{n}"))) for n in LOADS]

    def further(self) -> list[BoundField]:
        return self._bound(FURTHER)

    @property
    def has_loads(self) -> bool:
        """Whether the folded part of the page holds something, and so has to be open."""
        fields = [self["stage"], self["maximum_kg"], *(field for _, pair in self.loads() for field in pair)]
        return any(field.errors for field in fields) or any(
            field.value() for _, pair in self.loads() for field in pair
        )

    def add_refusal(self, refusal: Refused) -> None:
        name = "reason" if refusal.field == "supersedes" else refusal.field
        self.add_error(name if name in self.fields else None, str(refusal))

    def _bound(self, names: tuple[str, ...]) -> list[BoundField]:
        return [self[name] for name in names if name in self.fields]

    def _points(self) -> list[tuple[Decimal, Decimal]]:
        pairs = ((self.cleaned_data[f"reference_{n}"], self.cleaned_data[f"indicated_{n}"]) for n in LOADS)
        return [(reference, indicated) for reference, indicated in pairs if reference is not None]

    def _entered(self) -> dict[str, str]:
        """The masses as they were typed, in the unit of the record."""
        names = ["maximum_kg", *(f"{name}_{n}" for n in LOADS for name in ("reference", "indicated"))]
        typed = {name: str(self[name].value() or "").strip() for name in names}
        return {name: value for name, value in typed.items() if value}


def initial_of_inspection(inspection: Inspection) -> dict[str, Any]:
    loads = {
        f"{name}_{number}": Decimal(value)
        for number, pair in enumerate(inspection.points, start=1)
        for name, value in zip(("reference", "indicated"), pair, strict=True)
    }
    shared = {name: getattr(inspection, name) for name in SHARED}
    zone = ZoneInfo(inspection.vehicle.depot.time_zone or "UTC")
    return shared | loads | {"inspected_on": inspection.happened_at.astimezone(zone).date()}
