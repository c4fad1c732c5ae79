"""Importing a file, step by step: choose it, say how it is read, see what it would record, record it."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.importing import uploads
from fleetcal.importing.commit import commit
from fleetcal.importing.dry_run import PREVIEW_ROWS, ImportPlan, plan
from fleetcal.importing.mapping import from_json
from fleetcal.importing.problems import problems_csv
from fleetcal.importing.reading import refuse_other_kinds
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import digests_of
from fleetcal.records.models import ImportedFile, TicketSource
from fleetcal.records.models.files import FileKind
from fleetcal.tasks.refresh import refresh_standings
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked, page
from fleetcal.web.forms.imports import ALL, GOOD, CommitForm, UploadForm
from fleetcal.web.tables.imports import FileFilter, FileTable, PreviewTable, ProblemTable, RecordTable
from fleetcal.web.uploaded import Upload, note_upload, noted_upload, upload_or_404
from fleetcal.web.views.import_jobs import note_size, start_job

SHOWN_PROBLEMS = 100


@needs(Capability.IMPORT_FILES)
@require_http_methods(["GET", "POST"])
def start(request: HttpRequest) -> HttpResponse:
    # The page has a filter for the same kinds: their fields must not share an id.
    form = UploadForm(request.POST or None, request.FILES or None, user=person(request), auto_id="upload_%s")
    if form.is_valid() and (digest := _keep(request, form)):
        return _next_step(form.cleaned_data["kind"], form.cleaned_data.get("source"), digest)
    files = ImportedFile.objects.select_related("source", "recorded_by")
    filtered = FileFilter(request.GET, files)
    table = FileTable(filtered.qs)
    context = {
        "form": form,
        "table": configure(request, table),
        "filter": filtered,
        "has_any": files.exists(),
    }
    return export_asked(request, table, "imported-files") or render(request, "imports/start.html", context)


@needs(Capability.MANAGE_REGISTER)
@require_http_methods(["GET", "POST"])
def start_vehicles(request: HttpRequest) -> HttpResponse:
    kind = FileKind.VEHICLES
    form = UploadForm(request.POST or None, request.FILES or None, user=person(request), kind=kind)
    if form.is_valid() and (digest := _keep(request, form)):
        return _next_step(kind, None, digest)
    return render(request, "imports/vehicles.html", {"form": form})


@needs(Capability.IMPORT_FILES)
@require_http_methods(["GET", "POST"])
def preview(request: HttpRequest, digest: str) -> HttpResponse:
    upload = upload_or_404(request, digest)
    if upload.kind == FileKind.TICKETS and upload.source is None:
        return redirect("import_columns", digest)
    form = CommitForm(request.POST) if request.method == "POST" else CommitForm()
    if request.method == "POST" and (started := start_job(request, upload, form)):
        return started
    try:
        planned = _plan(request, upload)
    except Refused as refusal:
        return render(request, "imports/unreadable.html", {"upload": upload, "refusal": refusal}, status=409)
    note_size(request, digest, planned)
    # Without problems there is nothing to choose.
    if request.method == "POST" and (form.is_valid() or not planned.problems):
        done = _commit(request, upload, planned, form)
        if done:
            return done
    return render(request, "imports/preview.html", _preview_context(request, upload, planned, form))


@needs(Capability.IMPORT_FILES)
@require_safe
def problems(request: HttpRequest, digest: str) -> HttpResponse:
    upload = upload_or_404(request, digest)
    response = HttpResponse(
        problems_csv(_plan(request, upload).problems).encode("utf-8-sig"),
        content_type="text/csv; charset=utf-8",
    )
    response["Content-Disposition"] = f'attachment; filename="problems-{digest[:8]}.csv"'
    return response


@needs(Capability.IMPORT_FILES)
@require_safe
def result(request: HttpRequest, file_id: UUID) -> HttpResponse:
    file = get_object_or_404(ImportedFile.objects.select_related("source", "recorded_by"), pk=file_id)
    still_there = uploads.fetch(file.sha256, person(request).pk) is not None
    context = {
        "file": file,
        "receipt": digests_of([file.entry_id]).get(file.entry_id, ""),
        "problems_digest": file.sha256
        if file.rows_refused and still_there and noted_upload(request, file.sha256)
        else "",
    }
    return render(request, "imports/result.html", context)


def _keep(request: HttpRequest, form: UploadForm) -> str:
    """The digest under which the file waits for the next step; empty where it is no table at all."""
    file = form.cleaned_data["file"]
    content: bytes = file.read()
    try:
        refuse_other_kinds(content)
    except Refused as refusal:
        form.add_error("file", str(refusal))
        return ""
    digest = uploads.keep(content, person(request).pk)
    note_upload(request, digest, file.name, form.cleaned_data["kind"], form.cleaned_data.get("source"))
    return digest


def _next_step(kind: str, source: TicketSource | None, digest: str) -> HttpResponse:
    needs_columns = kind == FileKind.TICKETS and not (source and source.mapping)
    return redirect("import_columns" if needs_columns else "import_preview", digest)


def _plan(request: HttpRequest, upload: Upload) -> ImportPlan:
    mapping = from_json(upload.source.mapping) if upload.source else None
    return plan(upload.content, upload.name, upload.kind, mapping, person(request), source=upload.source)


def _commit(
    request: HttpRequest, upload: Upload, planned: ImportPlan, form: CommitForm
) -> HttpResponse | None:
    chosen = form.cleaned_data.get("lines", ALL) if form.is_valid() else ALL
    if planned.problems and chosen == ALL:
        uploads.drop(upload.digest, person(request).pk)
        messages.info(request, "Nothing was recorded. Correct the file and choose it again.")
        return redirect("import_start")
    try:
        done = commit(planned, actor=person(request), with_good_rows_only=chosen == GOOD)
    except Refused as refusal:
        form.add_error(None, str(refusal))
        return None
    refresh_standings(done.vehicle_ids)
    if not done.refused:
        uploads.drop(upload.digest, person(request).pk)
    if done.file is None:
        messages.info(request, "Everything in this file was on record already. Nothing was recorded.")
        return redirect("import_start")
    return redirect("import_result", done.file.pk)


def _preview_context(
    request: HttpRequest, upload: Upload, planned: ImportPlan, form: CommitForm
) -> dict[str, object]:
    records = (
        PreviewTable(planned.previews, unit=person(request).unit, prefix="p-")
        if upload.kind == FileKind.TICKETS
        else RecordTable(planned.previews, prefix="p-")
    )
    faults = ProblemTable(planned.problems, prefix="q-")
    return {
        "upload": upload,
        "plan": planned,
        "form": form,
        "kind_label": FileKind(upload.kind).label,
        "records": page(request, records, PREVIEW_ROWS),
        "faults": page(request, faults, SHOWN_PROBLEMS),
        "skipped": planned.skipped[:SHOWN_PROBLEMS],
        "more_skipped": len(planned.skipped) > SHOWN_PROBLEMS,
    }
