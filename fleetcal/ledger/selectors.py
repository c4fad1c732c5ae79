"""Reading the ledger, without handing out its tables."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import OuterRef, Subquery

from fleetcal.ledger.chain import parse
from fleetcal.ledger.models import Entry, Head


@dataclass(frozen=True, slots=True)
class EntryView:
    """One entry as a page or a report shows it. *digest* is the receipt of whoever recorded it."""

    id: int
    stream: str
    seq: int
    digest: str
    at: datetime
    actor: str
    kind: str
    reason: str
    data: dict[str, Any]
    body: bytes


def view_of(entry: Entry) -> EntryView:
    members = parse(bytes(entry.body))
    return EntryView(
        entry.pk,
        entry.stream,
        entry.seq,
        entry.digest,
        entry.at,
        entry.actor,
        entry.kind,
        members["reason"],
        members["data"],
        bytes(entry.body),
    )


def entries_of(stream: str) -> list[EntryView]:
    return [view_of(entry) for entry in Entry.objects.filter(stream=stream).order_by("seq")]


def entry_at(stream: str, seq: int) -> EntryView | None:
    entry = Entry.objects.filter(stream=stream, seq=seq).first()
    return view_of(entry) if entry else None


def digests_of(entry_ids: Iterable[int]) -> dict[int, str]:
    return dict(Entry.objects.filter(pk__in=list(entry_ids)).values_list("pk", "digest"))


def latest_entries(streams: Iterable[str] | None, limit: int) -> list[EntryView]:
    """The newest entries of *streams*, or of all where that is None."""
    entries = Entry.objects.order_by("-pk")
    if streams is not None:
        entries = entries.filter(stream__in=list(streams))
    return [view_of(entry) for entry in entries[:limit]]


def counts_of(streams: Iterable[str] | None = None) -> dict[str, int]:
    """How many entries each stream has: what a derived result remembers to know whether it is still up to date."""
    heads = Head.objects.all() if streams is None else Head.objects.filter(stream__in=list(streams))
    return dict(heads.values_list("stream", "count"))


def entry_count(stream_column: str) -> Subquery:
    """In a query: how many entries the stream has whose key stands in *stream_column*."""
    return Subquery(Head.objects.filter(stream=OuterRef(stream_column)).values("count")[:1])


def count_of(stream: str) -> int:
    return counts_of([stream]).get(stream, 0)
