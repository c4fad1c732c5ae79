"""Checking everything that is stored against the ledger: every chain, every column of every row.

Reads entries in runs and, for each run, the rows that point to it; memory does not grow with the number of facts.
"""

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.files.storage import Storage
from django.db import DatabaseError
from django.db.models import Exists, FileField, OuterRef, QuerySet, TextField
from django.db.models.functions import Cast

from fleetcal.ledger.canonical import NotCanonical, moment_text
from fleetcal.ledger.chain import Break, Link, breaks, parse
from fleetcal.ledger.facts import Recorded, Register, columns_of, payload_of, recorded_models
from fleetcal.ledger.models import Entry, Head

RUN = 2000
# A database that takes anything in any column (SQLite does) may hold what the column's type cannot be.
UNREADABLE = (ValueError, TypeError, AttributeError, ArithmeticError, ValidationError, DatabaseError)


@dataclass(frozen=True, slots=True)
class Finding:
    """One difference. *seq* is None where no single entry is meant; the two values are as they stand in the row and in the entry."""

    stream: str
    seq: int | None
    what: str
    table: str = ""
    row: str = ""
    column: str = ""
    in_row: str = ""
    in_entry: str = ""


def verify(progress: Callable[[int, int], None] | None = None) -> Iterator[Finding]:
    """Every finding, in the order of streams and entries; nothing when all is well. *progress* gets (entries read, entries in all)."""
    total = Entry.objects.count()
    heads = {head.stream: head for head in Head.objects.all()}
    chains = _Chains()
    registers = _Registers()
    ordered = iter(Entry.objects.order_by("stream", "seq").iterator(chunk_size=RUN))
    done = 0
    while run := list(islice(ordered, RUN)):
        yield from chains.take(run)
        yield from _compare_rows(run, registers)
        done += len(run)
        if progress:
            progress(done, total)
    yield from chains.close(heads)
    yield from registers.close()
    yield from _without_entry()
    yield from _changed_files()


class _Chains:
    """Feeds entries, ordered by stream and seq, to one chain check after another."""

    def __init__(self) -> None:
        self.links: list[Link] = []
        self.stream: str | None = None
        self.last: dict[str, tuple[int, str]] = {}

    def take(self, run: list[Entry]) -> Iterator[Finding]:
        for entry in run:
            if entry.stream != self.stream:
                yield from self._flush()
                self.stream = entry.stream
            self.links.append(Link(entry.seq, entry.digest, bytes(entry.body)))
            yield from _compare_columns(entry)

    def close(self, heads: dict[str, Head]) -> Iterator[Finding]:
        yield from self._flush()
        for stream, (count, digest) in self.last.items():
            head = heads.pop(stream, None)
            if head is None or (head.count, head.digest) != (count, digest):
                said = f"{head.count} entries ending in {head.digest}" if head else "nothing"
                yield Finding(
                    stream, None, f"the head says {said}; the entries are {count} ending in {digest}"
                )
        for head in heads.values():
            if head.count:
                yield Finding(head.stream, None, f"all {head.count} entries are missing")

    def _flush(self) -> Iterator[Finding]:
        if self.stream is not None and self.links:
            yield from (_from_break(found) for found in breaks(self.stream, self.links))
            self.last[self.stream] = (self.links[-1].seq + 1, self.links[-1].digest)
        self.links = []


class _Registers:
    """Register rows change; each must stand as its newest entry says, and none may vanish."""

    def __init__(self) -> None:
        self.newest: dict[tuple[str, str], tuple[int, Entry]] = {}
        self.seen: dict[tuple[str, str], int] = {}

    def note(self, table: str, row: str, entry: Entry) -> None:
        # Entries come stream by stream, so the last one seen is not always the newest.
        if (table, row) in self.newest and self.newest[table, row][0] > entry.pk:
            return
        self.newest[table, row] = (entry.pk, Entry(pk=entry.pk, stream=entry.stream, seq=entry.seq))

    def close(self) -> Iterator[Finding]:
        for model in recorded_models():
            if issubclass(model, Register):
                table = model._meta.label_lower
                for key, entry_id in model._default_manager.values_list("pk", "entry_id").iterator():
                    self.seen[table, str(key)] = entry_id
        for (table, row), (entry_id, entry) in self.newest.items():
            found = self.seen.get((table, row))
            if found is None:
                yield Finding(entry.stream, entry.seq, "the row has been deleted", table, row)
            elif found != entry_id:
                yield Finding(
                    entry.stream, entry.seq, "the row does not point to its newest entry", table, row
                )


def _without_entry() -> Iterator[Finding]:
    """Rows whose entry is gone: a database that does not enforce its foreign keys may hold them."""
    for model in recorded_models():
        lost = model._default_manager.filter(~Exists(Entry.objects.filter(pk=OuterRef("entry_id"))))
        for key, entry_id in lost.values_list("pk", "entry_id"):
            yield Finding(
                "",
                None,
                f"the row points to entry {entry_id}, which is gone",
                model._meta.label_lower,
                str(key),
            )


def _compare_columns(entry: Entry) -> Iterator[Finding]:
    try:
        members = parse(bytes(entry.body))
    except NotCanonical:
        return  # the chain check reports the body itself
    for column, stored in (("at", moment_text(entry.at)), ("actor", entry.actor), ("kind", entry.kind)):
        if members[column] != stored:
            yield Finding(
                entry.stream,
                entry.seq,
                "look-up column differs",
                "ledger.entry",
                str(entry.pk),
                column,
                stored,
                members[column],
            )


def _compare_rows(run: list[Entry], registers: _Registers) -> Iterator[Finding]:
    by_id = {entry.pk: entry for entry in run}
    recorded = {entry.pk: _rows_in(entry) for entry in run}
    tables = {model._meta.label_lower: model for model in recorded_models()}
    present: dict[int, dict[str, dict[str, dict[str, Any]]]] = defaultdict(lambda: defaultdict(dict))
    for table, model in tables.items():
        for entry_id, row_id, payload in _read_rows(model, list(by_id)):
            present[entry_id][table][row_id] = payload
    for entry in run:
        for table in recorded[entry.pk].keys() | present[entry.pk].keys():
            told = recorded[entry.pk].get(table, {})
            rows = present[entry.pk].get(table, {})
            is_register = table in tables and issubclass(tables[table], Register)
            yield from _compare_table(entry, table, told, rows, is_register)
            if is_register:
                for row_id in told:
                    registers.note(table, row_id, entry)


def _changed_files() -> Iterator[Finding]:
    """Files whose digest stands in the ledger and that are no longer there, or no longer what they were."""
    for model in recorded_models():
        fields = [field for field in model._meta.concrete_fields if isinstance(field, FileField)]
        if not fields or "sha256" not in {field.name for field in model._meta.concrete_fields}:
            continue
        ids = iter(list(model._default_manager.order_by().values_list("entry_id", flat=True)))
        while run := list(islice(ids, RUN)):
            yield from _compare_files(model, fields[0], Entry.objects.in_bulk(run))


def _compare_files(model: type[Recorded], field: FileField, entries: dict[int, Entry]) -> Iterator[Finding]:
    table = model._meta.label_lower
    for entry_id, key, now in _read_rows(model, list(entries)):
        entry = entries[entry_id]
        if _rows_in(entry).get(table, {}).get(key) != now:
            continue  # the row itself was edited, and is reported as that
        found = _digest_of_file(field.storage, now[field.name])
        if found != now["sha256"]:
            what = "the file is missing" if found is None else "the file was changed"
            yield Finding(entry.stream, entry.seq, what, table, key, field.name, _shown(found), now["sha256"])


def _digest_of_file(storage: Storage, name: str) -> str | None:
    try:
        with storage.open(name, "rb") as content:
            return hashlib.file_digest(content, "sha256").hexdigest()
    except OSError:
        return None


def _compare_table(
    entry: Entry, table: str, told: dict[str, Any], rows: dict[str, dict[str, Any]], is_register: bool
) -> Iterator[Finding]:
    for row_id in rows.keys() - told.keys():
        yield Finding(entry.stream, entry.seq, "the row stands in no entry", table, row_id)
    if not is_register:
        for row_id in told.keys() - rows.keys():
            yield Finding(entry.stream, entry.seq, "the row has been deleted", table, row_id)
    for row_id in rows.keys() & told.keys():
        now = rows[row_id]
        for column in sorted(now.keys() | told[row_id].keys()):
            if now.get(column) != told[row_id].get(column):
                yield Finding(
                    entry.stream,
                    entry.seq,
                    "the row was edited",
                    table,
                    row_id,
                    column,
                    _shown(now.get(column)),
                    _shown(told[row_id].get(column)),
                )


def _read_rows(model: type[Recorded], entry_ids: list[int]) -> Iterator[tuple[int, str, dict[str, Any]]]:
    """The entry, the key and the canonical columns of every row that points to *entry_ids*."""
    rows = model._default_manager.filter(entry_id__in=entry_ids)
    try:
        yield from [(row.entry_id, str(row.pk), payload_of(row)) for row in rows]
    except UNREADABLE:
        half = len(entry_ids) // 2
        if half:
            yield from _read_rows(model, entry_ids[:half])
            yield from _read_rows(model, entry_ids[half:])
            return
        keyed = rows.annotate(stored_key=Cast("pk", TextField()))
        for key, entry_id in keyed.values_list("stored_key", "entry_id"):
            payload = _read_columns(model, keyed.filter(stored_key=key))
            yield entry_id, payload["id"], payload


def _read_columns(model: type[Recorded], one: "QuerySet[Recorded]") -> dict[str, Any]:
    """The columns of one row, read one by one; as the stored text where its type cannot be read from it."""
    payload: dict[str, Any] = {}
    for name, attname, convert in columns_of(model):
        try:
            value = getattr(one.only(attname).get(), attname)
            payload[name] = None if value is None else convert(value)
        except UNREADABLE:
            payload[name] = one.values_list(Cast(attname, TextField()), flat=True).get()
    return payload


def _rows_in(entry: Entry) -> dict[str, dict[str, Any]]:
    try:
        data = parse(bytes(entry.body))["data"]
        return {table: {_row_id(row): row for row in rows} for table, rows in data.get("rows", {}).items()}
    except (NotCanonical, AttributeError, KeyError, TypeError, ValueError):
        return {}  # the chain check reports the body itself


def _row_id(row: dict[str, Any]) -> str:
    return str(UUID(row["id"]))


def _shown(value: Any) -> str:
    return "nothing" if value is None else str(value)


def _from_break(found: Break) -> Finding:
    return Finding(found.stream, found.seq, found.what)
