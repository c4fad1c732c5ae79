from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

import pytest

from fleetcal.fleet.models import Axle, AxleGroup, Vehicle
from fleetcal.fleet.selectors import shape_of
from fleetcal.fleet.services.depots import DepotDraft, change_depot
from fleetcal.fleet.services.vehicles import (
    change_vehicle,
    register_vehicle,
    register_vehicles,
)
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import counts_of, entries_of
from fleetcal.ledger.verification import verify
from tests.factories import (
    BUILDS,
    IN_SERVICE_ON,
    kg,
    make_depot,
    make_user,
    make_vehicle,
    registrar,
    vehicle_draft,
)

pytestmark = pytest.mark.django_db


def test_a_vehicle_is_registered_with_its_groups_and_axles_in_one_entry_of_its_own_stream() -> None:
    vehicle = register_vehicle(vehicle_draft(vin=" 0btabcdefgh123456 "), actor=make_user())
    [entry] = entries_of(vehicle.stream)
    assert (entry.kind, entry.actor) == ("vehicle.registered", "t.osgarde")
    assert vehicle.vin == "0BTABCDEFGH123456"
    shape = shape_of(vehicle)
    assert [(group.suspension, group.max_kg, group.axles) for group in shape.groups] == [
        ("steel", 8_000, (1,)),
        ("air", 19_000, (2, 3)),
    ]
    assert [(axle.spacing_mm, axle.is_driven, axle.is_lift) for axle in shape.axles] == [
        (None, False, False),
        (4_500, True, False),
        (1_370, False, True),
    ]
    assert list(verify()) == []


def test_many_are_registered_together_and_the_progress_is_told() -> None:
    told: list[int] = []
    drafts = [vehicle_draft(f"KJ-{number}") for number in range(100, 130)]
    vehicles = register_vehicles(drafts, actor=registrar(), progress=told.append)
    assert [vehicle.registration for vehicle in vehicles] == [draft.registration for draft in drafts]
    assert told == [30]
    assert Axle.objects.count() == 90


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        (
            {"registration": "kj 204"},
            "registration",
            "Registration KJ 204 is already on record.*KJ-204.*FKJ-204",
        ),
        ({"fleet_number": "FKJ-204"}, "fleet_number", "FKJ-204 is already on record"),
        ({"vin": "0BTABCDEFGH123456"}, "vin", "0BTABCDEFGH123456 is already on record"),
        ({"vin": "0BTABCDEFGH12345O"}, "vin", "17 letters and digits"),
        ({"registration": ""}, "registration", "cannot be blank"),
        ({"registration": "- -"}, "registration", "neither letters nor digits"),
        ({"kind": "boat"}, "kind", "not a valid choice"),
        ({"depot_id": UUID(int=1)}, "depot", "no such depot"),
        ({"retired_on": date(2020, 1, 1)}, "retired_on", "retired on 2020-01-01, before that"),
    ],
)
def test_a_vehicle_that_cannot_be_is_refused_and_leaves_nothing(
    change: dict[str, Any], field: str, words: str
) -> None:
    make_vehicle(vin="0BTABCDEFGH123456")
    entries = counts_of()
    draft = replace(vehicle_draft("KJ-999"), **change)
    with pytest.raises(Refused, match=words) as refusal:
        register_vehicle(draft, actor=registrar())
    assert refusal.value.field == field
    assert counts_of() == entries
    assert Vehicle.objects.count() == 1


def test_two_of_one_list_with_the_same_plate_are_refused() -> None:
    drafts = [vehicle_draft("KJ-1"), replace(vehicle_draft("KJ 1"), fleet_number="2")]
    with pytest.raises(Refused, match="earlier in the same list, for vehicle KJ-1 with fleet number FKJ-1"):
        register_vehicles(drafts, actor=registrar())
    assert not Vehicle.objects.exists()


def test_vehicles_without_a_vin_do_not_collide() -> None:
    register_vehicles([vehicle_draft("KJ-1"), vehicle_draft("KJ-2")], actor=registrar())
    assert Vehicle.objects.filter(vin__isnull=True).count() == 2


def test_a_failure_while_writing_leaves_neither_rows_nor_entry(monkeypatch: pytest.MonkeyPatch) -> None:
    draft = vehicle_draft()
    entries = counts_of()

    def fail(self: Axle, *args: Any, **kwargs: Any) -> None:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(Axle, "save", fail)
    with pytest.raises(RuntimeError):
        register_vehicle(draft, actor=registrar())
    assert counts_of() == entries
    assert not Vehicle.objects.exists()
    assert not AxleGroup.objects.exists()


def test_a_race_for_a_plate_is_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    make_vehicle()
    monkeypatch.setattr("fleetcal.fleet.services.vehicles._refuse_doubles", lambda vehicles: None)
    with pytest.raises(Refused, match="at this moment"):
        register_vehicle(replace(vehicle_draft(), fleet_number="2"), actor=registrar())
    assert Vehicle.objects.count() == 1


def test_identity_plate_values_and_layout_change_on_the_same_rows() -> None:
    vehicle = make_vehicle()
    axles = list(Axle.objects.order_by("number").values_list("pk", flat=True))
    build = BUILDS["rigid3"]
    layout = replace(build.layout, axle_max_kg=kg(8_000, 11_500, 8_000), suspension=("air", "air"))
    changed = change_vehicle(
        vehicle,
        replace(vehicle_draft("KJ-205"), layout=layout, max_gross_kg=Decimal(25_000)),
        actor=make_user(),
        reason="new plate",
    )
    assert changed.pk == vehicle.pk
    assert list(Axle.objects.order_by("number").values_list("pk", flat=True)) == axles
    shape = shape_of(changed)
    assert (shape.registration, shape.max_gross_kg, shape.suspension) == ("KJ-205", 25_000, "air")
    assert shape.group(2).max_kg == 19_500
    [_, entry] = entries_of(vehicle.stream)
    assert (entry.kind, entry.reason) == ("vehicle.changed", "new plate")
    assert list(verify()) == []


def test_an_axle_may_be_added_behind() -> None:
    vehicle = make_vehicle(layout="rigid2")
    change_vehicle(vehicle, vehicle_draft(layout="rigid3"), actor=registrar())
    assert [group.axles for group in shape_of(vehicle).groups] == [(1,), (2, 3)]


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("rigid3", "rigid2", "3 axles are on record and 2 are given"),
        ("rigid3", "trailer3", "2 axle groups are on record and 1"),
    ],
)
def test_axles_and_groups_are_never_taken_away(before: str, after: str, words: str) -> None:
    vehicle = make_vehicle(layout=before)
    with pytest.raises(Refused, match=words):
        change_vehicle(vehicle, vehicle_draft(layout=after), actor=registrar())
    assert len(entries_of(vehicle.stream)) == 1


def test_changing_a_vehicle_to_another_ones_plate_is_refused() -> None:
    vehicle = make_vehicle("KJ-1")
    make_vehicle("KJ-2")
    with pytest.raises(Refused, match="KJ-2 is already on record"):
        change_vehicle(vehicle, vehicle_draft("KJ-2", fleet_number="FKJ-1"), actor=registrar())


def test_a_vehicle_keeps_a_depot_that_was_closed_after_it_retired() -> None:
    retired = vehicle_draft(retired_on=date(2025, 1, 1))
    vehicle = change_vehicle(make_vehicle(), retired, actor=registrar())
    change_depot(make_depot(), DepotDraft("MIL", "Millbridge", is_closed=True), actor=registrar())
    change_vehicle(vehicle, retired, actor=registrar())
    with pytest.raises(Refused, match="closed"):
        register_vehicle(vehicle_draft("KJ-9"), actor=registrar())


def test_a_vehicle_retires_and_comes_back() -> None:
    vehicle = make_vehicle()
    with pytest.raises(Refused, match=f"In service on {IN_SERVICE_ON}, but retired on 2022-01-01"):
        change_vehicle(vehicle, vehicle_draft(retired_on=date(2022, 1, 1)), actor=registrar())
    change_vehicle(vehicle, vehicle_draft(retired_on=date(2025, 1, 1)), actor=registrar(), reason="sold")
    assert not Vehicle.objects.in_service().exists()
    change_vehicle(vehicle, vehicle_draft(), actor=registrar(), reason="the sale fell through")
    assert Vehicle.objects.in_service().exists()
    assert [entry.kind for entry in entries_of(vehicle.stream)] == [
        "vehicle.registered",
        *["vehicle.changed"] * 2,
    ]
