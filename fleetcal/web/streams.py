"""Which of the ledger's streams a person may see: those of their vehicles; the fleet's own only with access to every depot."""

from uuid import UUID

from django.http import Http404, HttpRequest

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.selectors import vehicles_for
from fleetcal.ledger.selectors import EntryView, entry_at
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.web.access import person, vehicle_or_404


def sees_everything(user: User) -> bool:
    return user.all_depots or user.is_superuser


def streams_for(user: User) -> list[str] | None:
    """None: all there are."""
    if sees_everything(user):
        return None
    return [str(pk) for pk in vehicles_for(user).order_by().values_list("pk", flat=True)]


def entry_or_404(request: HttpRequest, stream: str, seq: int) -> tuple[EntryView, Vehicle | None]:
    """The entry, with the vehicle that its stream is of."""
    vehicle = _vehicle_or_404(request, stream)
    found = entry_at(stream, seq)
    if found is None:
        raise Http404("There is no such entry.")
    return found, vehicle


def _vehicle_or_404(request: HttpRequest, stream: str) -> Vehicle | None:
    if stream == FLEET_STREAM and sees_everything(person(request)):
        return None
    try:
        vehicle_id = UUID(stream)
    except ValueError as error:
        raise Http404("There is no such stream.") from error
    return vehicle_or_404(request, vehicle_id)
