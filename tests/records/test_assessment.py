import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest

from fleetcal.fleet.instrument_book import CertificateTerms, InstrumentTerms, Validity
from fleetcal.fleet.models import PolicyVersion
from fleetcal.fleet.policy_defaults import REQUIRED_ITEMS
from fleetcal.fleet.selectors import AxleShape, GroupShape, VehicleShape
from fleetcal.records.acceptance_rules import tell_outcome
from fleetcal.records.assessment import Assessment, Basis, assess, ticks_of_stop_a, ticks_of_stop_b
from fleetcal.records.installation_items import ItemState
from fleetcal.records.models.installations import InstallationItem
from fleetcal.records.readiness import Readiness
from fleetcal.records.worksheet import Conditions, Excuse, Sheet, SheetReading, Stop
from fleetcal.records.worksheet_weights import ReferenceUsed, list_settings

AT = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
LATER = AT + timedelta(hours=6)
BRIDGE, PADS = uuid4(), uuid4()
CALM = Conditions(Decimal("0.30"), Decimal("2.0"), True, True, True)
# Common error in proportion to the load, u = 0.0005 z, so that only one standard uncertainty has to be worked out by hand.
PROPORTIONAL = ((100.0, 0.1), (60_000.0, 60.0))
# The same U at every load that a pad can bear.
UNIFORM = ((10_000.0, 10.0),)


def an_instrument(
    pk: Any, kind: str, d_kg: float, points: tuple[tuple[float, float], ...] = (), **fields: Any
) -> ReferenceUsed:
    certificate = CertificateTerms(uuid4(), "C-1", date(2026, 1, 1), date(2027, 1, 1), 2.0, points, AT)
    scale_class = "IIII" if kind == "pads" else "III"
    capacity = 10_000.0 if kind == "pads" else 60_000.0
    terms = InstrumentTerms(
        pk,
        kind,
        kind,
        scale_class,
        d_kg,
        d_kg,
        capacity,
        None,
        fields.pop("level", True),
        0.0,
        None,
        (certificate,),
        (),
    )
    return ReferenceUsed(terms, Validity(fields.pop("valid", True), certificate))


def a_shape(
    groups: tuple[tuple[int, ...], ...], axle_max_kg: tuple[float, ...], gross_kg: float, kind: str = "rigid"
) -> VehicleShape:
    """The first axle is steered, the second driven; the last one lifts where there are more than two."""
    position = {number: n for n, axles in enumerate(groups, 1) for number in axles}
    count = len(axle_max_kg)
    return VehicleShape(
        uuid4(), "KJ-204", "F1", kind, uuid4(), gross_kg, None, date(2025, 1, 1), None,
        tuple(
            GroupShape(uuid4(), n, "steel", sum(axle_max_kg[a - 1] for a in axles), axles)
            for n, axles in enumerate(groups, 1)
        ),
        tuple(
            AxleShape(n, position[n], maximum, None if n == 1 else 1400, n == 1, n == 2, n == count > 2, False)
            for n, maximum in enumerate(axle_max_kg, 1)
        ),
    )  # fmt: skip


def a_basis(shape: VehicleShape, *, mode: str = "axle", bridge_d_kg: float = 20.0, **fields: Any) -> Basis:
    policy = PolicyVersion(required_items=list(REQUIRED_ITEMS), **fields.pop("policy", {}))
    policy.clean_fields(exclude=["policy", "number", "effective_from", "recorded_at", "recorded_by", "entry"])
    opened = fields.pop("open_items", ())
    items = tuple(ItemState(item, item not in opened, "") for item in InstallationItem)
    basis = Basis(
        shape=shape,
        division_kg=Decimal(20),
        mode=mode,
        instruments={
            BRIDGE: an_instrument(BRIDGE, "weighbridge", bridge_d_kg, PROPORTIONAL),
            PADS: an_instrument(PADS, "pads", 50.0, UNIFORM),
        },
        policy=policy,
        readiness=Readiness(None, None, policy, items),
        started_at=AT,
        zone=UTC,
    )
    return replace(basis, **fields)


def on_bridge(number: int, state: str, axles: tuple[int, ...], kg: float, pk: Any = BRIDGE) -> SheetReading:
    minutes = number if state == "empty" else 120 + number
    return SheetReading(number, state, "bridge", pk, axles, Decimal(str(kg)), AT + timedelta(minutes=minutes))


def on_pads(number: int, state: str, axle: int, left: float, right: float) -> SheetReading:
    minutes = number if state == "empty" else 120 + number
    return SheetReading(
        number, state, "pads", PADS, (axle,), Decimal(str(left + right)), AT + timedelta(minutes=minutes),
        Decimal(str(left)), Decimal(str(right)),
    )  # fmt: skip


def in_order(
    state: str, covers: list[tuple[int, ...]], kg: list[float], first: int = 1
) -> tuple[SheetReading, ...]:
    return tuple(
        on_bridge(first + n, state, axles, value)
        for n, (axles, value) in enumerate(zip(covers, kg, strict=True))
    )


def rules(assessment: Assessment, rule: str, subject: str | None = None) -> list[bool | None]:
    return [
        judged.outcome.met
        for judged in assessment.rules
        if judged.outcome.rule == rule and subject in (None, judged.outcome.subject)
    ]


# statistics 1.8: axle groups S, D, T from drive-on and drive-off readings, an exact rational check. T is a tandem here.
SDT = a_shape(((1,), (2,), (3, 4)), (8_000.0, 11_500.0, 12_500.0, 12_500.0), 44_000.0)
COVERS: list[tuple[int, ...]] = [(1,), (1, 2), (1, 2, 3, 4), (2, 3, 4), (3, 4)]
LOADED = [7100.0, 18480.0, 42160.0, 35020.0, 23700.0]
# The same less S 4 000, D 7 000, T 15 000 exactly, so that the residuals are the same too.
EMPTY = [3100.0, 7480.0, 16160.0, 13020.0, 8700.0]
# A bridge whose rounding and repeatability together are 20 kg, d·√(1/12 + 1/4) = d/√3; with d = 20 kg they are 11.547 kg.
D_FOR_20_KG = 20.0 * math.sqrt(3.0)


def sdt_sheet(loaded: list[float] = LOADED) -> Sheet:
    return Sheet(
        conditions=CALM, readings=(*in_order("empty", COVERS, EMPTY), *in_order("loaded", COVERS, loaded, 6))
    )


def test_it_solves_drive_on_and_drive_off_in_both_states_as_worked_out_by_hand() -> None:
    found = assess(sdt_sheet(), a_basis(SDT, mode="group", bridge_d_kg=D_FOR_20_KG), LATER)

    s, d, t = found.settings
    assert [each.setting.key for each in found.settings] == ["group 1", "group 2", "group 3"]
    assert [s.loaded_kg, d.loaded_kg, t.loaded_kg] == pytest.approx([7117.5, 11350.0, 23687.5], abs=0.05)
    assert [s.empty_kg, d.empty_kg, t.empty_kg] == pytest.approx([3117.5, 4350.0, 8687.5], abs=0.05)
    assert [s.span_exact_kg, d.span_exact_kg, t.span_exact_kg] == pytest.approx(
        [4000.0, 7000.0, 15000.0], abs=0.05
    )
    # u/σ is √(5/8), 1 and √(5/8); the common error adds 0.0005 of the load in quadrature.
    expected = [
        math.hypot(20 * math.sqrt(5 / 8), 0.0005 * 7117.5),
        math.hypot(20, 0.0005 * 11350),
        math.hypot(20 * math.sqrt(5 / 8), 0.0005 * 23687.5),
    ]
    assert [s.u_loaded_kg, d.u_loaded_kg, t.u_loaded_kg] == pytest.approx(expected, rel=1e-3)
    # In proportion to the load, the span keeps the common error of its own load.
    assert s.u_span_kg == pytest.approx(math.hypot(20 * math.sqrt(2 * 5 / 8), 0.0005 * 4000), rel=1e-3)


def test_the_values_to_enter_are_rounded_to_the_displays_division_and_say_what_that_costs() -> None:
    s = assess(sdt_sheet(), a_basis(SDT, mode="group"), LATER).settings[0]

    assert (s.tare_kg, s.span_kg) == (Decimal(3120), Decimal(4000))
    assert float(s.tare_rounding_kg or 0) == pytest.approx(2.5, abs=0.01)


@pytest.mark.parametrize(
    ("d_kg", "chi_square", "probability", "met"),
    # statistics 1.8: σ = 20 kg and σ = 11.547 kg.
    [(D_FOR_20_KG, 2.375, 0.304983, True), (20.0, 7.125, 0.028368, False)],
)
def test_the_redundancy_check_agrees_with_the_exact_example(
    d_kg: float, chi_square: float, probability: float, met: bool
) -> None:
    found = assess(sdt_sheet(), a_basis(SDT, mode="group", bridge_d_kg=d_kg), LATER)

    for weighing in (found.empty, found.loaded):
        assert weighing.weights is not None
        assert weighing.weights.chi_square == pytest.approx(chi_square, rel=1e-3)
        assert weighing.weights.degrees_of_freedom == 2
        assert weighing.weights.probability == pytest.approx(probability, rel=2e-3)
    assert rules(found, "redundancy") == [met, met]


def test_readings_that_no_data_can_tell_apart_are_suspected_together() -> None:
    # statistics 1.8: the last reading 23 900 instead of 23 700.
    found = assess(
        sdt_sheet([*LOADED[:4], 23900.0]), a_basis(SDT, mode="group", bridge_d_kg=D_FOR_20_KG), LATER
    )

    outcome = next(
        r.outcome for r in found.rules if r.outcome.rule == "redundancy" and r.outcome.subject == "loaded"
    )
    assert outcome.met is False
    assert outcome.suspects[0] == ("reading 7", "reading 10")
    text = tell_outcome(outcome, unit="kg")
    assert "reading 7 or reading 10" in text.advice
    assert "no data can tell which" in text.advice
    assert text.finding.startswith("probability below 0.0001")


def test_without_redundancy_no_consistency_test_is_claimed() -> None:
    sheet = Sheet(conditions=CALM, readings=in_order("empty", COVERS[:3], [3100.0, 7480.0, 16160.0]))

    found = assess(sheet, a_basis(SDT, mode="group"), LATER)

    outcome = next(r.outcome for r in found.rules if r.outcome.rule == "redundancy")
    assert outcome.applicable is False
    assert "no consistency test is possible" in tell_outcome(outcome, unit="kg").finding


TWO = a_shape(((1,), (2,)), (7_500.0, 11_500.0), 18_000.0)
PAD_READINGS = (
    on_pads(1, "empty", 1, 2350.0, 2300.0),
    on_pads(2, "empty", 2, 2050.0, 2000.0),
    on_pads(3, "loaded", 1, 3300.0, 3250.0),
    on_pads(4, "loaded", 2, 5050.0, 4950.0),
)


def test_an_axle_on_a_pair_of_pads_is_left_plus_right_with_the_rounding_of_both() -> None:
    found = assess(Sheet(conditions=CALM, readings=PAD_READINGS), a_basis(TWO), LATER)

    front = found.settings[0]
    assert (front.empty_kg, front.loaded_kg, front.span_exact_kg) == pytest.approx((4650, 6550, 1900))
    # Two readings of d = 50 kg: rounding 2·d²/12 and repeatability 2·(d/2)²; two pads at the certificate's U/k = 5 kg
    # each, √2·5 kg, as a gain of the heaviest empty axle; what that leaves of √2·5 kg under the lighter axle is its own.
    own = math.sqrt(2 * 50**2 / 12 + 2 * 25**2)
    gain = math.hypot(5, 5) / 4650
    assert front.u_empty_kg == pytest.approx(math.hypot(own, gain * 4650), rel=1e-6)
    assert found.empty.weights is not None
    assert found.empty.weights.u("axle 2") == pytest.approx(math.hypot(own, 5, 5), rel=1e-6)


def test_no_weight_is_surer_than_the_class_of_the_bridge_lets_it_be() -> None:
    # OIML R 76 class III, e = 20 kg, in service: 20 kg up to 500 e, 40 kg up to 2 000 e. The gain is that of the gross, 40 kg/√3 on
    # 26 000 kg; the axle of 3 100 kg alone still has 20 kg/√3, and its rounding and repeatability.
    readings = in_order("empty", [(1,), (1, 2)], [3_100.0, 26_000.0])
    by_class = an_instrument(BRIDGE, "weighbridge", 20.0)

    found = assess(
        Sheet(conditions=CALM, readings=readings), a_basis(TWO, instruments={BRIDGE: by_class}), LATER
    )

    expected = math.sqrt((20 / math.sqrt(3)) ** 2 + 20**2 / 12 + 10**2)
    assert found.settings[0].u_empty_kg == pytest.approx(expected, rel=1e-6)


def test_both_methods_mix_and_the_gross_in_one_draft_is_compared() -> None:
    mixed = (*PAD_READINGS, on_bridge(5, "loaded", (1, 2), 16_540.0))

    found = assess(Sheet(conditions=CALM, readings=mixed), a_basis(TWO), LATER)

    assert found.loaded.agreement is not None
    assert found.loaded.agreement.difference_kg == pytest.approx(10.0)
    assert rules(found, "gross_agreement", "loaded") == [True]


def test_a_gross_that_does_not_agree_is_not_met() -> None:
    mixed = (*PAD_READINGS, on_bridge(5, "loaded", (1, 2), 17_200.0))

    assert rules(
        assess(Sheet(conditions=CALM, readings=mixed), a_basis(TWO), LATER), "gross_agreement", "loaded"
    ) == [False]


def test_an_axle_that_no_reading_separates_is_named() -> None:
    sheet = Sheet(conditions=CALM, readings=(on_bridge(1, "empty", (1, 2), 8_700.0),))

    found = assess(sheet, a_basis(TWO), LATER)

    assert found.empty.weights is None
    assert found.empty.unresolved == (1, 2)
    assert "axle 1, 2" in found.may_sign_a.why_not


def test_the_load_that_is_missing_is_told_in_the_readers_unit() -> None:
    # 90 % of 18 000 kg is 16 200 kg; 14 960 kg stand there, so 1 240 kg are missing.
    light = (
        *PAD_READINGS[:2],
        on_pads(3, "loaded", 1, 3000.0, 3000.0),
        on_pads(4, "loaded", 2, 4480.0, 4480.0),
    )

    found = assess(Sheet(conditions=CALM, readings=light), a_basis(TWO), LATER)

    outcome = next(r.outcome for r in found.rules if r.outcome.rule == "gross_fraction")
    assert outcome.met is False
    assert tell_outcome(outcome, unit="kg").advice == "load 1\u202f240 kg more"
    # 1 240 kg / 0.453 592 37
    assert tell_outcome(outcome, unit="lb").advice == "load 2\u202f734 lb more"


@pytest.mark.parametrize(
    ("policy", "advice"),
    [
        # 4 650 → 5 400 kg is 750 kg more; 900 kg asked for; 2 000 lb are 907.185 kg.
        ({}, "put 150 kg in the cab"),
        ({"steer_increase": "2000.0", "steer_increase_unit": "lb"}, "put 157 kg in the cab"),
    ],
)
def test_the_steer_axle_must_be_heavier_in_the_policys_unit(policy: dict[str, str], advice: str) -> None:
    light = (
        *PAD_READINGS[:2],
        on_pads(3, "loaded", 1, 2700.0, 2700.0),
        on_pads(4, "loaded", 2, 5500.0, 5450.0),
    )

    found = assess(Sheet(conditions=CALM, readings=light), a_basis(TWO, policy=policy), LATER)

    outcome = next(r.outcome for r in found.rules if r.outcome.rule == "steer_increase")
    assert tell_outcome(outcome, unit="kg").advice == advice


def test_a_trailer_has_no_steer_axle_to_load() -> None:
    trailer = replace(TWO, kind="trailer")

    found = assess(Sheet(conditions=CALM, readings=PAD_READINGS), a_basis(trailer), LATER)

    assert [r.outcome.applicable for r in found.rules if r.outcome.rule == "steer_increase"] == [False]


def test_an_overloaded_axle_is_not_met_and_stays_off_the_road() -> None:
    heavy = (*PAD_READINGS[:2], on_pads(3, "loaded", 1, 3800.0, 3750.0), PAD_READINGS[3])

    found = assess(Sheet(conditions=CALM, readings=heavy), a_basis(TWO), LATER)

    outcome = next(
        r.outcome for r in found.rules if r.outcome.rule == "axle_maximum" and r.outcome.subject == "axle 1"
    )
    assert outcome.met is False
    assert "do not move on a road" in tell_outcome(outcome, unit="kg").advice


def complete(sheet: Sheet, basis: Basis) -> Sheet:
    settings = list_settings(basis.shape, basis.mode, sheet.covers_groups, ())
    return replace(
        sheet,
        ticks=(*ticks_of_stop_a(settings), *ticks_of_stop_b(settings)),
        stop_a=Stop(AT + timedelta(hours=1), "t.osgarde", {}),
        stop_b=Stop(AT + timedelta(hours=4), "t.osgarde", {}),
    )


def test_a_complete_worksheet_is_acceptable() -> None:
    basis = a_basis(TWO)

    found = assess(complete(Sheet(conditions=CALM, readings=PAD_READINGS), basis), basis, LATER)

    assert found.may_accept.why_not == ""
    assert found.is_acceptable


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"conditions": replace(CALM, brakes_released=False)}, "brakes_released"),
        ({"conditions": replace(CALM, is_level=False)}, "level_and_calm"),
        ({"conditions": replace(CALM, slope_percent=Decimal("1.01"))}, "slope_and_wind"),
        ({"conditions": replace(CALM, wind_m_s=Decimal("8.1"))}, "slope_and_wind"),
        ({"conditions": replace(CALM, wind_m_s=None)}, "slope_and_wind"),
        ({"stop_a": None, "stop_b": None}, "stop_a"),
        ({"stop_b": None}, "stop_b"),
        ({"ticks": ()}, "stop_b"),
    ],
)
def test_one_rule_that_is_not_met_or_not_known_keeps_it_from_being_accepted(
    change: dict[str, Any], rule: str
) -> None:
    basis = a_basis(TWO)
    sheet = replace(complete(Sheet(conditions=CALM, readings=PAD_READINGS), basis), **change)

    found = assess(sheet, basis, LATER)

    assert not found.is_acceptable
    assert any(met is not True for met in rules(found, rule))


@pytest.mark.parametrize(
    ("item", "rule"),
    [
        (InstallationItem.CURED, "bond_cured"),
        (InstallationItem.ALARM_GROSS, "alarms_set"),
        (InstallationItem.LEADS, "installation_complete"),
    ],
)
def test_an_open_installation_keeps_it_from_being_accepted(item: InstallationItem, rule: str) -> None:
    basis = a_basis(TWO, open_items=(item,))

    found = assess(complete(Sheet(conditions=CALM, readings=PAD_READINGS), basis), basis, LATER)

    assert rules(found, rule) == [False]
    assert not found.is_acceptable


def test_an_item_that_the_policy_does_not_ask_for_does_not_stand_in_the_way() -> None:
    basis = a_basis(TWO, open_items=(InstallationItem.CURED,), policy={})
    basis.policy.required_items = ["channels"]

    assert assess(complete(Sheet(conditions=CALM, readings=PAD_READINGS), basis), basis, LATER).is_acceptable


def test_an_instrument_out_of_date_keeps_it_from_being_accepted_and_cannot_be_excused() -> None:
    lapsed = {PADS: an_instrument(PADS, "pads", 50.0, UNIFORM, valid=False)}
    basis = replace(a_basis(TWO), instruments=lapsed)
    excuse = Excuse("instrument_valid", "no other pads", "a.lindqvale", AT)

    sheet = replace(complete(Sheet(conditions=CALM, readings=PAD_READINGS), basis), excuses=(excuse,))

    assert not assess(sheet, basis, LATER).is_acceptable


def test_single_axles_on_a_bridge_ask_for_a_level_approach() -> None:
    tilted = {BRIDGE: an_instrument(BRIDGE, "weighbridge", 20.0, level=False)}
    basis = replace(a_basis(SDT, mode="group"), instruments=tilted)

    assert rules(assess(sdt_sheet(), basis, LATER), "level_approach") == [False]


def test_an_excuse_lets_it_be_accepted_and_stays_with_the_rule() -> None:
    basis = a_basis(TWO)
    excuse = Excuse("slope_and_wind", "the yard's anemometer is broken; flags hung still", "a.lindqvale", AT)
    sheet = replace(
        complete(Sheet(conditions=replace(CALM, wind_m_s=None), readings=PAD_READINGS), basis),
        excuses=(excuse,),
    )

    found = assess(sheet, basis, LATER)

    assert found.is_acceptable
    assert {r.excuse for r in found.rules if r.outcome.rule == "slope_and_wind"} == {excuse}


def test_a_lifted_axle_is_neither_weighed_nor_set() -> None:
    shape = a_shape(((1,), (2, 3)), (8_000.0, 11_500.0, 7_500.0), 26_000.0)
    conditions = replace(CALM, lift_axles_up=(3,))
    readings = (on_bridge(1, "empty", (1,), 5000.0), on_bridge(2, "empty", (1, 2), 9000.0))

    found = assess(Sheet(conditions=conditions, readings=readings), a_basis(shape, mode="group"), LATER)

    assert [(r.setting.key, r.setting.axles, r.setting.maximum_kg) for r in found.settings] == [
        ("group 1", (1,), 8_000.0),
        ("group 2", (2,), 11_500.0),
    ]
    assert found.settings[1].empty_kg == pytest.approx(4000.0)


def test_a_display_set_per_axle_needs_every_axle_apart_and_one_set_per_group_does_not() -> None:
    sheet = sdt_sheet()

    assert assess(sheet, a_basis(SDT, mode="group"), LATER).loaded.weights is not None
    assert assess(sheet, a_basis(SDT, mode="axle"), LATER).loaded.unresolved == (3, 4)


def test_after_work_on_one_group_only_that_group_is_set_and_the_gross_comes_from_one_draft() -> None:
    readings = (
        on_pads(1, "empty", 2, 2050.0, 2000.0),
        on_pads(2, "loaded", 2, 5050.0, 4950.0),
        on_bridge(3, "loaded", (1, 2), 16_540.0),
    )

    found = assess(Sheet(covers_groups=(2,), conditions=CALM, readings=readings), a_basis(TWO), LATER)

    assert [(r.setting.key, r.empty_kg, r.loaded_kg) for r in found.settings] == [
        ("axle 2", pytest.approx(4050.0), pytest.approx(10_000.0))
    ]
    outcome = next(r.outcome for r in found.rules if r.outcome.rule == "gross_fraction")
    assert outcome.value == pytest.approx(16_540 / 18_000, rel=1e-4)
    assert [r.outcome.applicable for r in found.rules if r.outcome.rule == "steer_increase"] == [False]


def test_after_work_on_one_group_the_gross_is_not_yet_known_without_the_other_axles() -> None:
    readings = (on_pads(1, "empty", 2, 2050.0, 2000.0), on_pads(2, "loaded", 2, 5050.0, 4950.0))

    found = assess(Sheet(covers_groups=(2,), conditions=CALM, readings=readings), a_basis(TWO), LATER)

    assert rules(found, "gross_fraction") == [None]
    assert rules(found, "gross_maximum") == [None]


def test_the_steps_open_one_after_the_other() -> None:
    basis = a_basis(TWO)
    bare = assess(Sheet(), basis, LATER)
    assert "conditions" in bare.may_sign_a.why_not
    assert not bare.may_read_loaded.allowed

    empty = Sheet(conditions=CALM, readings=PAD_READINGS[:2])
    assert "5 of 5 missing" in assess(empty, basis, LATER).may_sign_a.why_not

    ticked = replace(empty, ticks=assess(empty, basis, LATER).ticks_a)
    assert assess(ticked, basis, LATER).may_sign_a.allowed

    signed = replace(ticked, stop_a=Stop(AT, "t.osgarde", {}))
    found = assess(signed, basis, LATER)
    assert found.may_read_loaded.allowed
    assert not found.may_sign_b.allowed

    loaded = replace(signed, readings=PAD_READINGS, ticks=(*signed.ticks, *found.ticks_b))
    assert assess(loaded, basis, LATER).may_sign_b.allowed
    assert "on the same day" in assess(loaded, basis, LATER + timedelta(days=1)).may_sign_b.why_not
