"""Large files: handing them to a worker, and the page that shows how far it is."""

from uuid import UUID, uuid4

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from django_htmx.http import HttpResponseClientRedirect

from fleetcal.accounts.roles import Capability
from fleetcal.importing.dry_run import ImportPlan
from fleetcal.tasks.imports import (
    MOST_AT_ONCE,
    ImportOrder,
    ImportState,
    ImportStatus,
    send_import,
    status_of_import,
)
from fleetcal.web.access import needs, person
from fleetcal.web.forms.imports import GOOD, CommitForm
from fleetcal.web.uploaded import Upload, note_more, noted_upload

ENDED = {ImportState.FAILED, ImportState.DONE}


@needs(Capability.IMPORT_FILES)
@require_safe
@never_cache  # the piece of the page has the address of the whole
def job(request: HttpRequest, digest: str, attempt: UUID) -> HttpResponse:
    """How far a large import is, for the person who started it; then what came of it."""
    noted = noted_upload(request, digest) or {}
    status = status_of_import(person(request).pk, digest, attempt.hex)
    # A job has its own row from the moment that a worker takes it up; until then, the session knows that it was asked for.
    if status.state == ImportState.WAITING and noted.get("sent") != attempt.hex:
        raise Http404("Nobody asked for this import.")
    if status.state == ImportState.DONE and not status.outcome.problem:
        return _go(request, _end(request, status))
    is_fragment = bool(request.htmx)  # type: ignore[attr-defined]  # set by django-htmx's middleware
    context = {
        "name": noted.get("name", "The file"),
        "digest": digest,
        "attempt": attempt,
        "status": status,
        "goes_on": not status.outcome.problem,
        "can_look_again": bool(noted),
    }
    return render(request, "imports/_job.html" if is_fragment else "imports/job.html", context)


def note_size(request: HttpRequest, digest: str, planned: ImportPlan) -> None:
    """Remembers how large a file is and whether lines have problems, so that the worker's answer does not wait for a second look.

    Every look at the file that follows an ended attempt is the beginning of another one.
    """
    noted = noted_upload(request, digest) or {}
    attempt = noted.get("attempt", "")
    if not attempt or status_of_import(person(request).pk, digest, attempt).state in ENDED:
        attempt = uuid4().hex
    note_more(request, digest, lines=planned.rows_read, faulty=planned.refused_lines, attempt=attempt)


def start_job(request: HttpRequest, upload: Upload, form: CommitForm) -> HttpResponse | None:
    """Hands a large file to a worker. None for a small one, where the person has still to choose, or where no broker answers."""
    noted = noted_upload(request, upload.digest) or {}
    chosen = form.cleaned_data.get("lines", "") if form.is_valid() else ""
    if noted.get("lines", 0) <= MOST_AT_ONCE or (noted["faulty"] and chosen != GOOD):
        return None
    order = ImportOrder(
        attempt=noted["attempt"],
        digest=upload.digest,
        name=upload.name,
        kind=upload.kind,
        source_id=str(upload.source.pk) if upload.source else "",
        user_id=person(request).pk,
        with_good_rows_only=chosen == GOOD,
    )
    note_more(request, upload.digest, sent=order.attempt)
    # Now and not with the response: on SQLite the worker may by then be writing, and nobody else can meanwhile.
    request.session.save()
    request.session.modified = False
    if not send_import(order):
        messages.info(
            request, "No worker could be reached, so the import ran at once instead of in the background."
        )
        return None
    return redirect("import_job", upload.digest, UUID(order.attempt))


def _end(request: HttpRequest, status: ImportStatus) -> str:
    if status.outcome.file_id:
        return resolve_url("import_result", UUID(status.outcome.file_id))
    messages.info(request, "Everything in this file was on record already. Nothing was recorded.")
    return resolve_url("import_start")


def _go(request: HttpRequest, url: str) -> HttpResponse:
    """To *url* as a whole page, also where only a piece of a page was asked for."""
    return HttpResponseClientRedirect(url) if request.htmx else redirect(url)  # type: ignore[attr-defined]
