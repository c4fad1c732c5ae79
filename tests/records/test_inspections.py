"""The report of an approved workshop: its content by Article 4(5) of Regulation (EU) 2019/1213, the fact and its entry."""

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
import time_machine

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.records.inspection_findings import judge_inspection
from fleetcal.records.models import Inspection
from fleetcal.records.services.corrections import withdraw
from fleetcal.records.services.inspections import InspectionDraft, record_inspection
from tests.factories import make_depot, make_user, make_vehicle

pytestmark = pytest.mark.django_db
VIN = "XKL7300000A204026"


@pytest.fixture
def vehicle() -> Vehicle:
    return make_vehicle(vin=VIN)


def draft_of(vehicle: Vehicle, **fields: Any) -> InspectionDraft:
    draft = InspectionDraft(
        vehicle_id=vehicle.pk,
        inspected_on=date(2025, 4, 8),
        vin=vehicle.vin or VIN,
        place="Hexley",
        test="three loads",
        passed=True,
        next_due_on=date(2027, 4, 8),
        workshop_name="Carnow Truck Workshop",
        workshop_address="4 Mill Lane, Hexley",
        workshop_number="HX-114",
        inspector="Orla Denvick",
        device_mark="Tarnwick",
        device_type="P10",
        device_number="77-310",
        device_examination="TX-2201",
        device_verified_on=date(2025, 1, 14),
    )
    return replace(draft, **fields)


def loads(*pairs: tuple[int, int]) -> tuple[tuple[Decimal, Decimal], ...]:
    return tuple((Decimal(reference), Decimal(indicated)) for reference, indicated in pairs)


def test_it_records_the_report_and_one_entry(vehicle: Vehicle) -> None:
    before = count_of(vehicle.stream)
    recorded = record_inspection(
        draft_of(vehicle, vin=" xkl7300000a 204026", points=loads((13_000, 13_500))), actor=make_user()
    )
    stored = Inspection.objects.get(pk=recorded.pk)
    assert (stored.vin, stored.passed, stored.test) == (VIN, True, "three loads")
    assert (stored.maximum_kg, stored.points) == (vehicle.max_gross_kg, [["13000.000", "13500.000"]])
    [entry] = entries_of(vehicle.stream)[before:]
    assert entry.kind == "inspection.recorded"
    row = entry.data["rows"]["records.inspection"][0]
    assert (row["workshop_number"], row["device_examination"], row["next_due_on"]) == (
        "HX-114",
        "TX-2201",
        "2027-04-08",
    )


def test_a_report_names_a_day_and_stands_at_its_noon_at_the_depot() -> None:
    far = make_vehicle("KJ-300", depot=make_depot("AKL", time_zone="Pacific/Auckland"))
    recorded = record_inspection(draft_of(far), actor=make_user())
    assert recorded.happened_at == datetime(2025, 4, 8, 0, 0, tzinfo=UTC)


@time_machine.travel(datetime(2025, 4, 8, 8, 30, tzinfo=UTC), tick=False)
def test_a_report_of_this_morning_is_not_of_a_time_to_come(vehicle: Vehicle) -> None:
    assert record_inspection(draft_of(vehicle), actor=make_user()).happened_at.hour == 8


FAILED = {"passed": False, "next_due_on": None}


@pytest.mark.parametrize(
    ("fields", "field", "words"),
    [
        ({"inspected_on": date(2999, 1, 1)}, "inspected_on", "still to come"),
        ({"inspected_on": date(2023, 2, 28)}, "inspected_on", "registered on 2023-03-01"),
        ({"next_due_on": None}, "next_due_on", "the report names"),
        ({"next_due_on": date(2025, 4, 8)}, "next_due_on", "this one was on 2025-04-08"),
        ({"device_verified_on": date(2025, 4, 9)}, "device_verified_on", "after the inspection"),
        ({"vin": "XKL7300000A204027"}, "vin", "look at the report again"),
        ({"vin": " "}, "vin", "look at the report again"),
        (FAILED, "deficiencies", "was not passed"),
        ({"manipulation_found": True}, "deficiencies", "manipulation was found"),
        ({"test": "two loads"}, "test", "not a valid choice"),
        ({"stage": 3}, "stage", "not a valid choice"),
        ({"place": ""}, "place", "cannot be blank"),
        ({"inspector": "x" * 81}, "inspector", "at most 80"),
        ({"maximum_kg": Decimal(0)}, "maximum_kg", "greater than or equal"),
        ({"points": loads(*[(13_000, 13_000)] * 4)}, "test", "4 loads are given"),
        ({"test": "single load", "points": loads((1, 1), (2, 2))}, "test", "has 1 at most"),
        ({"points": loads((0, 10))}, "reference_1", "cannot be"),
        ({"points": ((Decimal("NaN"), Decimal(1)),)}, "reference_1", "cannot be"),
        ({"points": loads((13_000, 200_001))}, "reference_1", "200001 kg indicated"),
    ],
)
def test_it_refuses_what_cannot_be_and_leaves_neither_fact_nor_entry(
    vehicle: Vehicle, fields: dict[str, Any], field: str, words: str
) -> None:
    before = count_of(vehicle.stream)
    with pytest.raises(Refused, match=words) as refusal:
        record_inspection(draft_of(vehicle, **fields), actor=make_user())
    assert refusal.value.field == field
    assert not Inspection.objects.exists()
    assert count_of(vehicle.stream) == before


def test_a_failed_inspection_need_not_name_the_next_one(vehicle: Vehicle) -> None:
    recorded = record_inspection(
        draft_of(vehicle, **FAILED, deficiencies="Axle 2 reads low."), actor=make_user()
    )
    assert (recorded.passed, recorded.next_due_on) == (False, None)


def test_a_vehicle_without_a_vin_takes_the_number_of_the_report() -> None:
    recorded = record_inspection(draft_of(make_vehicle("KJ-9"), vin="ch 204"), actor=make_user())
    assert recorded.vin == "CH204"


def test_the_same_report_is_refused_the_second_time_and_another_result_is_not(vehicle: Vehicle) -> None:
    record_inspection(draft_of(vehicle, **FAILED, deficiencies="Axle 2 reads low."), actor=make_user())
    with pytest.raises(Refused, match="on record already"):
        record_inspection(draft_of(vehicle, **FAILED, deficiencies="Typed again."), actor=make_user())
    record_inspection(draft_of(vehicle), actor=make_user())
    assert Inspection.objects.count() == 2


def test_a_correction_takes_its_place_and_a_withdrawal_leaves_nothing_standing(vehicle: Vehicle) -> None:
    first = record_inspection(draft_of(vehicle), actor=make_user())
    with pytest.raises(Refused, match="Say why"):
        record_inspection(draft_of(vehicle, supersedes=first.pk), actor=make_user())
    corrected = record_inspection(
        draft_of(vehicle, place="Millbridge", supersedes=first.pk, reason="misread"), actor=make_user()
    )
    assert [*Inspection.objects.standing()] == [corrected]
    assert entries_of(vehicle.stream)[-1].kind == "record.corrected"
    withdrawal = withdraw(corrected, actor=make_user(), reason="of another vehicle")
    assert not Inspection.objects.standing().exists()
    again = draft_of(vehicle, supersedes=withdrawal.pk, reason="it was of this one")
    assert record_inspection(again, actor=make_user()).place == "Hexley"


@pytest.mark.parametrize(
    ("fields", "sentences"),
    [
        # The vehicle's maximum is 26 000 kg: 50, 70 and 95 % of it are 13 000, 18 200 and 24 700 kg.
        ({}, ()),
        (
            {"points": loads((13_000, 13_500), (18_200, 18_000), (24_700, 25_900))},
            ("The errors lie within the limits at all three loads.",),
        ),
        # +5.06 % near full load is outside ±5 % (Annex I 8.1) and inside ±10 % (8.2).
        (
            {"points": loads((13_000, 13_500), (18_200, 18_000), (24_700, 25_950))},
            (
                "Outside the limit at 90 % and more of the maximum.",
                "The regulation joins the full load and the lower loads with “and”; here only one of the two holds.",
            ),
        ),
        (
            {"points": loads((13_000, 13_500), (18_200, 18_000), (24_700, 25_950)), "stage": 1},
            ("The errors lie within the limits at all three loads.",),
        ),
        # −15.4 % at half load is outside ±15 % (Annex IV 9(b)).
        (
            {"points": loads((13_000, 11_000), (24_700, 26_000))},
            (
                "Outside the limit at 45 to 55 % and 90 % and more of the maximum.",
                "The regulation joins the full load and the lower loads with “and”; here both hold.",
                "No load is given at 65 to 75 % of the maximum.",
            ),
        ),
        (
            {"points": loads((20_800, 20_800)), "test": "single load"},
            ("The load was 80.0 % of the maximum; a test with a single load is made at 90 % or more.",),
        ),
        ({"points": loads((24_700, 24_700)), "test": "single load"}, ("The error lies within ±5 %.",)),
        ({"points": loads((24_700, 23_400)), "test": "single load"}, ("The error lies outside ±5 %.",)),
        # With a trailer coupled the loads are a share of the combination's maximum.
        ({"points": loads((39_000, 39_000)), "test": "single load", "maximum_kg": Decimal(40_000)}, ("The error lies within ±5 %.",)),
    ],
)  # fmt: skip
def test_the_loads_are_held_against_the_regulation_for_information(
    vehicle: Vehicle, fields: dict[str, Any], sentences: tuple[str, ...]
) -> None:
    found = judge_inspection(record_inspection(draft_of(vehicle, **fields), actor=make_user()))
    assert found.sentences == sentences
    assert len(found.points) == len(fields.get("points", ()))
