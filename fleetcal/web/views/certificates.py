"""Certificates of reference instruments, and the documents that they are."""

from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.forms import BaseFormSet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.fleet.models import Certificate, Instrument
from fleetcal.fleet.models.instruments import ScaleClass
from fleetcal.fleet.services.instruments import record_certificate
from fleetcal.records.resting import vehicles_resting_on
from fleetcal.records.services.attachments import add_attachment
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.instruments import CertificateDocumentForm, CertificateForm, PointFormSet
from fleetcal.web.records import sent_files
from fleetcal.web.views.instruments import changeable_by, render_instrument


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def add_certificate(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    user = person(request)
    instrument = get_object_or_404(changeable_by(user), pk=instrument_id)
    data = request.POST or None
    form = CertificateForm(data, sent_files(request))
    points = PointFormSet(data, prefix="points", form_kwargs={"unit": user.unit})
    if data and all([form.is_valid(), points.is_valid()]):
        recorded = attempt(form, lambda: _record(form, points, user, instrument))
        if recorded:
            refresh_standings(vehicles_resting_on(instrument.pk))
            messages.success(request, f"Certificate {recorded} is on record.")
            return redirect("instrument", instrument.pk)
    context = {
        "form": form,
        "points": points,
        "instrument": instrument,
        "needs_points": instrument.scale_class == ScaleClass.CERTIFICATE,
    }
    return render(request, "instruments/certificate.html", context)


@needs(Capability.MANAGE_REGISTER)
@require_POST
def attach_document(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    """A document for a certificate that is on record."""
    user = person(request)
    instrument = get_object_or_404(changeable_by(user), pk=instrument_id)
    form = CertificateDocumentForm(request.POST, request.FILES, instrument=instrument)
    if form.is_valid():
        certificate, upload = form.cleaned_data["certificate"], form.cleaned_data["upload"]
        kept = attempt(
            form,
            lambda: add_attachment(actor=user, vehicle=None, record_id=certificate.pk, upload=upload),
        )
        if kept:
            messages.success(request, f"{kept} is kept with certificate {certificate}.")
            return redirect("instrument", instrument.pk)
    return render_instrument(request, instrument, form)


@transaction.atomic
def _record(form: CertificateForm, points: BaseFormSet, actor: User, instrument: Instrument) -> Certificate:
    """The certificate with its document, or neither."""
    certificate = record_certificate(form.draft(points), actor=actor, instrument=instrument)
    upload = form.cleaned_data["upload"]
    if upload:
        add_attachment(actor=actor, vehicle=None, record_id=certificate.pk, upload=upload)
    return certificate
