"""A ticket and the display's readings, as a person types them."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.forms import BoundField

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Instrument, Vehicle
from fleetcal.fleet.selectors import VehicleShape, vehicles_for
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Check
from fleetcal.records.models.checks import Direction, Purpose
from fleetcal.records.services.checks import (
    CheckDraft,
    Covered,
    DisplayReadings,
    PlatformReading,
    natural_key,
    split_combination,
)
from fleetcal.web.forms.attachments import UploadField
from fleetcal.web.forms.fields import MassField
from fleetcal.web.forms.measurements import MomentField
from fleetcal.web.forms.recorded_checks import carried_over

READINGS = 4
# Where a refusal of the layers below belongs on this form.
FIELD_OF = {
    "platform": "gross_reference",
    "display": "gross_display_1",
    "fuel_used_kg": "fuel_used",
    "coupled": "coupled_plate",
    "supersedes": "reason",
}
CONDITIONS = (
    "direction",
    "slope_percent",
    "brakes_released",
    "is_settled",
    "driver_in",
    "fuel_used",
    "temperature_c",
    "lift_axles_up",
    "odometer_km",
)


@dataclass(frozen=True, slots=True)
class SubjectFields:
    """The inputs of one weight: what the platform read and what the display showed."""

    title: str
    reference: BoundField
    display: list[BoundField]


def noted(label: str) -> forms.TypedChoiceField:
    """Yes, no, or nobody noted it."""
    return forms.TypedChoiceField(
        label=label,
        required=False,
        choices=[("", "not noted"), ("yes", "yes"), ("no", "no")],
        coerce=lambda value: value == "yes",
        empty_value=None,
    )


class CheckForm(forms.Form):
    instrument = forms.ModelChoiceField(
        Instrument.objects.none(),
        label="Reference instrument",
        help_text="The weighbridge or pads that gave the ticket.",
        empty_label="choose the instrument",
    )
    ticket = forms.CharField(label="Ticket number", max_length=48)
    weighed_at = MomentField(label="Weighed at")
    displayed_at = MomentField(
        label="Display read at",
        required=False,
        help_text="After the weighing, with the same load, minutes later at most.",
    )
    purpose = forms.ChoiceField(label="Purpose", choices=Purpose.choices)
    coupled_plate = forms.CharField(
        label="Coupled with",
        required=False,
        max_length=16,
        help_text="The registration of the trailer or tractor that was coupled when the readings were taken.",
    )
    direction = forms.ChoiceField(
        label="Direction on the platform", required=False, choices=[("", "not noted"), *Direction.choices]
    )
    slope_percent = forms.DecimalField(
        label="Slope of the site, %",
        required=False,
        max_digits=4,
        decimal_places=2,
        help_text="Empty: as on record for the instrument.",
    )
    brakes_released = noted("Brakes released")
    is_settled = noted("Display settled before it was read")
    driver_in = noted("Driver in the cab both times")
    temperature_c = forms.DecimalField(
        label="Outside temperature, °C", required=False, max_digits=4, decimal_places=1
    )
    lift_axles_up = forms.TypedMultipleChoiceField(
        label="Lift axles that were up", required=False, coerce=int, widget=forms.CheckboxSelectMultiple
    )
    odometer_km = forms.IntegerField(label="Odometer, km", required=False, min_value=0, max_value=9_999_999)
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 3}))
    photo = UploadField(
        label="Photo of the ticket or the display",
        required=False,
        help_text="JPEG, PNG, WebP or PDF, 10 MB at most. Location data in it are not kept.",
    )
    reason = forms.CharField(
        label="Reason for the correction", widget=forms.Textarea(attrs={"rows": 3}), max_length=1000
    )

    def __init__(
        self,
        *args: Any,
        shape: VehicleShape,
        user: User,
        unit: str,
        corrects: Check | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.shape, self.user, self.unit, self.corrects = shape, user, unit, corrects
        self._coupled: Vehicle | None = None
        for name in ("photo", "coupled_plate") if corrects else ("reason",):
            del self.fields[name]
        self._offer_instruments()
        self._offer_lift_axles()
        self.fields["fuel_used"] = MassField(
            unit=unit,
            required=False,
            least="0",
            most="2000",
            label=f"Fuel used between the readings, {unit}",
            help_text="Empty: none that matters.",
        )
        for prefix, _ in self._subjects():
            self._add_masses(prefix)
        if corrects is None:
            self.fields["both_reference"] = self._mass("Both units together")
            self._add_masses("coupled")

    def _offer_instruments(self) -> None:
        choice = self.fields["instrument"]
        assert isinstance(choice, forms.ModelChoiceField)
        every = Instrument.objects.all()
        choice.queryset = every if self.corrects else every.filter(retired_on__isnull=True)

    def _offer_lift_axles(self) -> None:
        lifting = [axle.number for axle in self.shape.axles if axle.is_lift]
        if not lifting:
            del self.fields["lift_axles_up"]
            return
        axles = self.fields["lift_axles_up"]
        assert isinstance(axles, forms.TypedMultipleChoiceField)
        axles.choices = [(number, f"axle {number}") for number in lifting]

    def subjects(self) -> Iterator[SubjectFields]:
        for prefix, title in self._subjects():
            yield self._subject_fields(prefix, title)

    def conditions(self) -> list[BoundField]:
        return [self[name] for name in CONDITIONS if name in self.fields]

    @property
    def has_group_values(self) -> bool:
        return self._has_values(lambda name: name.startswith("group_"))

    @property
    def has_coupled_values(self) -> bool:
        return self._has_values(lambda name: name.startswith(("coupled_", "both_")))

    @property
    def has_condition_values(self) -> bool:
        return self._has_values(lambda name: name in CONDITIONS)

    def coupled(self) -> SubjectFields:
        return self._subject_fields("coupled", "The coupled unit by itself")

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        plate = cleaned.get("coupled_plate")
        if plate:
            self._coupled = vehicles_for(self.user).with_plate(plate).exclude(pk=self.shape.id).first()
            if self._coupled is None:
                self.add_error("coupled_plate", f"There is no other vehicle {plate}. Check the registration.")
        elif any(cleaned.get(name) for name in ("both_reference", "coupled_reference", "coupled_display_1")):
            self.add_error("coupled_plate", "Say which unit was coupled.")
        references = [name for name in self.fields if name.endswith("_reference")]
        if not self.errors and not any(cleaned.get(name) for name in references):
            self.add_error("gross_reference", "Type at least one weight from the ticket.")
        if not self.errors and not any(cleaned.get(f"{prefix}_display_1") for prefix, _ in self._subjects()):
            self.add_error("gross_display_1", "Type at least one reading of the display.")
        return cleaned

    def drafts(self) -> tuple[CheckDraft, ...]:
        """One draft for the vehicle, and one for the coupled unit where its display was read too."""
        draft = self._draft()
        if self.corrects is not None:
            platform, display = carried_over(self.corrects)
            draft = replace(
                draft,
                platform=draft.platform + platform,
                display=draft.display + display,
                coupled=tuple(UUID(each["vehicle"]) for each in self.corrects.coupled),
                supersedes=self.corrects.pk,
            )
        if self._coupled is None:
            return (draft,)
        theirs = self._display("coupled", 0)
        if not theirs:
            return (draft,)
        return split_combination(draft, {self.shape.id: draft.display, self._coupled.pk: theirs})

    def add_refusal(self, refusal: Refused) -> None:
        name = FIELD_OF.get(refusal.field, refusal.field)
        self.add_error(name if name in self.fields else None, str(refusal))

    def _has_values(self, is_wanted: Callable[[str], bool]) -> bool:
        """Whether a folded part of the page holds something, and so has to be open."""
        return any(self[name].value() or self[name].errors for name in self.fields if is_wanted(name))

    def _draft(self) -> CheckDraft:
        data = self.cleaned_data
        vehicle, instrument = self.shape.id, data["instrument"].pk
        return CheckDraft(
            vehicle_id=vehicle,
            instrument_id=instrument,
            ticket=data["ticket"],
            purpose=data["purpose"],
            weighed_at=data["weighed_at"],
            displayed_at=data["displayed_at"],
            platform=tuple(self._platform()),
            display=tuple(
                reading
                for subject, (prefix, _) in enumerate(self._subjects())
                for reading in self._display(prefix, self._position(subject))
            ),
            coupled=(self._coupled.pk,) if self._coupled else (),
            direction=data["direction"],
            slope_percent=data["slope_percent"],
            brakes_released=data["brakes_released"],
            is_settled=data["is_settled"],
            driver_in=data["driver_in"],
            fuel_used_kg=data["fuel_used"] or Decimal(0),
            temperature_c=data["temperature_c"],
            lift_axles_up=tuple(data.get("lift_axles_up") or ()),
            odometer_km=data["odometer_km"],
            note=data["note"],
            unit=self.unit,
            entered=self._entered(),
            natural_key=natural_key(vehicle, instrument, data["ticket"], data["weighed_at"]),
            reason=data.get("reason", ""),
        )

    def _platform(self) -> Iterator[PlatformReading]:
        data, own = self.cleaned_data, self.shape.id
        for subject, (prefix, _) in enumerate(self._subjects()):
            if data.get(f"{prefix}_reference"):
                yield PlatformReading(data[f"{prefix}_reference"], (Covered(own, self._position(subject)),))
        if self._coupled is not None:
            other = self._coupled.pk
            if data.get("coupled_reference"):
                yield PlatformReading(data["coupled_reference"], (Covered(other),))
            if data.get("both_reference"):
                yield PlatformReading(data["both_reference"], (Covered(own), Covered(other)))

    def _display(self, prefix: str, subject: int) -> tuple[DisplayReadings, ...]:
        typed = (self.cleaned_data.get(f"{prefix}_display_{number}") for number in range(1, READINGS + 1))
        values = tuple(value for value in typed if value)
        return (DisplayReadings(values, subject),) if values else ()

    def _entered(self) -> dict[str, str]:
        masses = [name for name, field in self.fields.items() if isinstance(field, MassField)]
        typed = {name: str(self.data.get(self.add_prefix(name), "")).strip() for name in masses}
        return {name: text for name, text in typed.items() if text}

    def _subjects(self) -> list[tuple[str, str]]:
        """Prefix and title: the gross, then every group where there is more than one."""
        groups = self.shape.groups if len(self.shape.groups) > 1 else ()
        return [
            ("gross", "Whole vehicle"),
            *((f"group_{group.position}", _name_group(group.axles)) for group in groups),
        ]

    def _position(self, subject: int) -> int:
        return self.shape.groups[subject - 1].position if subject else 0

    def _subject_fields(self, prefix: str, title: str) -> SubjectFields:
        return SubjectFields(
            title,
            self[f"{prefix}_reference"],
            [self[f"{prefix}_display_{number}"] for number in range(1, READINGS + 1)],
        )

    def _add_masses(self, prefix: str) -> None:
        self.fields[f"{prefix}_reference"] = self._mass("Platform")
        for number in range(1, READINGS + 1):
            self.fields[f"{prefix}_display_{number}"] = self._mass(f"Display {number}")

    def _mass(self, label: str) -> MassField:
        return MassField(unit=self.unit, required=False, label=f"{label}, {self.unit}")


def _name_group(axles: tuple[int, ...]) -> str:
    if len(axles) == 1:
        return f"Axle {axles[0]}"
    return f"Axles {', '.join(map(str, axles[:-1]))} and {axles[-1]}"
