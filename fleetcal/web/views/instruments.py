from collections import defaultdict
from dataclasses import dataclass
from uuid import UUID

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.fleet.instrument_book import CertificateTerms, InstrumentBook, InstrumentTerms
from fleetcal.fleet.models import Instrument
from fleetcal.fleet.models.instruments import ScaleClass
from fleetcal.fleet.selectors import depots_for
from fleetcal.fleet.services.instruments import change_instrument, register_instrument
from fleetcal.metrology.scale_classes import interval_findings
from fleetcal.records.models import Attachment
from fleetcal.records.resting import resting_on
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.instruments import CertificateDocumentForm, InstrumentForm, instrument_as_stored
from fleetcal.web.tables.instruments import InstrumentFilter, InstrumentTable, with_columns
from fleetcal.web.tables.resting import RestingTable, resting_rows


@dataclass(frozen=True, slots=True)
class CertificateLine:
    terms: CertificateTerms
    documents: list[Attachment]


@needs(Capability.MANAGE_REGISTER)
@require_safe
def list_instruments(request: HttpRequest) -> HttpResponse:
    everything = Instrument.objects.all()
    filtered = InstrumentFilter(request.GET, with_columns(everything))
    table = InstrumentTable(
        filtered.qs, unit=person(request).unit, book=InstrumentBook(), day=timezone.localdate()
    )
    context = {"table": configure(request, table), "filter": filtered, "has_any": everything.exists()}
    return export_asked(request, table, "instruments") or render(request, "instruments/list.html", context)


@needs(Capability.SEE_FLEET)
@require_safe
def show(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    instrument = get_object_or_404(Instrument.objects.select_related("depot"), pk=instrument_id)
    return render_instrument(request, instrument, CertificateDocumentForm(instrument=instrument))


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def register(request: HttpRequest) -> HttpResponse:
    user = person(request)
    form = InstrumentForm(request.POST or None, user=user)
    if form.is_valid():
        instrument = attempt(form, lambda: register_instrument(form.draft(), actor=user))
        if instrument:
            messages.success(
                request, f"{instrument} is registered. It counts once its certificate is on record."
            )
            return redirect("certificate_new", instrument.pk)
    return render(request, "instruments/edit.html", {"form": form})


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def edit(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    user = person(request)
    instrument = get_object_or_404(changeable_by(user), pk=instrument_id)
    form = InstrumentForm(
        request.POST or None, user=user, instrument=instrument, initial=instrument_as_stored(instrument)
    )
    if form.is_valid():
        reason = form.cleaned_data["reason"]
        changed = attempt(
            form, lambda: change_instrument(instrument, form.draft(), actor=user, reason=reason)
        )
        if changed:
            messages.success(request, f"{changed} is changed.")
            return redirect("instrument", instrument.pk)
    return render(request, "instruments/edit.html", {"form": form, "instrument": instrument})


def changeable_by(user: User) -> QuerySet[Instrument]:
    """Everybody may see every instrument; those of a depot are kept by people who work with that depot."""
    depots = [depot.pk for depot in depots_for(user)]
    return Instrument.objects.filter(Q(depot__isnull=True) | Q(depot__in=depots))


def render_instrument(
    request: HttpRequest, instrument: Instrument, document_form: CertificateDocumentForm
) -> HttpResponse:
    """The instrument's page, or the list of what rests on it as a file."""
    user = person(request)
    book = InstrumentBook([instrument.pk])
    terms = book.terms(instrument.pk)
    filtered, rows = resting_rows(instrument.pk, user, request.GET)
    table = RestingTable(rows, findings=terms.findings)
    exported = export_asked(request, table, "resting-on-instrument")
    if exported:
        return exported
    context = {
        "instrument": instrument,
        "validity": book.validity(instrument.pk, timezone.localdate()),
        "certificates": _certificate_lines(terms),
        "findings": instrument.findings.select_related("recorded_by"),
        "may_change": user.may(Capability.MANAGE_REGISTER) and changeable_by(user).contains(instrument),
        "resting": resting_on(instrument.pk),
        "oddities": _oddities(instrument),
        "document_form": document_form,
        "filter": filtered,
        "table": configure(request, table),
    }
    return render(request, "instruments/show.html", context, status=400 if document_form.errors else 200)


def _certificate_lines(terms: InstrumentTerms) -> list[CertificateLine]:
    documents: dict[UUID, list[Attachment]] = defaultdict(list)
    keys = [each.id for each in terms.certificates]
    kept = Attachment.objects.filter(vehicle__isnull=True, record__in=keys).select_related("recorded_by")
    for attachment in kept.order_by("recorded_at"):
        documents[attachment.record].append(attachment)
    return [CertificateLine(each, documents[each.id]) for each in terms.certificates]


def _oddities(instrument: Instrument) -> list[str]:
    """What is unusual about its interval and capacity, in words."""
    if instrument.scale_class == ScaleClass.CERTIFICATE:
        return []
    return [
        f"{each.rule}: {each.value:g} {each.unit}"
        + (f" against {each.limit:g} {each.unit}" if each.limit is not None else "")
        + f" ({each.source})"
        for each in interval_findings(
            instrument.scale_class, float(instrument.e_kg), float(instrument.capacity_kg)
        )
    ]
