"""Recording comparison checks: the fact, its entry, what is refused, and that many at once equal one by one."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleetcal.fleet.models import Instrument, Vehicle
from fleetcal.fleet.services.instruments import NewFinding, record_finding
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.records.models import Check, CheckResult
from fleetcal.records.repeatability import repeatability_by_suspension
from fleetcal.records.services.checks import (
    CheckDraft,
    Covered,
    DisplayReadings,
    PlatformReading,
    known_tickets,
    natural_key,
    record_check,
    record_checks,
    split_combination,
)
from fleetcal.records.services.corrections import withdraw
from tests.factories import make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.rows import write_calibration

pytestmark = pytest.mark.django_db
WEIGHED_AT = datetime(2024, 5, 14, 9, 20, tzinfo=UTC)


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    vehicle = make_vehicle()
    make_system(vehicle)
    return vehicle


@pytest.fixture
def bridge() -> Instrument:
    return make_instrument()


def draft_of(
    vehicle: Vehicle,
    bridge: Instrument,
    gross: int = 25_000,
    shown: tuple[int, ...] = (25_100, 25_120),
    **fields: Any,
) -> CheckDraft:
    draft = CheckDraft(
        vehicle_id=vehicle.pk,
        instrument_id=bridge.pk,
        ticket="48213",
        purpose="check",
        weighed_at=WEIGHED_AT,
        displayed_at=WEIGHED_AT + timedelta(minutes=4),
        platform=(PlatformReading(Decimal(gross)),),
        display=(DisplayReadings(tuple(map(Decimal, shown))),),
        natural_key=natural_key(vehicle.pk, bridge.pk, fields.get("ticket", "48213"), WEIGHED_AT),
    )
    return replace(draft, **fields)


def values_of(rows: Any) -> list[dict[str, Any]]:
    own = {"id", "entry", "comparison", "recorded_at"}
    return [
        {
            field.name: getattr(row, field.attname)
            for field in row._meta.concrete_fields
            if field.name not in own
        }
        for row in rows
    ]


def test_it_records_the_check_its_result_and_one_entry(vehicle: Vehicle, bridge: Instrument):
    before = count_of(vehicle.stream)
    check = record_check(draft_of(vehicle, bridge), actor=make_user())
    stored = Check.objects.get(pk=check.pk)
    gross = stored.results.get()
    assert (gross.subject, gross.error_kg, gross.word, gross.readings) == (0, Decimal("110.000"), "pass", 2)
    assert (stored.counts, stored.unsupported, stored.why_not_counting) == (True, "", "")
    assert stored.load_percent == Decimal("96.2")
    entry = entries_of(vehicle.stream)[-1]
    assert (entry.seq, entry.kind, entry.actor) == (before, "check.recorded", "t.osgarde")
    assert [*entry.data["rows"]] == ["records.check", "records.checkresult"]
    assert entry.data["rows"]["records.checkresult"][0]["error_kg"] == "110.000"


def test_many_at_once_equal_one_by_one(vehicle: Vehicle, bridge: Instrument):
    other = make_vehicle("KJ-205")
    make_system(other, serial="D-1002")
    drafts = [
        draft_of(
            (vehicle, other)[number % 2],
            bridge,
            gross=15_000 + 1_000 * number,
            shown=(15_040 + 1_000 * number,),
            ticket=f"T{number}",
            purpose="trade",
            weighed_at=WEIGHED_AT + timedelta(hours=number),
            displayed_at=None,
            natural_key=f"key {number}",
        )
        for number in range(8)
    ]
    bulk = record_checks(drafts, actor=make_user())
    single = [
        record_check(replace(draft, natural_key=f"again {draft.natural_key}"), actor=make_user())
        for draft in drafts
    ]
    for one, many in zip(values_of(single), values_of(bulk), strict=True):
        assert one | {"natural_key": ""} == many | {"natural_key": ""}
    results = [
        values_of(CheckResult.objects.filter(comparison__in=checks).order_by("comparison__happened_at"))
        for checks in (single, bulk)
    ]
    assert results[0] == results[1]


def test_the_number_of_queries_does_not_grow_with_the_vehicles_tickets(vehicle: Vehicle, bridge: Instrument):
    actor = make_user()

    def count_queries(tickets: int, prefix: str) -> int:
        drafts = [
            draft_of(
                vehicle, bridge, ticket=f"{prefix}{number}", purpose="trade", natural_key=f"{prefix}{number}"
            )
            for number in range(tickets)
        ]
        with CaptureQueriesContext(connection) as queries:
            record_checks(drafts, actor=actor)
        return len(queries)

    assert count_queries(2, "a") == count_queries(9, "b")


def test_a_failure_leaves_neither_checks_nor_entries(vehicle: Vehicle, bridge: Instrument):
    before = count_of(vehicle.stream)
    drafts = [
        draft_of(vehicle, bridge, ticket="1", natural_key="1"),
        draft_of(vehicle, bridge, ticket="2", natural_key="2", gross=90_000),
    ]
    with pytest.raises(Refused, match=r"Ticket 2: .*60180"):
        record_checks(drafts, actor=make_user())
    assert count_of(vehicle.stream) == before
    assert not Check.objects.exists()


@pytest.mark.parametrize(
    ("fields", "field", "words"),
    [
        ({"weighed_at": datetime(2999, 1, 1, tzinfo=UTC)}, "weighed_at", "still to come"),
        ({"weighed_at": datetime(2023, 2, 27, tzinfo=UTC)}, "weighed_at", "came into service"),
        ({"weighed_at": datetime(2023, 3, 20, tzinfo=UTC), "displayed_at": None}, "weighed_at", "No weighing system"),
        ({"displayed_at": WEIGHED_AT - timedelta(minutes=3)}, "displayed_at", "3 min before"),
        ({"displayed_at": WEIGHED_AT + timedelta(hours=25)}, "displayed_at", "25.0 h after"),
        ({"ticket": "  "}, "ticket", "1 to 48"),
        ({"purpose": "guess"}, "purpose", "guess"),
        ({"platform": ()}, "platform", "no platform reading"),
        ({"platform": (PlatformReading(Decimal(0)),)}, "platform", "not above zero"),
        ({"platform": (PlatformReading(Decimal("NaN")),)}, "platform", "NaN"),
        ({"platform": (PlatformReading(Decimal(60_200)),)}, "platform", "60180 kg"),
        ({"display": ()}, "display", "no reading of the display"),
        ({"display": (DisplayReadings((Decimal(-20),)),)}, "display", "-20 kg"),
        ({"display": (DisplayReadings((Decimal(7_000),), 3),)}, "display", "no axle group 3"),
        ({"display": (DisplayReadings((Decimal(7_000),) * 5),)}, "display", "5 display readings"),
        ({"lift_axles_up": (2,)}, "lift_axles_up", "Axle 2"),
        ({"slope_percent": Decimal(45)}, "slope_percent", "45 %"),
        ({"fuel_used_kg": Decimal(-1)}, "fuel_used_kg", "-1 kg"),
        ({"unit": "st"}, "unit", "st"),
    ],
)  # fmt: skip
def test_it_refuses_what_cannot_be(
    vehicle: Vehicle, bridge: Instrument, fields: dict[str, Any], field: str, words: str
):
    with pytest.raises(Refused, match=words) as refusal:
        record_check(draft_of(vehicle, bridge, **fields), actor=make_user())
    assert refusal.value.field == field
    assert not Check.objects.exists()


def test_it_refuses_a_day_without_a_policy(bridge: Instrument):
    make_policy(effective_from=date(2024, 6, 1))
    vehicle = make_vehicle()
    make_system(vehicle)
    with pytest.raises(Refused, match="No policy was in force"):
        record_check(draft_of(vehicle, bridge), actor=make_user())


def test_a_ticket_whose_number_was_corrected_is_known_when_it_comes_again(
    vehicle: Vehicle, bridge: Instrument
):
    mistyped = record_check(draft_of(vehicle, bridge, ticket="48231"), actor=make_user())
    right = draft_of(vehicle, bridge, supersedes=mistyped.pk, reason="mistyped")
    record_check(right, actor=make_user())
    assert right.natural_key
    assert known_tickets([right.natural_key]).keys() == {right.natural_key}
    with pytest.raises(Refused, match="already on record"):
        record_check(draft_of(vehicle, bridge), actor=make_user())


def test_the_same_ticket_is_refused_naming_the_earlier_one(vehicle: Vehicle, bridge: Instrument):
    record_check(draft_of(vehicle, bridge), actor=make_user())
    with pytest.raises(Refused, match="48213 of 2024-05-14 09:20 UTC is already on record for KJ-204"):
        record_check(draft_of(vehicle, bridge), actor=make_user())
    with pytest.raises(Refused, match="given twice"):
        record_checks([draft_of(vehicle, bridge, ticket="9", natural_key="9")] * 2, actor=make_user())


def test_a_ticket_number_is_the_same_ticket_however_it_is_typed(vehicle: Vehicle, bridge: Instrument):
    keys = {
        natural_key(vehicle.pk, bridge.pk, text, WEIGHED_AT + timedelta(seconds=second))
        for text, second in (("a 12", 0), (" A  12 ", 30))
    }
    assert len(keys) == 1


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"purpose": "trade"}, "everyday tickets"),
        ({"display": (DisplayReadings((Decimal(25_100),)),)}, "read 1 time; the policy asks for 2"),
        (
            {"platform": (PlatformReading(Decimal(12_000)),), "display": (DisplayReadings((Decimal(12_000),) * 2),)},
            "46.2 % of the maximum gross; the policy asks for 90.00 %",
        ),
        ({"display": (DisplayReadings((Decimal(7_000),) * 2, 1),)}, "no display reading of the gross"),
    ],
)  # fmt: skip
def test_it_says_why_a_check_does_not_count(
    vehicle: Vehicle, bridge: Instrument, fields: dict[str, Any], why: str
):
    check = record_check(draft_of(vehicle, bridge, **fields), actor=make_user())
    assert not check.counts
    assert why in check.why_not_counting


def test_a_check_with_other_lift_axles_up_than_at_the_calibration_does_not_count(
    vehicle: Vehicle, bridge: Instrument
):
    write_calibration(vehicle, WEIGHED_AT - timedelta(days=9), instrument=bridge)
    lifted, down = (
        record_check(
            draft_of(vehicle, bridge, lift_axles_up=axles, ticket=ticket, natural_key=ticket),
            actor=make_user(),
        )
        for axles, ticket in (((3,), "1"), ((), "2"))
    )
    assert not lifted.counts
    assert (
        "axle 3 was lifted on the check and no axle was lifted when the display was calibrated"
        in lifted.why_not_counting
    )
    assert "lifted" not in down.why_not_counting


def test_a_pair_of_pads_bears_its_capacity_twice(vehicle: Vehicle):
    pads = make_instrument("Pads", kind="pads")
    group = (Covered(vehicle.pk, 1),)
    heavy = draft_of(
        vehicle,
        pads,
        platform=(PlatformReading(Decimal(11_500), group),),
        display=(DisplayReadings((Decimal(11_500),), 1),),
    )
    assert record_check(heavy, actor=make_user()).results.get(subject=1).reference_kg == 11_500
    beyond = replace(heavy, platform=(PlatformReading(Decimal(20_950), group),), ticket="9", natural_key="9")
    with pytest.raises(Refused, match="nothing above 20900 kg"):
        record_check(beyond, actor=make_user())


def test_an_instrument_without_a_certificate_makes_the_record_unsupported(vehicle: Vehicle):
    bridge = make_instrument("Tarn quarry bridge", certificate=False)
    check = record_check(draft_of(vehicle, bridge), actor=make_user())
    assert check.unsupported == "no certificate is on record"
    assert not check.counts
    assert check.results.get().word == "pass"


def test_an_instrument_found_wrong_makes_the_record_unsupported(vehicle: Vehicle, bridge: Instrument):
    finding = NewFinding(date(2024, 5, 1), date(2024, 5, 31), date(2024, 6, 2), "span 0.4 % high")
    record_finding(finding, actor=make_user(), instrument=bridge)
    assert "found on 2 Jun 2024" in record_check(draft_of(vehicle, bridge), actor=make_user()).unsupported


def test_group_weights_give_group_results(vehicle: Vehicle, bridge: Instrument):
    check = record_check(
        draft_of(
            vehicle,
            bridge,
            platform=(
                PlatformReading(Decimal(25_000)),
                PlatformReading(Decimal(7_000), (Covered(vehicle.pk, 1),)),
            ),
            display=(
                DisplayReadings((Decimal(25_100),) * 2),
                DisplayReadings((Decimal(7_040),), 1),
                DisplayReadings((Decimal(18_060),), 2),
            ),
        ),
        actor=make_user(),
    )
    results = {row.subject: row for row in check.results.all()}
    assert [results[subject].error_kg for subject in (0, 1, 2)] == [100, 40, 60]
    assert results[2].reference_kg == Decimal("18000.000")
    assert all(row.word for row in results.values())


@pytest.fixture
def combination(vehicle: Vehicle) -> tuple[Vehicle, Vehicle]:
    tractor, trailer = make_vehicle("KJ-301", layout="tractor2"), make_vehicle("KJ-302", layout="trailer3")
    make_system(tractor, serial="D-2001")
    make_system(trailer, serial="D-2002")
    return tractor, trailer


def drafts_of_combination(
    units: tuple[Vehicle, Vehicle], bridge: Instrument, *further: PlatformReading
) -> tuple[CheckDraft, ...]:
    tractor, trailer = units
    both = PlatformReading(Decimal(38_000), (Covered(tractor.pk), Covered(trailer.pk)))
    draft = draft_of(tractor, bridge, platform=(both, *further))
    return split_combination(
        draft,
        {
            tractor.pk: (DisplayReadings((Decimal(16_000),) * 2),),
            trailer.pk: (DisplayReadings((Decimal(22_100),) * 2),),
        },
    )


def test_one_draft_of_a_combination_is_kept_for_both_units_without_a_decision(
    combination: tuple[Vehicle, Vehicle], bridge: Instrument
):
    checks = record_checks(drafts_of_combination(combination, bridge), actor=make_user())
    assert [check.vehicle for check in checks] == [*combination]
    for check, other in zip(checks, reversed(combination), strict=True):
        gross = check.results.get()
        assert (gross.is_separable, gross.word, check.counts) == (False, "", False)
        assert "by itself" in check.why_not_counting
        assert gross.budget[-1]["combination"]["error_kg"] == "100.000"
        assert check.coupled == [{"vehicle": str(other.pk), "registration": other.registration}]


def test_a_reading_of_one_unit_alone_separates_both(combination: tuple[Vehicle, Vehicle], bridge: Instrument):
    alone = PlatformReading(Decimal(15_900), (Covered(combination[0].pk),))
    drafts = drafts_of_combination(combination, bridge, alone)
    tractor, trailer = record_checks(drafts, actor=make_user())
    assert tractor.results.get().error_kg == Decimal(100)
    assert trailer.results.get().error_kg == Decimal(0)
    assert trailer.results.get().word == "pass"


def test_a_withdrawn_check_no_longer_stands(vehicle: Vehicle, bridge: Instrument):
    check = record_check(draft_of(vehicle, bridge), actor=make_user())
    withdrawal = withdraw(check, actor=make_user(), reason="wrong vehicle")
    assert not Check.objects.standing().exists()
    assert [*Check.objects.standing(known_at=check.recorded_at)] == [check]
    entry = entries_of(vehicle.stream)[-1]
    assert (entry.kind, entry.reason) == ("record.withdrawn", "wrong vehicle")
    assert (withdrawal.ticket, withdrawal.natural_key) == ("48213", None)


def test_a_correction_takes_the_place_of_the_record(vehicle: Vehicle, bridge: Instrument):
    check = record_check(draft_of(vehicle, bridge), actor=make_user())
    corrected = record_check(
        draft_of(vehicle, bridge, gross=25_060, supersedes=check.pk, reason="misread ticket"),
        actor=make_user(),
    )
    assert [*Check.objects.standing()] == [corrected]
    assert corrected.natural_key is None
    assert entries_of(vehicle.stream)[-1].kind == "record.corrected"


def test_only_the_newest_version_is_corrected_and_only_with_a_reason(vehicle: Vehicle, bridge: Instrument):
    check = record_check(draft_of(vehicle, bridge), actor=make_user())
    with pytest.raises(Refused, match="Say why"):
        record_check(draft_of(vehicle, bridge, supersedes=check.pk), actor=make_user())
    record_check(draft_of(vehicle, bridge, supersedes=check.pk, reason="a"), actor=make_user())
    with pytest.raises(Refused, match="only the newest"):
        record_check(draft_of(vehicle, bridge, supersedes=check.pk, reason="b"), actor=make_user())
    with pytest.raises(Refused, match="only the newest"):
        withdraw(check, actor=make_user(), reason="c")
    with pytest.raises(Refused, match="no such record"):
        record_check(
            draft_of(make_vehicle("KJ-205"), bridge, supersedes=check.pk, reason="d"), actor=make_user()
        )


def test_repeatability_is_pooled_once_ten_degrees_of_freedom_are_there(vehicle: Vehicle, bridge: Instrument):
    # Twelve pairs 40 kg apart on 26 t: s² = Σ 2 · 20² / 12.
    for number in range(12):
        record_check(
            draft_of(vehicle, bridge, shown=(25_080, 25_120), ticket=f"{number}", natural_key=f"{number}"),
            actor=make_user(),
        )
        book = repeatability_by_suspension()
        assert ("mixed" in book.gross) == (number >= 9)
    assert book.gross["mixed"].s_kg == pytest.approx((2 * 20.0**2) ** 0.5 / 26_000)
    assert book.gross["mixed"].degrees_of_freedom == 12
    newest = record_check(
        draft_of(vehicle, bridge, ticket="last", natural_key="last"), actor=make_user()
    ).results.get()
    assert newest.degrees_of_freedom is not None
    spread = next(line for line in newest.budget if line["evaluation"] == "A")
    assert spread["half_width_or_u"] == "28.2843"
