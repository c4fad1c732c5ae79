import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetcal.ledger.canonical import NotCanonical, canonical_bytes
from fleetcal.ledger.chain import CONTEXT, GENESIS, Break, Content, Link, body_of, breaks, digest_of, parse

STREAM = "0197aa00-0000-7000-8000-000000000001"
AT = datetime(2026, 3, 3, 7, 4, tzinfo=UTC)


def content(number: int, stream: str = STREAM) -> Content:
    return Content(stream, AT, "t.osgarde", "check.recorded", "", {"number": number}, f"{number:032x}")


def run(length: int, stream: str = STREAM) -> list[Link]:
    links: list[Link] = []
    prev = GENESIS
    for seq in range(length):
        body = body_of(content(seq, stream), seq, prev)
        prev = digest_of(body)
        links.append(Link(seq, prev, body))
    return links


def changed(link: Link, **members: Any) -> Link:
    """The link with other members and a digest that fits them."""
    body = canonical_bytes(json.loads(link.body) | members)
    return Link(link.seq, digest_of(body), body)


def test_the_first_entry_follows_nothing_and_its_bytes_are_these() -> None:
    body = body_of(content(0), 0, GENESIS)
    assert (
        body
        == (
            '{"actor":"t.osgarde","at":"2026-03-03T07:04:00.000000Z","data":{"number":0},"kind":"check.recorded",'
            f'"prev":"{"0" * 64}","reason":"","salt":"{"0" * 32}","seq":0,"stream":"{STREAM}","v":1}}'
        ).encode()
    )
    assert digest_of(body) == hashlib.sha256(b"fleetcal/entry/v1\n" + body).hexdigest()
    assert CONTEXT == b"fleetcal/entry/v1\n"


@pytest.mark.parametrize("length", [0, 1, 2, 50])
def test_a_whole_run_has_no_break(length: int) -> None:
    assert list(breaks(STREAM, run(length))) == []


def edited(links: list[Link]) -> list[Link]:
    body = links[2].body.replace(b'"number":2', b'"number":9')
    return [*links[:2], Link(2, links[2].digest, body), *links[3:]]


def edited_with_its_digest(links: list[Link]) -> list[Link]:
    return [*links[:2], changed(links[2], data={"number": 9}), *links[3:]]


def digest_edited(links: list[Link]) -> list[Link]:
    return [*links[:2], Link(2, "f" * 64, links[2].body), *links[3:]]


def swapped(links: list[Link]) -> list[Link]:
    second, third = links[1], links[2]
    return [
        links[0],
        Link(1, third.digest, third.body),
        Link(2, second.digest, second.body),
        *links[3:],
    ]


def renumbered(links: list[Link]) -> list[Link]:
    """The third entry taken out and those behind it moved up."""
    return [*links[:2], *(Link(link.seq - 1, link.digest, link.body) for link in links[3:])]


def inserted(links: list[Link]) -> list[Link]:
    body = body_of(content(9), 2, links[1].digest)
    later = [Link(link.seq + 1, link.digest, link.body) for link in links[2:]]
    return [*links[:2], Link(2, digest_of(body), body), *later]


BAD: dict[str, tuple[Callable[[list[Link]], list[Link]], list[tuple[int, str]]]] = {
    "first missing": (lambda links: links[1:], [(0, "entry 0 is missing"), (1, "but the entry before it is 000")]),
    "one missing": (lambda links: [*links[:2], *links[3:]], [(2, "the next one present is 3"), (3, "follows")]),
    "two missing": (lambda links: [*links[:1], *links[3:]], [(1, "the next one present is 3"), (3, "follows")]),
    "one edited": (edited, [(2, "is not that of the stored bytes"), (3, "follows")]),
    "one edited with its digest": (edited_with_its_digest, [(3, "follows")]),
    "a digest edited": (digest_edited, [(2, f"stored digest {'f' * 64}")]),
    "two swapped": (swapped, [(1, "entry 2"), (2, "entry 1"), (3, "follows")]),
    "one taken out, the rest moved up": (renumbered, [(2, "entry 3"), (3, "entry 4")]),
    "one put in": (inserted, [(3, "entry 2"), (4, "entry 3"), (5, "entry 4")]),
    "of another stream": (lambda links: run(5, "fleet"), [(seq, "stream fleet") for seq in range(5)]),
    "not JSON": (lambda links: [*links[:4], Link(4, digest_of(b"{"), b"{")], [(4, "not canonical JSON")]),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_break_is_found_at_its_place(name: str) -> None:
    spoil, expected = BAD[name]
    found = list(breaks(STREAM, spoil(run(5))))
    assert [(each.stream, each.seq) for each in found] == [(STREAM, seq) for seq, _ in expected]
    for each, (_, words) in zip(found, expected, strict=True):
        assert words in each.what


def test_a_last_entry_that_is_cut_off_leaves_a_whole_run() -> None:
    # The chain alone cannot see it: the head that verification compares with does.
    assert list(breaks(STREAM, run(5)[:-1])) == []


@given(st.integers(0, 4), st.data())
def test_no_single_byte_can_be_changed_unseen(seq: int, data: st.DataObject) -> None:
    links = run(5)
    body = bytearray(links[seq].body)
    place = data.draw(st.integers(0, len(body) - 1))
    body[place] ^= data.draw(st.integers(1, 255))
    links[seq] = Link(seq, links[seq].digest, bytes(body))
    what = f"stored digest {links[seq].digest} is not that of the stored bytes, {digest_of(bytes(body))}"
    assert Break(STREAM, seq, what) in breaks(STREAM, links)


BODY = body_of(content(0), 0, GENESIS)
BODIES: dict[str, bytes] = {
    "spaces": BODY.replace(b'"seq":0', b'"seq": 0'),
    "another order": b'{"v":1,' + BODY[1:].replace(b',"v":1', b""),
    "a member twice": BODY.replace(b'"seq":0', b'"seq":0,"seq":0'),
    "a float": BODY.replace(b'"number":0', b'"number":0.5'),
    "an exponent": BODY.replace(b'"number":0', b'"number":1e3'),
    "not a number": BODY.replace(b'"number":0', b'"number":NaN'),
    "an integer too large": BODY.replace(b'"number":0', b'"number":9007199254740992'),
    "a member too many": BODY.replace(b'"salt"', b'"sale":1,"salt"'),
    "a member too few": BODY.replace(b',"v":1', b""),
    "another version": BODY.replace(b'"v":1', b'"v":2'),
    "a list": b"[]",
    "not UTF-8": BODY.replace(b"osgarde", b"osg\xffrde"),
    "a lone surrogate": BODY.replace(b"osgarde", b"osg\\ud83drde"),
    "a byte order mark": b"\xef\xbb\xbf" + BODY,
    "nested too deep": BODY.replace(b'"number":0', b'"number":' + b"[" * 100 + b"]" * 100),
    "nested without end": BODY.replace(b'"number":0', b'"number":' + b"[" * 100_000),
    "nothing": b"",
}  # fmt: skip


@pytest.mark.parametrize("name", BODIES)
def test_a_body_that_is_not_exactly_canonical_is_refused(name: str) -> None:
    assert BODIES[name] != BODY
    with pytest.raises(NotCanonical):
        parse(BODIES[name])


def test_the_members_of_a_body_read_back() -> None:
    assert parse(BODY)["data"] == {"number": 0}
