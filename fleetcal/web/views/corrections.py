"""Taking a record back."""

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from fleetcal.accounts.roles import Capability
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import Calibration, Check, Inspection, Installation, Repair
from fleetcal.records.models.base import VehicleRecord
from fleetcal.records.services.corrections import withdraw
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person, row_of_vehicle_or_404
from fleetcal.web.forms.corrections import WithdrawForm
from fleetcal.web.records import posted

# By the word in the address, which is also the name of the record's page.
KINDS: dict[str, type[VehicleRecord]] = {
    "check": Check,
    "repair": Repair,
    "installation": Installation,
    "calibration": Calibration,
    "inspection": Inspection,
}


@require_http_methods(["GET", "POST"])
@needs(Capability.CORRECT)
def record_withdraw(request: HttpRequest, kind: str, pk: UUID) -> HttpResponse:
    if kind not in KINDS:
        raise Http404
    rows = KINDS[kind]._default_manager.select_related("vehicle__depot")
    record: VehicleRecord = row_of_vehicle_or_404(request, rows, pk)
    form = WithdrawForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            withdrawal = withdraw(record, actor=person(request), reason=form.cleaned_data["reason"])
        except Refused as refusal:
            form.add_error("reason", str(refusal))
        else:
            refresh_standings({record.vehicle_id})
            messages.success(request, "The record is withdrawn. It stays readable with your reason.")
            return redirect(kind, withdrawal.pk)
    context = {"form": form, "record": record, "kind": kind, "vehicle": record.vehicle}
    return render(request, "records/withdraw.html", context)
