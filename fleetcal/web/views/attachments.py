"""Handing out what is kept with records."""

from uuid import UUID

from django.db.models import Q
from django.http import FileResponse, Http404, HttpRequest
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.fleet.selectors import vehicles_for
from fleetcal.records.models import Attachment
from fleetcal.web.access import needs, person


@require_safe
@needs(Capability.SEE_FLEET)
def attachment(request: HttpRequest, pk: UUID) -> FileResponse:
    """The file as a download. A certificate's belongs to no vehicle and is open to whoever sees the fleet."""
    in_reach = Q(vehicle__in=vehicles_for(person(request))) | Q(vehicle__isnull=True)
    found = get_object_or_404(Attachment.objects.filter(in_reach), pk=pk)
    try:
        content = found.file.open("rb")
    except FileNotFoundError as error:
        raise Http404("The file is not in the store; its digest is on record.") from error
    response = FileResponse(content, as_attachment=True, filename=found.name, content_type=found.media_type)
    response["X-Content-Type-Options"] = "nosniff"
    return response
