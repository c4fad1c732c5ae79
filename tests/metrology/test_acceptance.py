import dataclasses
import math
from typing import Any

import pytest

from fleetcal.metrology.acceptance import (
    AcceptanceError,
    AcceptanceLimits,
    AxleFacts,
    CalibrationFacts,
    Consistency,
    Outcome,
    default_limits,
    describe_consistency,
    is_acceptable,
    judge,
)
from fleetcal.metrology.axle_weights import GrossAgreement, Reading, solve

STEER = AxleFacts("steer", maximum_kg=8000, empty_kg=5200, loaded_kg=7000, is_steer=True)
DRIVE = AxleFacts("drive", maximum_kg=18000, empty_kg=6000, loaded_kg=17500)
CONFIRMATIONS = (
    "instrument_valid",
    "bond_cured",
    "level_and_calm",
    "alarms_set",
    "brakes_released",
    "ride_height",
    "lift_state_recorded",
)


def make_facts(**changes: Any) -> CalibrationFacts:
    good: dict[str, Any] = {
        "axles": (STEER, DRIVE),
        "maximum_gross_kg": 26000,
        "empty_weighed": True,
        "loaded_weighed": True,
        "loaded_agreement": GrossAgreement(24500, 24510, 20),
        "empty_consistency": Consistency(None),
        "loaded_consistency": Consistency(0.4),
        "slope_percent": 0.3,
        "wind_m_per_s": 2.0,
        **dict.fromkeys(CONFIRMATIONS, True),
    }
    return CalibrationFacts(**{**good, **changes})


def change_axle(axle: AxleFacts, **changes: Any) -> dict[str, Any]:
    changed = dataclasses.replace(axle, **changes)
    return {"axles": tuple(changed if known.key == axle.key else known for known in (STEER, DRIVE))}


def find_outcome(
    facts: CalibrationFacts, rule: str, subject: str = "", limits: AcceptanceLimits | None = None
) -> Outcome:
    outcomes = judge(facts, limits or default_limits())
    (found,) = [o for o in outcomes if (o.rule, o.subject) == (rule, subject)]
    return found


def test_a_calibration_that_meets_every_rule_is_acceptable() -> None:
    outcomes = judge(make_facts(), default_limits())
    assert is_acceptable(outcomes)
    assert all(o.met for o in outcomes if o.applicable)


def test_nothing_judged_is_not_acceptable() -> None:
    assert not is_acceptable(())


# Each row breaks one rule only: the thresholds are common practice without a published source.
BROKEN: list[tuple[str, str, dict[str, Any], float | None]] = [
    ("gross_fraction", "", {"maximum_gross_kg": 28000}, 700),
    ("gross_maximum", "", {"maximum_gross_kg": 24000}, -500),
    ("steer_increase", "steer", change_axle(STEER, empty_kg=6101), 1),
    ("axle_maximum", "drive", change_axle(DRIVE, maximum_kg=17400), -100),
    ("increase", "drive", change_axle(DRIVE, empty_kg=17500), 0),
    ("increase", "drive", change_axle(DRIVE, empty_kg=17800), 300),
    ("increase", "drive", change_axle(DRIVE, empty_kg=-20), None),
    ("gross_agreement", "loaded", {"loaded_agreement": GrossAgreement(24500, 24541, 20)}, None),
    ("gross_agreement", "empty", {"empty_agreement": GrossAgreement(11241, 11200, 20)}, None),
    ("redundancy", "loaded", {"loaded_consistency": Consistency(0.049, (("a", "b"),))}, None),
    ("redundancy", "empty", {"empty_consistency": Consistency(0.001)}, None),
    ("slope_and_wind", "slope", {"slope_percent": -1.01}, None),
    ("slope_and_wind", "wind", {"wind_m_per_s": 8.1}, None),
    *[(rule, "", {rule: False}, None) for rule in CONFIRMATIONS],
]


@pytest.mark.parametrize(("rule", "subject", "changes", "missing_kg"), BROKEN)
def test_one_broken_rule_is_named_with_what_is_missing_and_can_be_excused(
    rule: str, subject: str, changes: dict[str, Any], missing_kg: float | None
) -> None:
    outcomes = judge(make_facts(**changes), default_limits())
    broken = [o for o in outcomes if o.met is False and not o.warning]
    assert [(o.rule, o.subject) for o in broken] == [(rule, subject)]
    assert broken[0].missing_kg == (None if missing_kg is None else pytest.approx(missing_kg))
    assert not is_acceptable(outcomes)
    assert is_acceptable(outcomes, {rule})
    assert not is_acceptable(outcomes, {"another_rule"})


# Each row takes one fact away.
UNKNOWN: list[tuple[str, str, dict[str, Any]]] = [
    ("gross_fraction", "", {"maximum_gross_kg": None}),
    ("gross_maximum", "", change_axle(DRIVE, loaded_kg=None)),
    ("steer_increase", "steer", change_axle(STEER, empty_kg=None)),
    ("axle_fraction", "drive", change_axle(DRIVE, maximum_kg=None)),
    ("axle_maximum", "drive", change_axle(DRIVE, maximum_kg=None)),
    ("increase", "drive", change_axle(DRIVE, empty_kg=None)),
    ("gross_agreement", "loaded", {"loaded_agreement": None, "loaded_weighed": False}),
    ("redundancy", "loaded", {"loaded_consistency": None}),
    ("slope_and_wind", "slope", {"slope_percent": None}),
    ("slope_and_wind", "wind", {"wind_m_per_s": None}),
    *[(rule, "", {rule: None}) for rule in CONFIRMATIONS],
]


@pytest.mark.parametrize(("rule", "subject", "changes"), UNKNOWN)
def test_a_fact_that_is_missing_is_not_yet_known_and_not_acceptable(
    rule: str, subject: str, changes: dict[str, Any]
) -> None:
    facts = make_facts(**changes)
    found = find_outcome(facts, rule, subject)
    assert found.met is None
    assert found.applicable
    assert found.missing_kg is None
    assert not is_acceptable(judge(facts, default_limits()))


def test_before_anything_is_weighed_no_rule_is_met_or_broken() -> None:
    axles = (AxleFacts("steer", is_steer=True), AxleFacts("drive"))
    outcomes = judge(CalibrationFacts(axles), default_limits())
    assert {o.met for o in outcomes} == {None}
    assert not is_acceptable(outcomes)


def test_the_rules_and_their_order_do_not_depend_on_what_is_known() -> None:
    partial = CalibrationFacts((AxleFacts("steer", is_steer=True), AxleFacts("drive")))
    before, after = (judge(facts, default_limits()) for facts in (partial, make_facts()))
    assert [(o.rule, o.subject) for o in before] == [(o.rule, o.subject) for o in after]


@pytest.mark.parametrize(
    ("loaded_kg", "met", "missing_kg"),
    [(23400, True, None), (23399, False, 1), (22160, False, 1240), (26000, True, None)],
)
def test_the_gross_must_reach_nine_tenths_of_its_maximum(
    loaded_kg: float, met: bool, missing_kg: float | None
) -> None:
    facts = make_facts(**change_axle(DRIVE, loaded_kg=loaded_kg - 7000))
    found = find_outcome(facts, "gross_fraction")
    assert (found.met, found.limit) == (met, 0.90)
    assert found.value == pytest.approx(loaded_kg / 26000)
    assert found.missing_kg == (None if missing_kg is None else pytest.approx(missing_kg))


def test_the_gross_in_one_draft_stands_in_while_axles_are_missing() -> None:
    facts = make_facts(**change_axle(DRIVE, loaded_kg=None), draft_gross_kg=23000)
    assert find_outcome(facts, "gross_fraction").missing_kg == pytest.approx(400)


@pytest.mark.parametrize(
    ("unit", "increase_kg", "met"),
    [
        ("kg", 900, True),
        ("kg", 899.9, False),
        ("lb", 2000 * 0.45359237, True),
        ("lb", 907.1, False),
        ("lb", 900, False),
    ],
)
def test_the_steer_axle_is_compared_in_the_unit_of_the_policy(
    unit: Any, increase_kg: float, met: bool
) -> None:
    facts = make_facts(**change_axle(STEER, loaded_kg=5200 + increase_kg))
    found = find_outcome(facts, "steer_increase", "steer", default_limits(unit))
    assert (found.met, found.unit) == (met, unit)
    if not met:
        threshold_kg = 900 if unit == "kg" else 907.18474
        assert found.missing_kg == pytest.approx(threshold_kg - increase_kg)


def test_a_unit_without_a_steer_axle_is_not_held_to_the_steer_rule() -> None:
    facts = make_facts(axles=(dataclasses.replace(STEER, is_steer=False), DRIVE))
    assert not find_outcome(facts, "steer_increase").applicable
    assert is_acceptable(judge(facts, default_limits()))


def test_each_of_two_steer_axles_is_judged() -> None:
    second = dataclasses.replace(STEER, key="steer 2", loaded_kg=5300)
    facts = make_facts(axles=(STEER, second, DRIVE), maximum_gross_kg=30000)
    assert find_outcome(facts, "steer_increase", "steer").met is True
    assert find_outcome(facts, "steer_increase", "steer 2").met is False


def test_an_axle_far_from_its_maximum_only_warns() -> None:
    facts = make_facts(**change_axle(DRIVE, maximum_kg=26000))
    found = find_outcome(facts, "axle_fraction", "drive")
    assert found.warning
    assert found.met is False
    assert found.value == pytest.approx(17500 / 26000)
    assert found.missing_kg == pytest.approx(700)
    assert is_acceptable(judge(facts, default_limits()))


def test_an_axle_exactly_at_its_maximum_is_not_above_it() -> None:
    facts = make_facts(**change_axle(DRIVE, maximum_kg=math.nextafter(17500, 0)))
    assert find_outcome(facts, "axle_maximum", "drive").met is True


def test_without_a_draft_the_agreement_does_not_apply_and_is_not_called_met() -> None:
    facts = make_facts(loaded_agreement=None)
    found = find_outcome(facts, "gross_agreement", "loaded")
    assert (found.met, found.applicable) == (None, False)
    assert is_acceptable(judge(facts, default_limits()))


def test_the_agreement_is_judged_within_the_expanded_uncertainty() -> None:
    facts = make_facts(loaded_agreement=GrossAgreement(24500, 24540, 20))
    found = find_outcome(facts, "gross_agreement", "loaded")
    assert (found.met, found.value, found.limit) == (True, 40, 40)
    tighter = dataclasses.replace(default_limits(), coverage_factor=1.9)
    assert find_outcome(facts, "gross_agreement", "loaded", tighter).met is False


def test_without_redundancy_the_consistency_does_not_apply() -> None:
    found = find_outcome(make_facts(loaded_consistency=Consistency(None)), "redundancy", "loaded")
    assert (found.met, found.applicable) == (None, False)


def test_contradicting_readings_name_all_that_cannot_be_told_apart() -> None:
    # A passage over three groups with 200 kg too much in its last reading.
    covers = ("S", "SD", "SDT", "DT", "T")
    values = (7100, 18480, 42160, 35020, 23900)
    readings = [Reading(c, v, frozenset(c), 20.0, "bridge") for c, v in zip(covers, values, strict=True)]
    consistency = describe_consistency(solve(readings, ("S", "D", "T")))
    found = find_outcome(make_facts(loaded_consistency=consistency), "redundancy", "loaded")
    assert found.met is False
    assert found.suspects[0] == ("SD", "T")


@pytest.mark.parametrize(
    ("rule", "flag"), [("ride_height", "has_air_suspension"), ("lift_state_recorded", "has_lift_axles")]
)
def test_a_confirmation_is_not_asked_of_a_vehicle_without_the_part(rule: str, flag: str) -> None:
    facts = make_facts(**{rule: None, flag: False})
    assert not find_outcome(facts, rule).applicable
    assert is_acceptable(judge(facts, default_limits()))


@pytest.mark.parametrize(
    "changes",
    [
        {"axles": ()},
        {"axles": (STEER, STEER)},
        {"maximum_gross_kg": 0},
        {"maximum_gross_kg": math.nan},
        {"draft_gross_kg": math.inf},
        change_axle(DRIVE, maximum_kg=-1),
        change_axle(DRIVE, loaded_kg=math.nan),
        change_axle(DRIVE, empty_kg=math.inf),
        {"slope_percent": math.nan},
        {"wind_m_per_s": -1},
    ],
)
def test_it_refuses_facts_that_cannot_be_judged(changes: dict[str, Any]) -> None:
    with pytest.raises(AcceptanceError):
        make_facts(**changes)


@pytest.mark.parametrize(
    "changes",
    [
        {"gross_fraction": 0},
        {"gross_fraction": 1.01},
        {"axle_fraction": math.nan},
        {"steer_increase": -1},
        {"slope_percent": math.inf},
        {"wind_m_per_s": 0},
        {"coverage_factor": 0},
        {"unit": "st"},
    ],
)
def test_it_refuses_limits_that_cannot_be_applied(changes: dict[str, Any]) -> None:
    with pytest.raises(AcceptanceError):
        dataclasses.replace(default_limits(), **changes)
