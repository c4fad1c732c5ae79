"""Files that a person uploaded in this session, on their way to the record."""

from dataclasses import dataclass
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest

from fleetcal.importing import uploads
from fleetcal.importing.kinds import CAPABILITY_FOR
from fleetcal.records.models import TicketSource
from fleetcal.records.models.files import FileKind
from fleetcal.web.access import person

MOST_UPLOADS = 10


@dataclass(frozen=True, slots=True)
class Upload:
    digest: str
    name: str
    kind: str
    source: TicketSource | None
    content: bytes


def upload_or_404(request: HttpRequest, digest: str) -> Upload:
    """The file that this person uploaded in this session, if the person may record its kind."""
    noted = noted_upload(request, digest)
    content = uploads.fetch(digest, person(request).pk)
    if noted is None or content is None:
        raise Http404("This upload is gone. Choose the file again.")
    if not person(request).may(CAPABILITY_FOR[FileKind(noted["kind"])]):
        raise PermissionDenied("Your role does not include recording what this file holds.")
    sources = TicketSource.objects.select_related("instrument")
    source = sources.filter(pk=noted["source"]).first() if noted["source"] else None
    return Upload(digest, noted["name"], noted["kind"], source, content)


def note_upload(request: HttpRequest, digest: str, name: str, kind: str, source: TicketSource | None) -> None:
    noted = request.session.get("imports", {})
    noted.pop(digest, None)
    noted[digest] = {"name": name, "kind": str(kind), "source": str(source.pk) if source else ""}
    request.session["imports"] = dict(list(noted.items())[-MOST_UPLOADS:])


def note_more(request: HttpRequest, digest: str, **facts: Any) -> None:
    """Adds *facts* to what is noted of an upload."""
    request.session["imports"][digest] |= facts
    request.session.modified = True


def noted_upload(request: HttpRequest, digest: str) -> dict[str, Any] | None:
    noted: dict[str, dict[str, Any]] = request.session.get("imports", {})
    return noted.get(digest)
