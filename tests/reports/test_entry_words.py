"""Entries of the ledger in words."""

import re
from pathlib import Path

import pytest

import fleetcal
from fleetcal.reports.entry_words import KINDS, entry_text, kind_text


@pytest.mark.parametrize(
    ("kind", "data", "expected"),
    [
        (
            "check.recorded",
            {"rows": {"records.check": [{"ticket": "48213", "purpose": "as left"}]}},
            "Check recorded: as left, ticket 48213",
        ),
        (
            "ticket.recorded",
            {"rows": {"records.check": [{"ticket": "48213", "purpose": "trade"}]}},
            "Everyday ticket recorded: ticket 48213",
        ),
        (
            "standing.changed",
            {"rows": {"evaluation.standingchange": [{"before": "", "after": "reliable"}]}},
            "Standing changed: first judged reliable",
        ),
        ("note.made", {}, "Note made"),
        ("account.changed", {"username": "x"}, "Account changed"),
    ],
)
def test_an_entry_says_what_it_is_about(kind: str, data: dict[str, object], expected: str):
    assert entry_text(kind, data) == expected


def test_every_kind_that_the_services_write_has_words():
    """Kinds stand in the services as “noun.verb”, where the noun begins a known kind."""
    assert fleetcal.__file__ is not None
    nouns = {kind.split(".")[0] for kind in KINDS}
    written = set()
    for path in Path(fleetcal.__file__).parent.glob("*/services*/**/*.py"):
        written |= _kinds(path)
    for path in Path(fleetcal.__file__).parent.glob("*/services.py"):
        written |= _kinds(path)
    written = {kind for kind in written if kind.split(".")[0] in nouns}
    assert len(written) > 15
    assert written <= set(KINDS), sorted(written - set(KINDS))


def _kinds(path: Path) -> set[str]:
    return set(re.findall(r'"([a-z]+\.[a-z_]+)"', path.read_text("utf-8")))


def test_a_kind_that_is_not_known_is_told_all_the_same():
    assert kind_text("seal.made_again") == "seal made again"
