"""The chain of one stream: what an entry's bytes are, how they are digested, and what makes a run of entries whole.

docs/ledger-format.md gives the same in words. Pure: no database, no clock, no random source of its own.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fleetcal.ledger.canonical import NotCanonical, canonical_bytes, moment_text

VERSION = 1
# Names what is hashed, so that no other hash of the product can be taken for an entry's digest.
CONTEXT = b"fleetcal/entry/v1\n"
GENESIS = "0" * 64
MEMBERS = frozenset({"v", "stream", "seq", "prev", "at", "actor", "kind", "reason", "data", "salt"})


@dataclass(frozen=True, slots=True)
class Content:
    """What one entry says, before it has a place in a stream."""

    stream: str
    at: datetime
    actor: str
    kind: str
    reason: str
    data: dict[str, Any]
    salt: str


@dataclass(frozen=True, slots=True)
class Link:
    """One stored entry as the chain sees it."""

    seq: int
    digest: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Break:
    """A place where a chain is not whole. *seq* is the place expected there."""

    stream: str
    seq: int
    what: str


def body_of(content: Content, seq: int, prev: str) -> bytes:
    """The canonical bytes of the entry at *seq* after the entry with digest *prev*."""
    return canonical_bytes(
        {
            "v": VERSION,
            "stream": content.stream,
            "seq": seq,
            "prev": prev,
            "at": moment_text(content.at),
            "actor": content.actor,
            "kind": content.kind,
            "reason": content.reason,
            "data": content.data,
            "salt": content.salt,
        }
    )


def digest_of(body: bytes) -> str:
    """SHA-256 over the context and the stored bytes, in hexadecimal."""
    return hashlib.sha256(CONTEXT + body).hexdigest()


def parse(body: bytes) -> dict[str, Any]:
    """The members of a stored body; `NotCanonical` unless it is exactly the canonical form of a version-1 entry."""
    try:
        members = json.loads(body, object_pairs_hook=_distinct, parse_float=_no_float)
        same = canonical_bytes(members) == body
    except (ValueError, RecursionError) as error:
        raise NotCanonical(f"not canonical JSON: {error}") from error
    if not same or not isinstance(members, dict) or members.keys() != MEMBERS or members["v"] != VERSION:
        raise NotCanonical("not the canonical form of a version-1 entry")
    return members


def breaks(stream: str, links: Iterable[Link]) -> Iterator[Break]:
    """Every place where *links*, ordered by seq, fail to be the whole, unedited run of *stream* from its first entry."""
    expected, prev = 0, GENESIS
    for link in links:
        if link.seq != expected:
            yield Break(stream, expected, f"entry {expected} is missing; the next one present is {link.seq}")
        digest = digest_of(link.body)
        if digest != link.digest:
            yield Break(
                stream, link.seq, f"stored digest {link.digest} is not that of the stored bytes, {digest}"
            )
        try:
            members = parse(link.body)
        except NotCanonical as error:
            yield Break(stream, link.seq, str(error))
        else:
            if members["stream"] != stream or members["seq"] != link.seq:
                yield Break(
                    stream, link.seq, f"the bytes say stream {members['stream']} entry {members['seq']}"
                )
            elif members["prev"] != prev:
                yield Break(stream, link.seq, f"follows {members['prev']}, but the entry before it is {prev}")
        expected, prev = link.seq + 1, digest


def _distinct(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise NotCanonical("a member name occurs twice")
    return members


def _no_float(text: str) -> float:
    raise NotCanonical(f"{text} is not an integer")
