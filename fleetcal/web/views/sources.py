from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.importing.fields import TICKET_FIELDS, suggest_columns
from fleetcal.importing.mapping import Mapping, from_json
from fleetcal.importing.samples import Sample, propose, sample_of
from fleetcal.importing.sources import save_source
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import TicketSource
from fleetcal.records.models.files import FileKind
from fleetcal.web.access import needs, person
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.forms.attempts import attempt
from fleetcal.web.forms.sources import MappingForm, column_name
from fleetcal.web.numbers import read_count
from fleetcal.web.tables.imports import SourceFilter, SourceTable
from fleetcal.web.uploaded import Upload, note_upload, upload_or_404


@needs(Capability.IMPORT_FILES)
@require_safe
def list_sources(request: HttpRequest) -> HttpResponse:
    sources = TicketSource.objects.select_related("instrument")
    filtered = SourceFilter(request.GET, sources)
    table = SourceTable(filtered.qs)
    context = {"table": configure(request, table), "filter": filtered, "has_any": sources.exists()}
    return export_asked(request, table, "ticket-sources") or render(request, "sources/list.html", context)


@needs(Capability.IMPORT_FILES)
@require_http_methods(["GET", "POST"])
def edit(request: HttpRequest, source_id: UUID) -> HttpResponse:
    source = get_object_or_404(TicketSource, pk=source_id)
    form = MappingForm(
        request.POST or None,
        sample=None,
        mapping=_stored(source) or Mapping({}),
        is_stored=True,
        initial={"name": source.name, "instrument": source.instrument_id},
    )
    saved = attempt(form, lambda: _save(form, person(request), source)) if form.is_valid() else None
    if saved:
        messages.success(
            request, f"{form.cleaned_data['name']} is changed. Files read before keep what they recorded."
        )
        return redirect("source_list")
    return render(request, "sources/edit.html", {"form": form, "source": source})


@needs(Capability.IMPORT_FILES)
@require_http_methods(["GET", "POST"])
def columns(request: HttpRequest, digest: str) -> HttpResponse:
    """Says how an uploaded file of tickets is read; what is said stays with its source."""
    upload = upload_or_404(request, digest)
    if upload.kind != FileKind.TICKETS:
        return redirect("import_preview", digest)
    try:
        form = _columns_form(request, upload)
    except Refused as refusal:
        return render(request, "imports/unreadable.html", {"upload": upload, "refusal": refusal}, status=409)
    if "again" not in request.POST and form.is_valid():
        source = attempt(form, lambda: _save(form, person(request), upload.source))
        if source:
            note_upload(request, digest, upload.name, upload.kind, source)
            return redirect("import_preview", digest)
    return render(request, "imports/columns.html", {"form": form, "upload": upload, "sample": form.sample})


def _columns_form(request: HttpRequest, upload: Upload) -> MappingForm:
    stored = _stored(upload.source) if upload.source else None
    mapping = stored or propose(upload.content, person(request).time_zone)
    if request.method == "GET":
        source = upload.source
        initial = {"name": source.name, "instrument": source.instrument_id} if source else {}
        sample = sample_of(upload.content, mapping)
        return MappingForm(sample=sample, mapping=mapping, is_stored=stored is not None, initial=initial)
    typed = request.POST.dict()
    sample = _sample(upload, _read_as(mapping, typed), mapping)
    if "again" not in typed:
        return MappingForm(request.POST, sample=sample, mapping=mapping, is_stored=False)
    kept = {name: value for name, value in typed.items() if not name.startswith("column_")}
    chosen = {name: value for name, value in typed.items() if value in sample.headings and name not in kept}
    columns = {
        field.code: chosen[name] for field in TICKET_FIELDS if (name := column_name(field.code)) in chosen
    }
    # Other headings than before: what was chosen is gone, and a new proposal stands in its place.
    read_by = Mapping(columns or suggest_columns(sample.headings))
    return MappingForm(sample=sample, mapping=read_by, is_stored=False, initial=kept)


def _read_as(mapping: Mapping, data: dict[str, str]) -> Mapping:
    """*mapping* with the encoding, separator, sheet and line of headings that stand in the form, to read the file by."""
    # Whatever is not the number of a line comes back from the form as such.
    line = -1 if data.get("header_line") == "-1" else read_count(data.get("header_line", ""))
    return Mapping(
        mapping.columns,
        **{
            **{name: getattr(mapping, name) for name in Mapping.__slots__ if name != "columns"},
            "encoding": data.get("encoding", mapping.encoding),
            "separator": data.get("separator", mapping.separator),
            "sheet": data.get("sheet", mapping.sheet).strip(),
            "header_line": mapping.header_line if line is None else line,
        },
    )


def _sample(upload: Upload, read_as: Mapping, otherwise: Mapping) -> Sample:
    """The file as the form says; where it cannot be read so, as it was read before, and the form's own checks say what is wrong."""
    try:
        return sample_of(upload.content, read_as)
    except Refused:
        if read_as == otherwise:
            raise
        return sample_of(upload.content, otherwise)


def _stored(source: TicketSource) -> Mapping | None:
    return from_json(source.mapping) if source.mapping else None


def _save(form: MappingForm, actor: User, source: TicketSource | None) -> TicketSource:
    """A mapping that says nothing new makes no entry."""
    name, instrument, mapping = form.cleaned_data["name"], form.cleaned_data["instrument"], form.mapping()
    as_before = source and source.name == name and source.instrument_id == (instrument and instrument.pk)
    if source and as_before and _stored(source) == mapping:
        return source
    return save_source(name, mapping, instrument=instrument, actor=actor, source=source)
