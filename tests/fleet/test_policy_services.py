from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from fleetcal.fleet.components import COMPONENTS
from fleetcal.fleet.models import Policy, PolicyVersion
from fleetcal.fleet.models.policies import Effect, Work
from fleetcal.fleet.policy_defaults import REQUIRED_ITEMS
from fleetcal.fleet.selectors import PolicyBook, shape_of
from fleetcal.fleet.services.policies import (
    NewPolicy,
    add_policy_version,
    create_policy,
    ensure_default_policy,
    rules_of,
)
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.ledger.verification import verify
from fleetcal.records.models.installations import InstallationItem
from tests.factories import make_policy, make_user, make_vehicle, registrar

pytestmark = pytest.mark.django_db


def test_the_items_that_a_policy_waits_for_are_those_that_an_installation_settles() -> None:
    assert list(REQUIRED_ITEMS) == InstallationItem.values


def test_the_default_policy_stands_with_a_rule_for_every_work_on_every_part() -> None:
    policy = ensure_default_policy(make_user(), date(2024, 1, 1))
    [version] = policy.versions.all()
    assert (version.number, version.effective_from, version.gross_percent) == (
        1,
        date(2024, 1, 1),
        Decimal("3.00"),
    )
    assert version.required_items == list(REQUIRED_ITEMS)
    assert version.repair_rules.count() == len(COMPONENTS) * len(Work)
    assert rules_of(version)["leaf spring", "replaced"] == Effect.RECALIBRATE_GROUP
    assert entries_of(FLEET_STREAM)[-1].kind == "policy.created"
    assert ensure_default_policy(make_user()) == policy
    assert list(verify()) == []


def test_the_next_version_keeps_what_it_does_not_change() -> None:
    policy = make_policy()
    add_policy_version(
        policy,
        actor=make_user(),
        effective_from=date(2025, 1, 1),
        note="narrower",
        values={"gross_percent": Decimal("2.5")},
        repair_rules={("brake", "replaced"): "check"},
    )
    third = add_policy_version(
        policy,
        actor=make_user(),
        effective_from=date(2025, 1, 1),
        note="wider again",
        values={"group_percent": Decimal(6)},
    )
    assert (third.number, third.gross_percent, third.group_percent) == (3, Decimal("2.5"), Decimal(6))
    assert rules_of(third)["brake", "replaced"] == "check"
    assert PolicyVersion.objects.get(policy=policy, number=1).gross_percent == Decimal("3.00")
    assert list(verify()) == []


@pytest.mark.parametrize(
    ("fields", "field", "words"),
    [
        ({"note": " "}, "note", "Say why"),
        ({"effective_from": date(2019, 12, 31)}, "effective_from", "2019-12-31, but version 1 .* 2020-01-01"),
        (
            {"values": {"shortest_interval_days": 400}},
            "shortest_interval_days",
            "400 days is above the longest of 365",
        ),
        (
            {"values": {"longest_interval_days": 0, "shortest_interval_days": 0}},
            "longest_interval_days",
            "at least 1 day",
        ),
        ({"values": {"gross_percent": Decimal(0)}}, "gross_percent", "greater than or equal to"),
        ({"values": {"colour": "red"}}, "colour", "no value named colour"),
        ({"values": {"required_items": ["paint"]}}, "required_items", "named paint"),
        ({"repair_rules": {("brake", "replaced"): "paint"}}, "repair_rules", "“paint” is no effect"),
    ],
)
def test_a_version_that_cannot_be_is_refused_and_leaves_nothing(
    fields: dict[str, Any], field: str, words: str
) -> None:
    policy = make_policy()
    before = len(entries_of(FLEET_STREAM))
    given = {"effective_from": date(2025, 1, 1), "note": "because", **fields}
    with pytest.raises(Refused, match=words) as refusal:
        add_policy_version(policy, actor=registrar(), **given)
    assert refusal.value.field == field
    assert len(entries_of(FLEET_STREAM)) == before
    assert policy.versions.count() == 1


def test_one_policy_for_one_set_of_vehicles() -> None:
    make_policy()
    with pytest.raises(Refused, match="All vehicles is already for these vehicles"):
        create_policy(NewPolicy("Another"), actor=registrar(), effective_from=date(2025, 1, 1))
    assert Policy.objects.count() == 1


def test_the_most_particular_policy_counts_for_a_vehicle() -> None:
    make_policy()
    create_policy(
        NewPolicy("Air trailers", "trailer", "air"),
        actor=registrar(),
        effective_from=date(2024, 1, 1),
        values={"gross_percent": Decimal(4)},
    )
    book, trailer = PolicyBook(), shape_of(make_vehicle(layout="trailer3"))
    names = [
        version and version.policy.name
        for day in (date(2023, 6, 1), date(2024, 6, 1))
        if (version := book.version_for(trailer, day))
    ]
    assert names == ["All vehicles", "Air trailers"]
