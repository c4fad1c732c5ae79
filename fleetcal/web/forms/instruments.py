from datetime import date
from decimal import Decimal
from typing import Any

from django import forms
from django.core.validators import MaxValueValidator, MinValueValidator

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Certificate, Depot, Instrument
from fleetcal.fleet.models.instruments import InstrumentKind, ScaleClass
from fleetcal.fleet.selectors import depots_for
from fleetcal.fleet.services.instruments import InstrumentDraft, NewCertificate, NewFinding
from fleetcal.web.forms.attachments import AttachmentForm, UploadField
from fleetcal.web.forms.days import DayField
from fleetcal.web.forms.fields import MassField

MOST_POINTS = 20


class InstrumentForm(forms.Form):
    name = forms.CharField(max_length=80, help_text="As people call it.")
    kind = forms.ChoiceField(choices=InstrumentKind.choices)
    scale_class = forms.ChoiceField(
        label="Accuracy class",
        choices=ScaleClass.choices,
        help_text="From its plate. By its certificate, if no class applies: then every certificate must give uncertainties.",
    )
    owner = forms.CharField(max_length=80)
    serial = forms.CharField(label="Serial number", max_length=48, required=False)
    depot = forms.ModelChoiceField(
        Depot.objects.none(),
        required=False,
        empty_label="none: it travels, or belongs to somebody else",
        help_text="Where it stands.",
    )
    has_level_approach = forms.BooleanField(
        label="The approach lies in the plane of the platform", required=False
    )
    slope_percent = forms.DecimalField(
        label="Slope of the site, %", min_value=0, max_value=20, max_digits=4, decimal_places=2, initial=0
    )

    field_order = ("name", "kind", "scale_class", "e_kg", "d_kg", "capacity_kg")

    def __init__(self, data: Any, *, user: User, instrument: Instrument | None = None, **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        unit = user.unit
        depot = self.fields["depot"]
        assert isinstance(depot, forms.ModelChoiceField)
        depot.queryset = Depot.objects.filter(pk__in=[each.pk for each in depots_for(user)])
        for name, label, hint in (
            ("e_kg", "Verification scale interval e", "From its plate."),
            ("d_kg", "Division d", "The step in which it shows or prints."),
            ("capacity_kg", "Capacity (Max)", "From its plate."),
        ):
            self.fields[name] = MassField(unit=unit, label=f"{label}, {unit}", help_text=hint)
        if instrument:
            self.fields["retired_on"] = DayField(label="No longer used since", required=False)
            self.fields["reason"] = forms.CharField(
                label="Why this changes", required=False, widget=forms.Textarea(attrs={"rows": 2})
            )
        self.order_fields(self.field_order)

    def draft(self) -> InstrumentDraft:
        values = {key: value for key, value in self.cleaned_data.items() if key not in ("depot", "reason")}
        depot = self.cleaned_data["depot"]
        return InstrumentDraft(**values, depot_id=depot.pk if depot else None)


class CertificateForm(forms.Form):
    number = forms.CharField(label="Certificate number", max_length=48)
    issuer = forms.CharField(label="Issued by", max_length=80)
    verified_on = DayField(label="Verified or calibrated on")
    valid_until = DayField(
        help_text="The last day on which it counts. What is weighed later is kept, but not supported."
    )
    k = forms.DecimalField(
        label="Coverage factor k",
        initial=2,
        max_digits=5,
        decimal_places=3,
        validators=[MinValueValidator(Decimal(1)), MaxValueValidator(Decimal(10))],
        help_text="Of the expanded uncertainties below; 2 unless the certificate says otherwise.",
    )
    upload = UploadField(
        label="The certificate itself",
        required=False,
        help_text="PDF, or a photo as JPEG, PNG or WebP; 10 MB at most. It can also be added later.",
    )

    def draft(self, points: forms.BaseFormSet) -> NewCertificate:
        values = {key: value for key, value in self.cleaned_data.items() if key != "upload"}
        given = tuple(
            (point.cleaned_data["load_kg"], point.cleaned_data["U_kg"])
            for point in points.forms
            if point.cleaned_data.get("load_kg") is not None
        )
        return NewCertificate(**values, points=given)


class CertificateDocumentForm(AttachmentForm):
    """A document for a certificate that is on record."""

    certificate = forms.ModelChoiceField(Certificate.objects.none(), empty_label=None)

    field_order = ("certificate", "upload")

    def __init__(self, *args: Any, instrument: Instrument, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        certificate = self.fields["certificate"]
        assert isinstance(certificate, forms.ModelChoiceField)
        certificate.queryset = instrument.certificates.order_by("-verified_on", "-recorded_at")


class PointForm(forms.Form):
    """A load of the certificate with its expanded uncertainty; an empty row is none."""

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["load_kg"] = MassField(unit=unit, required=False, label=f"Load, {unit}")
        self.fields["U_kg"] = MassField(unit=unit, required=False, label=f"Expanded uncertainty, {unit}")

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        for name, other in (("load_kg", "U_kg"), ("U_kg", "load_kg")):
            if name in cleaned and cleaned[name] is None and cleaned.get(other) is not None:
                self.add_error(name, "A load and its uncertainty go together.")
        return cleaned


PointFormSet = forms.formset_factory(
    PointForm, extra=6, max_num=MOST_POINTS, absolute_max=MOST_POINTS, validate_max=True
)


class FindingForm(forms.Form):
    wrong_from = DayField(
        help_text="The day after which it can no longer be relied on: usually that of its last good verification."
    )
    wrong_until = DayField(help_text="The day on which it was found wrong, or taken out of use.")
    found_on = DayField()
    what = forms.CharField(label="What was found", widget=forms.Textarea(attrs={"rows": 3}))

    def draft(self) -> NewFinding:
        return NewFinding(**self.cleaned_data)


def instrument_as_stored(instrument: Instrument) -> dict[str, Any]:
    names = (
        "name",
        "kind",
        "scale_class",
        "e_kg",
        "d_kg",
        "capacity_kg",
        "owner",
        "serial",
        "depot",
        "has_level_approach",
        "slope_percent",
        "retired_on",
    )
    return {name: getattr(instrument, name) for name in names}


def usual_finding(instrument: Instrument, today: date) -> dict[str, date]:
    """Wrong since its newest verification, until today: what must be assumed when nothing better is known."""
    newest = instrument.certificates.order_by("-verified_on").first()
    return {"wrong_from": newest.verified_on if newest else today, "wrong_until": today, "found_on": today}
