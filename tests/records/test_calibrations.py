from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.records.models import AcceptanceOutcome, Calibration, CalibrationReading
from fleetcal.records.services.calibrations import record_calibration, record_calibrations
from fleetcal.records.worksheet import Excuse, Stop
from tests.calibration_factories import (
    CALIBRATED_AT,
    calibration_draft,
    complete_sheet,
    installation_draft,
    make_calibration,
    make_installation,
)
from tests.factories import make_instrument, make_user, make_vehicle

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def test_a_paper_worksheet_that_meets_every_rule_is_recorded_as_accepted() -> None:
    calibration = make_calibration()

    assert calibration.accepted
    assert (calibration.why_not, calibration.method_version) == ("", "2026.1")
    assert calibration.covers_groups == [1, 2]
    axles = list(calibration.axles.all())
    # One row per value that the display takes: this one is set per group.
    assert [(row.axle, row.group, row.empty_kg, row.span_kg) for row in axles] == [
        (1, 1, Decimal("5100.000"), Decimal("2600.000")),
        (2, 2, Decimal("5300.000"), Decimal("12400.000")),
    ]
    assert [(row.tare_entered_kg, row.span_entered_kg) for row in axles] == [(5100, 2600), (5300, 12400)]
    assert all(row.u_empty_kg > 0 and row.u_span_kg > 0 for row in axles)
    assert set(calibration.consistency) == {"empty", "loaded"}
    assert calibration.consistency["empty"]["degrees_of_freedom"] == 2


def test_every_rule_is_stored_with_its_numbers() -> None:
    calibration = make_calibration()

    gross = calibration.outcomes.get(rule="gross_fraction")
    assert (gross.met, gross.value, gross.limit) == (True, Decimal("0.9769"), Decimal("0.9000"))
    rules = set(calibration.outcomes.values_list("rule", flat=True))
    assert {"steer_increase", "axle_maximum", "gross_agreement", "redundancy", "stop_a", "stop_b"} <= rules
    numbers = list(calibration.outcomes.values_list("number", flat=True))
    assert numbers == list(range(1, len(numbers) + 1))


def test_its_entry_in_the_ledger_carries_every_row() -> None:
    calibration = make_calibration()

    entry = entries_of(calibration.vehicle.stream)[-1]
    assert entry.kind == "calibration.accepted"
    counts = {table: len(rows) for table, rows in entry.data["rows"].items()}
    assert counts == {
        "records.calibration": 1,
        "records.calibrationreading": 10,
        "records.calibrationaxle": 2,
        "records.acceptanceoutcome": calibration.outcomes.count(),
    }


def test_a_worksheet_without_stop_b_is_recorded_as_not_accepted_and_says_why() -> None:
    make_installation()
    vehicle = make_vehicle()
    sheet = complete_sheet(make_instrument(), stop_b=None)

    calibration = record_calibration(calibration_draft(vehicle, sheet=sheet), actor=make_user())

    assert not calibration.accepted
    assert "Stop B signed: spans entered and taught: not known" in calibration.why_not
    assert [row.span_entered_kg for row in calibration.axles.all()] == [None, None]
    assert entries_of(vehicle.stream)[-1].kind == "calibration.not_accepted"


def test_an_open_installation_makes_it_not_accepted() -> None:
    make_installation(clock_is_set=False)

    calibration = make_calibration()

    assert not calibration.accepted
    assert "Installation complete" in calibration.why_not


def test_a_bond_that_had_not_cured_makes_it_not_accepted_unless_excused() -> None:
    vehicle = make_installation(happened_at=CALIBRATED_AT - HOUR).vehicle
    late = CALIBRATED_AT - HOUR
    make_installation(
        vehicle,
        happened_at=late,
        bonds=tuple(
            replace(bond, bonded_at=late) for bond in installation_draft(vehicle.systems.get()).bonds
        ),
    )
    refused = make_calibration(vehicle)
    assert not refused.accepted
    assert refused.outcomes.get(rule="bond_cured").met is False

    excuse = Excuse(
        "bond_cured", "the vehicle leaves tonight; early check booked", "a.lindqvale", CALIBRATED_AT
    )
    at = CALIBRATED_AT + timedelta(hours=5)
    accepted = make_calibration(vehicle, at, sheet=complete_sheet(make_instrument(), at, excuses=(excuse,)))
    assert accepted.accepted
    outcome = accepted.outcomes.get(rule="bond_cured")
    assert (outcome.met, outcome.excuse, outcome.excused_by) == (False, excuse.reason, "a.lindqvale")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stop_a": Stop(CALIBRATED_AT + 2.5 * HOUR, "t", {})}, "lies before stop A"),
        ({"stop_a": Stop(CALIBRATED_AT, "t", {})}, "lies after stop A"),
        ({"stop_b": Stop(CALIBRATED_AT + 2 * HOUR, "t", {})}, "lies after stop B"),
        ({"stop_a": None}, "without stop A"),
        ({"readings": ()}, "no reading"),
        ({"covers_groups": (3,)}, "no axle group 3; the vehicle has 2"),
        ({"excuses": (Excuse("axle_maximum", "r", "b", CALIBRATED_AT),)}, "cannot be excused"),
    ],
)
def test_it_refuses_an_order_that_cannot_be_and_leaves_nothing(change: dict[str, Any], words: str) -> None:
    vehicle = make_installation().vehicle
    before = count_of(vehicle.stream)
    draft = calibration_draft(vehicle, sheet=complete_sheet(make_instrument(), **change))

    with pytest.raises(Refused, match=words):
        record_calibration(draft, actor=make_user())

    assert not Calibration.objects.exists()
    assert not CalibrationReading.objects.exists()
    assert count_of(vehicle.stream) == before


def test_it_refuses_a_second_stop_on_another_day() -> None:
    vehicle = make_installation().vehicle
    sheet = complete_sheet(make_instrument(), stop_b=Stop(CALIBRATED_AT + timedelta(days=1), "t", {}))
    draft = calibration_draft(vehicle, sheet=sheet, concluded_at=CALIBRATED_AT + timedelta(days=1, hours=1))

    with pytest.raises(Refused, match="one day and one load"):
        record_calibration(draft, actor=make_user())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"axles": (4,)}, "no axle 4; the vehicle has 3"),
        ({"axles": ()}, "Say which axles"),
        ({"axles": (1, 3)}, "do not stand side by side"),
        ({"value_kg": Decimal(60_181)}, "at most 60.180 kg"),
        ({"value_kg": Decimal(0)}, "above 0"),
        ({"method": "pads", "left_kg": Decimal(1), "right_kg": Decimal(1)}, "not a pair of pads"),
        ({"left_kg": Decimal(1)}, "not left and right"),
    ],
)
def test_it_refuses_a_reading_that_cannot_be(change: dict[str, Any], words: str) -> None:
    vehicle = make_installation().vehicle
    sheet = complete_sheet(make_instrument())
    first = replace(sheet.readings[0], **change)

    with pytest.raises(Refused, match=words):
        record_calibration(
            calibration_draft(vehicle, sheet=replace(sheet, readings=(first, *sheet.readings[1:]))),
            actor=make_user(),
        )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"axles": (1, 2)}, "one axle at a time"),
        ({"right_kg": None}, "enter left and right"),
        ({"right_kg": Decimal(2600)}, "do not add up"),
        ({"left_kg": Decimal(10_451), "value_kg": Decimal(13_001)}, "at most 10.450 kg"),
    ],
)
def test_it_refuses_pads_that_cannot_be(change: dict[str, Any], words: str) -> None:
    vehicle = make_installation().vehicle
    sheet, pads = complete_sheet(make_instrument()), make_instrument("Pads", kind="pads")
    pair = replace(
        sheet.readings[0],
        method="pads",
        instrument_id=pads.pk,
        left_kg=Decimal(2550),
        right_kg=Decimal(2550),
        value_kg=Decimal(5100),
    )

    with pytest.raises(Refused, match=words):
        record_calibration(
            calibration_draft(
                vehicle, sheet=replace(sheet, readings=(replace(pair, **change), *sheet.readings[1:]))
            ),
            actor=make_user(),
        )


def test_many_are_recorded_in_as_many_queries_as_few() -> None:
    vehicle = make_installation().vehicle
    actor = make_user()
    drafts = [calibration_draft(vehicle, CALIBRATED_AT + timedelta(days=30 * n)) for n in range(6)]

    def count(some: list[Any]) -> int:
        with CaptureQueriesContext(connection) as queries:
            record_calibrations(some, actor=actor)
        return len(queries)

    few = count(drafts[:1])
    # Five times the rows need a second batch of some tables, not more.
    assert count(drafts[1:]) < few + 5
    assert Calibration.objects.filter(accepted=True).count() == 6


def test_one_refusal_among_many_leaves_none() -> None:
    vehicle = make_installation().vehicle
    good = calibration_draft(vehicle)
    bad = calibration_draft(vehicle, CALIBRATED_AT + timedelta(days=40), concluded_at=CALIBRATED_AT)

    with pytest.raises(Refused, match="cannot end before it began"):
        record_calibrations([good, bad], actor=make_user())

    assert not Calibration.objects.exists()
    assert not AcceptanceOutcome.objects.exists()
