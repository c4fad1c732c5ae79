"""Reading the ledger: what happened lately, and one entry with everything it holds."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_safe

from fleetcal.accounts.roles import Capability
from fleetcal.ledger.chain import CONTEXT, parse
from fleetcal.ledger.selectors import EntryView, count_of, entries_in
from fleetcal.reports.entry_words import entry_text
from fleetcal.web.access import needs, person
from fleetcal.web.entry_data import list_others, list_tables, pretty
from fleetcal.web.exports import configure, export_asked
from fleetcal.web.streams import entry_or_404, streams_for
from fleetcal.web.tables.entries import EntryFilter, EntryTable


@require_safe
@needs(Capability.SEE_EVIDENCE)
def activity(request: HttpRequest) -> HttpResponse:
    user = person(request)
    filtered = EntryFilter(request.GET, entries_in(streams_for(user)), user=user)
    table = EntryTable(filtered.qs)
    answer = export_asked(request, table, "activity")
    if answer is not None:
        return answer
    return render(request, "ledger/activity.html", {"table": configure(request, table), "filter": filtered})


@require_safe
@needs(Capability.SEE_EVIDENCE)
def entry(request: HttpRequest, stream: str, seq: int) -> HttpResponse:
    found, vehicle = entry_or_404(request, stream, seq)
    if "export" in request.GET:
        return _bytes_of(found, request.GET["export"])
    context = {
        "entry": found,
        "vehicle": vehicle,
        "what": entry_text(found.kind, found.data),
        "prev": parse(found.body)["prev"],
        "tables": list_tables(found.data),
        "others": list_others(found.data),
        "json": pretty(found.data),
        "context": CONTEXT.decode().strip(),
        "earlier": seq - 1 if seq else None,
        "later": seq + 1 if seq + 1 < count_of(stream) else None,
        "file": _file_name(found),
    }
    return render(request, "ledger/entry.html", context)


def _bytes_of(found: EntryView, export: str) -> HttpResponse:
    """The stored bytes as they are, which is what the digest is of."""
    if export != "bytes":
        raise Http404(f"There is no export as {export}.")
    response = HttpResponse(found.body, content_type="application/json")
    response["Content-Disposition"] = content_disposition_header(
        as_attachment=True, filename=_file_name(found)
    )
    return response


def _file_name(found: EntryView) -> str:
    return f"entry-{found.stream}-{found.seq}.json"
