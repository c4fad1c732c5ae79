"""That a reference instrument was found wrong, and what rests on it."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.models import InstrumentFinding
from fleetcal.fleet.selectors import vehicles_for
from fleetcal.fleet.services.instruments import record_finding
from fleetcal.records.resting import happened_within, resting_on, vehicles_resting_on, with_records_on
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.instruments import FindingForm, usual_finding
from fleetcal.web.tables.resting import RestingTable, resting_rows
from fleetcal.web.views.instruments import changeable_by


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def add_finding(request: HttpRequest, instrument_id: UUID) -> HttpResponse:
    """Records the finding, or with the button `preview` only counts what it would reopen."""
    user = person(request)
    instrument = get_object_or_404(changeable_by(user), pk=instrument_id)
    days = usual_finding(instrument, timezone.localdate())
    form = FindingForm(request.POST or None, initial=days)
    if form.is_valid():
        days = form.cleaned_data
        if "preview" not in request.POST:
            found = attempt(form, lambda: record_finding(form.draft(), actor=user, instrument=instrument))
            if found:
                refresh_standings(vehicles_resting_on(instrument.pk))
                messages.warning(request, "The finding is on record. Judge these vehicles anew.")
                return redirect("finding", found.pk)
    reopened = None
    if not form.errors:
        reopened = resting_on(instrument.pk, happened_within(days["wrong_from"], days["wrong_until"]))
    context = {
        "form": form,
        "instrument": instrument,
        "days": days,
        "reopened": reopened,
        "resting": resting_on(instrument.pk),
    }
    return render(request, "instruments/finding_new.html", context)


@needs(Capability.SEE_FLEET)
@require_safe
def show(request: HttpRequest, pk: UUID) -> HttpResponse:
    rows = InstrumentFinding.objects.select_related("instrument", "recorded_by")
    finding = get_object_or_404(rows, pk=pk)
    user, key = person(request), finding.instrument_id
    within = happened_within(finding.wrong_from, finding.wrong_until)
    filtered, found = resting_rows(key, user, request.GET, within)
    table = RestingTable(found, findings=InstrumentBook([key]).terms(key).findings)
    exported = export_asked(request, table, "reopened-records")
    if exported:
        return exported
    context = {
        "finding": finding,
        "reopened": resting_on(key, within),
        "vehicles": with_records_on(key, within)
        .filter(pk__in=vehicles_for(user).order_by().values("pk"))
        .select_related("depot", "standing")
        .order_by("registration"),
        "filter": filtered,
        "table": configure(request, table),
    }
    return render(request, "instruments/finding.html", context)
