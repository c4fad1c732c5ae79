"""Suspension work, as a workshop writes it down: which axle, which part, what was done."""

from collections import defaultdict
from typing import Any

from django import forms
from django.forms import BoundField

from fleetcal.fleet.components import COMPONENTS
from fleetcal.fleet.models.policies import Work
from fleetcal.fleet.selectors import VehicleShape
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Repair
from fleetcal.records.services.repairs import RepairDraft, repair_key
from fleetcal.web.forms.attachments import UploadField
from fleetcal.web.forms.measurements import MomentField

FURTHER = ("workshop", "parts", "bonded_at", "odometer_km", "note", "photo")


def component_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    by_place: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for component in COMPONENTS:
        by_place[component.found_on].append((component.name, component.name))
    return [("", [("", "choose the part")]), *by_place.items()]


class RepairForm(forms.Form):
    axle = forms.TypedChoiceField(
        label="Axle",
        required=False,
        coerce=int,
        empty_value=None,
        widget=forms.RadioSelect,
        help_text="Counted from the front. Work on one axle concerns its whole group.",
    )
    component = forms.ChoiceField(label="Part", choices=component_choices)
    work = forms.ChoiceField(label="Work", choices=Work.choices, widget=forms.RadioSelect)
    happened_at = MomentField(label="Finished at")
    workshop = forms.CharField(label="Workshop", required=False, max_length=80)
    parts = forms.CharField(label="Parts fitted", required=False, max_length=200)
    bonded_at = MomentField(
        label="Sensor bonded again at",
        required=False,
        help_text="Only where a sensor was bonded. The bond must cure before a calibration.",
    )
    odometer_km = forms.IntegerField(label="Odometer, km", required=False, min_value=0, max_value=9_999_999)
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 3}))
    photo = UploadField(
        label="Photo",
        required=False,
        help_text="JPEG, PNG, WebP or PDF, 10 MB at most. Location data in it are not kept.",
    )
    reason = forms.CharField(
        label="Reason for the correction", widget=forms.Textarea(attrs={"rows": 3}), max_length=1000
    )

    def __init__(
        self, *args: Any, shape: VehicleShape, corrects: Repair | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.shape, self.corrects = shape, corrects
        del self.fields["photo" if corrects else "reason"]
        axles = self.fields["axle"]
        assert isinstance(axles, forms.TypedChoiceField)
        axles.choices = [
            *((axle.number, _name_axle(shape, axle.number)) for axle in shape.axles),
            ("", "none of them: the whole vehicle or its weighing system"),
        ]

    def draft(self) -> RepairDraft:
        data, vehicle = self.cleaned_data, self.shape.id
        return RepairDraft(
            vehicle_id=vehicle,
            component=data["component"],
            work=data["work"],
            happened_at=data["happened_at"],
            axle=data["axle"],
            workshop=data["workshop"],
            parts=data["parts"],
            bonded_at=data["bonded_at"],
            odometer_km=data["odometer_km"],
            note=data["note"],
            natural_key=repair_key(
                vehicle, data["happened_at"], data["component"], data["work"], data["axle"]
            ),
            supersedes=self.corrects.pk if self.corrects else None,
            reason=data.get("reason", ""),
        )

    def further(self) -> list[BoundField]:
        return [self[name] for name in FURTHER if name in self.fields]

    @property
    def has_further_values(self) -> bool:
        """Whether the folded part of the page holds something, and so has to be open."""
        return any(field.value() or field.errors for field in self.further())

    def add_refusal(self, refusal: Refused) -> None:
        name = "reason" if refusal.field == "supersedes" else refusal.field
        self.add_error(name if name in self.fields else None, str(refusal))


def initial_of(repair: Repair) -> dict[str, Any]:
    return {
        name: getattr(repair, name)
        for name in (
            "axle",
            "component",
            "work",
            "happened_at",
            "workshop",
            "parts",
            "bonded_at",
            "odometer_km",
            "note",
        )
    }


def _name_axle(shape: VehicleShape, number: int) -> str:
    group = shape.group_of_axle(number)
    together = (
        f", with {' and '.join(str(n) for n in group.axles if n != number)}" if len(group.axles) > 1 else ""
    )
    return f"{number} ({group.suspension}{together})"
