"""What is handed to a third party: one vehicle's records of a period as a PDF."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.selectors import vehicles_for
from fleetcal.ledger.refusals import Refused
from fleetcal.reports.audit_data import audit_of, period_on_record
from fleetcal.reports.audit_pdf import render_audit
from fleetcal.web.access import needs, person, vehicle_or_404
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.evidence import AuditForm
from fleetcal.web.tables.evidence import EvidenceTable
from fleetcal.web.tables.vehicles import VehicleFilter, with_columns


@require_safe
@needs(Capability.SEE_EVIDENCE)
def evidence(request: HttpRequest) -> HttpResponse:
    user = person(request)
    visible = vehicles_for(user)
    form = AuditForm(request.GET or None, unit=user.unit)
    filtered = VehicleFilter(request.GET, with_columns(visible), user=user)
    table = EvidenceTable(filtered.qs, chosen=form.cleaned_data if form.is_valid() else {})
    context = {
        "table": configure(request, table),
        "filter": filtered,
        "form": form,
        "has_any": visible.exists(),
    }
    return export_asked(request, table, "evidence") or render(request, "evidence/list.html", context)


@require_safe
@needs(Capability.SEE_EVIDENCE)
def audit_pdf(request: HttpRequest, pk: UUID) -> HttpResponse:
    """The report as a download; a page that asks for the period again where it cannot be."""
    vehicle = vehicle_or_404(request, pk)
    form = AuditForm(request.GET, unit=person(request).unit)
    if form.is_valid():
        first, last = period_on_record(vehicle)
        since, until = form.cleaned_data["since"] or first, form.cleaned_data["until"] or last
        try:
            trail = audit_of(vehicle, since, until)
        except Refused as refusal:
            form.add_error("until", str(refusal))
        else:
            name = f"audit-{vehicle.plate_key}-{since}-{until}.pdf"
            response = HttpResponse(
                render_audit(trail, form.cleaned_data["unit"]), content_type="application/pdf"
            )
            response["Content-Disposition"] = content_disposition_header(as_attachment=True, filename=name)
            return response
    return render(request, "evidence/period.html", {"vehicle": vehicle, "form": form}, status=400)
