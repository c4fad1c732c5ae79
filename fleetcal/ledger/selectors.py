"""Reading the ledger, without handing out its tables."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Max, OuterRef, QuerySet, Subquery, Sum

from fleetcal.ledger.chain import parse
from fleetcal.ledger.models import Entry, Head

LOOK_UP = 500


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


@dataclass(frozen=True, slots=True)
class Receipt:
    """The place of an entry and its digest."""

    stream: str
    seq: int
    digest: str


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


def receipts_of(entry_ids: Iterable[int]) -> dict[int, Receipt]:
    """The receipt of each entry, in runs small enough for any database."""
    ids, found = sorted(set(entry_ids)), dict[int, Receipt]()
    for start in range(0, len(ids), LOOK_UP):
        rows = Entry.objects.filter(pk__in=ids[start : start + LOOK_UP])
        found.update(
            {
                pk: Receipt(stream, seq, digest)
                for pk, stream, seq, digest in rows.values_list("pk", "stream", "seq", "digest")
            }
        )
    return found


def entries_in(streams: Iterable[str] | None) -> "QuerySet[Entry]":
    """The entries of *streams*, or of all where that is None, the newest first: for a table to filter and page. Never to write to."""
    entries = Entry.objects.order_by("-pk")
    return entries if streams is None else entries.filter(stream__in=list(streams))


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


def total_count() -> int:
    """How many entries there are: while it stays the same, nothing was recorded."""
    return int(Head.objects.aggregate(total=Sum("count", default=0))["total"])


def newest_entry() -> int:
    """The number of the newest entry, in the order of writing; 0 where there is none."""
    return int(Entry.objects.aggregate(newest=Max("pk", default=0))["newest"])


def streams_since(entry_id: int, most: int, *, without: str) -> list[str]:
    """The streams that have grown after an entry by another kind than *without*, at most *most* of them."""
    grown = Entry.objects.filter(pk__gt=entry_id).exclude(kind=without).order_by()
    return list(grown.values_list("stream", flat=True).distinct()[:most])


def entry_count(stream_column: str) -> Subquery:
    """In a query: how many entries the stream has whose key stands in *stream_column*."""
    return Subquery(Head.objects.filter(stream=OuterRef(stream_column)).values("count")[:1])


def count_of(stream: str) -> int:
    return counts_of([stream]).get(stream, 0)
