"""Writing to the ledger: rows and the entry that carries them, in one transaction, many at a time."""

import secrets
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from fleetcal.ledger.canonical import plain
from fleetcal.ledger.chain import Content, body_of, digest_of
from fleetcal.ledger.facts import Fact, Recorded, Register, payload_of, settle
from fleetcal.ledger.models import Entry, Head

# The stream of everything that concerns no single vehicle.
FLEET_STREAM = "fleet"
# Small enough that a batch of the widest rows fits any database's limit on parameters.
BATCH_ROWS = 500


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry to be written. *rows* are unsaved facts, or register rows as they shall stand; parents before their children."""

    stream: str
    kind: str
    actor: str
    rows: Sequence[Recorded] = ()
    reason: str = ""
    data: dict[str, Any] = field(default_factory=dict)
    at: datetime | None = None


def record(draft: Draft) -> Entry:
    """Append one entry and write its rows."""
    return record_many([draft])[0]


@transaction.atomic
def record_many(drafts: Sequence[Draft], progress: Callable[[int], None] | None = None) -> list[Entry]:
    """Append *drafts* in order and write their rows: all of them or none. One lock per stream, held to the end of the transaction.

    *progress* is called with the number of entries written so far.
    """
    heads = _lock_heads({draft.stream for draft in drafts})
    now = timezone.now()
    entries = [_next_entry(draft, heads[draft.stream], now) for draft in drafts]
    for start in range(0, len(drafts), BATCH_ROWS):
        stop = start + BATCH_ROWS
        _write_rows(drafts[start:stop], Entry.objects.bulk_create(entries[start:stop]))
        if progress:
            progress(min(stop, len(drafts)))
    Head.objects.bulk_create(
        heads.values(),
        update_conflicts=True,
        unique_fields=["stream"],
        update_fields=["count", "digest"],
        batch_size=300,
    )
    return entries


def _lock_heads(streams: set[str]) -> dict[str, Head]:
    heads: dict[str, Head] = {}
    # In one order everywhere, so that two writers cannot wait for each other.
    ordered = sorted(streams)
    for start in range(0, len(ordered), BATCH_ROWS):
        some = ordered[start : start + BATCH_ROWS]
        found = Head.objects.select_for_update().order_by("stream").in_bulk(some)
        missing = [Head(stream=stream) for stream in some if stream not in found]
        if missing:
            Head.objects.bulk_create(missing, ignore_conflicts=True)
            found = Head.objects.select_for_update().order_by("stream").in_bulk(some)
        heads.update(found)
    return heads


def _next_entry(draft: Draft, head: Head, now: datetime) -> Entry:
    rows: dict[str, list[dict[str, Any]]] = {}
    for row in draft.rows:
        settle(row)
        rows.setdefault(row._meta.label_lower, []).append(payload_of(row))
    data = plain(draft.data) | ({"rows": rows} if rows else {})
    at = draft.at or now
    content = Content(
        draft.stream, at, draft.actor, draft.kind, plain(draft.reason), data, secrets.token_hex(16)
    )
    body = body_of(content, head.count, head.digest)
    entry = Entry(
        stream=draft.stream,
        seq=head.count,
        digest=digest_of(body),
        at=at,
        actor=draft.actor,
        kind=draft.kind,
        body=body,
    )
    head.count, head.digest = head.count + 1, entry.digest
    return entry


def _write_rows(drafts: Iterable[Draft], entries: Iterable[Entry]) -> None:
    facts: dict[type[Fact], list[Fact]] = defaultdict(list)
    for draft, entry in zip(drafts, entries, strict=True):
        for row in draft.rows:
            row.entry = entry
            if isinstance(row, Register):
                row.save()
            elif isinstance(row, Fact):
                facts[type(row)].append(row)
    for model, rows in facts.items():
        model._default_manager.bulk_create(rows)
