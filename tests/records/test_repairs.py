"""Suspension work: its effect by the policy, the groups concerned, the fact and its entry."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.records.models import Repair
from fleetcal.records.repair_effects import known_component
from fleetcal.records.services.corrections import withdraw
from fleetcal.records.services.repairs import RepairDraft, record_repair, record_repairs, repair_key
from tests.factories import make_policy, make_user, make_vehicle

pytestmark = pytest.mark.django_db
AT = datetime(2024, 5, 14, 9, 20, tzinfo=UTC)


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    return make_vehicle()


def draft_of(vehicle: Vehicle, **fields: Any) -> RepairDraft:
    draft = RepairDraft(
        vehicle_id=vehicle.pk, component="air spring", work="replaced", happened_at=AT, axle=3
    )
    return replace(draft, **fields)


@pytest.mark.parametrize(
    ("component", "work", "axle", "effect", "groups"),
    [
        # domain.md, After suspension work (common practice, no source); axles 2 and 3 are group 2.
        ("leaf spring", "replaced", 1, "recalibrate group", [1]),
        ("leaf spring", "adjusted", 1, "check", [1]),
        ("U-bolts", "replaced", 1, "check", [1]),
        ("air spring", "replaced", 3, "recalibrate group", [2]),
        ("levelling valve", "adjusted", 2, "recalibrate group", [2]),
        ("rubber block", "adjusted", 2, "check", [2]),
        ("axle", "replaced", 1, "recalibrate vehicle", [1, 2]),
        ("torque rod", "adjusted", 2, "none", [2]),
        ("brake", "replaced", 2, "none", [2]),
        ("brake", "replaced", None, "none", []),
        ("tyre or wheel of another size", "replaced", 2, "recalibrate vehicle", [1, 2]),
        ("sensor bond", "replaced", 1, "recalibrate group", [1]),
        ("junction unit", "replaced", None, "check", [1, 2]),
        ("display", "adjusted", None, "check", [1, 2]),
        ("  Air  SPRING ", "replaced", 2, "recalibrate group", [2]),
    ],
)
def test_the_policy_says_what_the_work_means(
    vehicle: Vehicle, component: str, work: str, axle: int | None, effect: str, groups: list[int]
):
    repair = record_repair(draft_of(vehicle, component=component, work=work, axle=axle), actor=make_user())
    stored = Repair.objects.get(pk=repair.pk)
    assert (stored.effect, stored.groups) == (effect, groups)


def test_it_records_the_repair_and_one_entry(vehicle: Vehicle):
    before = count_of(vehicle.stream)
    record_repair(draft_of(vehicle), actor=make_user())
    entry = entries_of(vehicle.stream)[-1]
    assert (entry.seq, entry.kind) == (before, "repair.recorded")
    assert entry.data["rows"]["records.repair"][0]["component"] == "air spring"


def test_a_failure_leaves_neither_repairs_nor_entries(vehicle: Vehicle):
    before = count_of(vehicle.stream)
    with pytest.raises(Refused):
        record_repairs([draft_of(vehicle), draft_of(vehicle, axle=9)], actor=make_user())
    assert count_of(vehicle.stream) == before
    assert not Repair.objects.exists()


@pytest.mark.parametrize(
    ("fields", "field", "words"),
    [
        ({"component": "air sprung"}, "component", "did you mean air spring"),
        ({"component": "quux"}, "component", "use one of leaf spring"),
        ({"work": "painted"}, "work", "painted"),
        ({"axle": 4}, "axle", "no axle 4, only 1 to 3"),
        ({"axle": None}, "axle", "Say on which axle"),
        ({"happened_at": datetime(2999, 1, 1, tzinfo=UTC)}, "happened_at", "still to come"),
        ({"happened_at": datetime(2023, 2, 1, tzinfo=UTC)}, "happened_at", "came into service"),
        ({"parts": "x" * 201}, "parts", "200 characters"),
    ],
)
def test_it_refuses_what_cannot_be(vehicle: Vehicle, fields: dict[str, Any], field: str, words: str):
    with pytest.raises(Refused, match=words) as refusal:
        record_repair(draft_of(vehicle, **fields), actor=make_user())
    assert refusal.value.field == field


def test_the_close_names_of_a_misspelt_part_are_offered():
    with pytest.raises(Refused, match="levelling valve"):
        known_component("leveling valv")


def test_the_same_job_is_refused_the_second_time(vehicle: Vehicle):
    key = repair_key(vehicle.pk, AT, "air spring", "replaced", 3)
    record_repair(draft_of(vehicle, natural_key=key), actor=make_user())
    with pytest.raises(Refused, match="already on record for KJ-204"):
        record_repair(draft_of(vehicle, natural_key=key), actor=make_user())


def test_a_correction_has_its_own_effect_and_a_withdrawal_leaves_nothing_standing(vehicle: Vehicle):
    repair = record_repair(draft_of(vehicle), actor=make_user())
    corrected = record_repair(
        draft_of(vehicle, component="brake", supersedes=repair.pk, reason="other job"), actor=make_user()
    )
    assert [*Repair.objects.standing()] == [corrected]
    assert corrected.effect == "none"
    withdraw(corrected, actor=make_user(), reason="other vehicle")
    assert not Repair.objects.standing().exists()
