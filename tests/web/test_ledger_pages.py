"""Activity and single entries: what is in them, who sees them, and that the bytes handed out are those of the digest."""

import hashlib
from datetime import timedelta
from io import BytesIO

import openpyxl
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.chain import CONTEXT
from fleetcal.ledger.selectors import count_of, entry_at
from fleetcal.ledger.services import FLEET_STREAM, Draft, record
from tests.factories import make_depot, make_policy, make_system, make_vehicle, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    vehicle = make_vehicle("KJ-204")
    make_system(vehicle)
    return vehicle


def activity(client: Client, **query: str) -> str:
    return client.get(reverse("activity"), query).content.decode()


def test_it_tells_what_was_recorded_by_whom(client: Client, vehicle: Vehicle):
    page = activity(signed_in(client))
    assert "Vehicle registered: KJ-204" in page
    assert "Weighing system fitted: D-1001" in page
    assert "Policy created" in page
    assert "registrar" in page
    assert reverse("entry", args=[vehicle.stream, 1]) in page


@pytest.mark.parametrize(
    ("query", "shown"),
    [
        ({"vehicle": "kj204"}, {"KJ-204"}),
        ({"vehicle": "nothing"}, set()),
        ({"kind": "system.fitted"}, {"KJ-204"}),
        ({"kind": "check.recorded"}, set()),
        ({"actor": "registrar", "kind": "vehicle.registered"}, {"KJ-204", "ZN-118"}),
        ({"actor": "fleetcal"}, set()),
    ],
)
def test_filters_stay_in_the_address(
    client: Client, vehicle: Vehicle, query: dict[str, str], shown: set[str]
):
    make_vehicle("ZN-118")
    page = activity(signed_in(client), **query)
    assert {plate for plate in ("KJ-204", "ZN-118") if f">{plate}<" in page} == shown


def test_days_are_those_of_the_reader(client: Client, vehicle: Vehicle):
    person = signed_in(client, time_zone="Pacific/Auckland")
    entry = entry_at(vehicle.stream, 0)
    assert entry is not None
    with timezone.override("Pacific/Auckland"):
        day = timezone.localdate(entry.at)
    on_the_day = activity(person, vehicle="kj204", since=day.isoformat(), until=day.isoformat())
    assert "Vehicle registered" in on_the_day
    before = (day - timedelta(days=1)).isoformat()
    assert "Vehicle registered" not in activity(person, vehicle="kj204", until=before)


def test_a_filter_that_makes_no_sense_is_an_error_beside_its_field(client: Client, vehicle: Vehicle):
    page = activity(signed_in(client), kind="x", since="never", actor="nobody")
    assert page.count("errorlist") == 3


def test_a_page_asks_no_more_for_more_entries(client: Client, vehicle: Vehicle):
    person, counts = signed_in(client), []
    for number in range(2):
        with CaptureQueriesContext(connection) as asked:
            activity(person)
        counts.append(len(asked))
        for n in range(8):
            make_vehicle(f"ZN-{number}{n}")
    assert counts[0] == counts[1]


def test_it_exports_what_is_filtered_and_no_formula(client: Client, vehicle: Vehicle):
    record(Draft(stream=vehicle.stream, kind="note.made", actor="registrar", reason="=1+1"))
    person = signed_in(client)
    rows = activity(person, vehicle="kj204", export="csv")
    assert "'=1+1" in rows
    assert entry_at(vehicle.stream, 0).digest in rows  # type: ignore[union-attr]  # the vehicle was registered
    book = openpyxl.load_workbook(BytesIO(person.get(reverse("activity"), {"export": "xlsx"}).content))
    assert book.active is not None
    assert book.active.max_row == 1 + count_of(vehicle.stream) + count_of(FLEET_STREAM)


def test_only_the_streams_of_ones_own_depots_are_seen(client: Client, vehicle: Vehicle):
    other = make_depot("FEN")
    make_vehicle("ZN-118", depot=other)
    stranger = signed_in(client, "c.penhallow", role="compliance", depots=(other,))
    page = activity(stranger)
    assert "ZN-118" in page
    assert "KJ-204" not in page
    assert "Policy created" not in page
    for stream in (vehicle.stream, FLEET_STREAM):
        assert stranger.get(reverse("entry", args=[stream, 0])).status_code == 404


@pytest.mark.parametrize("role", ["workshop", "clerk"])
def test_a_role_that_sees_no_evidence_is_refused(client: Client, vehicle: Vehicle, role: str):
    person = signed_in(client, "someone", role=role)
    assert person.get(reverse("activity")).status_code == 403
    assert person.get(reverse("entry", args=[vehicle.stream, 0])).status_code == 403


def test_nothing_can_be_posted(client: Client, vehicle: Vehicle):
    for address in (reverse("activity"), reverse("entry", args=[vehicle.stream, 0])):
        assert signed_in(client).post(address).status_code == 405


def test_an_entry_shows_everything_it_holds(client: Client, vehicle: Vehicle):
    page = signed_in(client).get(reverse("entry", args=[vehicle.stream, 0])).content.decode()
    entry = entry_at(vehicle.stream, 0)
    assert entry is not None
    assert entry.digest in page
    assert "maximum gross weight (rating plate)" in page
    assert "26000.000" in page
    assert "none: this is the first entry" in page
    assert reverse("entry", args=[vehicle.stream, 1]) in page


def test_an_entry_names_the_digest_of_the_one_before(client: Client, vehicle: Vehicle):
    page = signed_in(client).get(reverse("entry", args=[vehicle.stream, 1])).content.decode()
    assert entry_at(vehicle.stream, 0).digest in page  # type: ignore[union-attr]  # the vehicle was registered


def test_the_bytes_that_are_handed_out_are_those_of_the_digest(client: Client, vehicle: Vehicle):
    response = signed_in(client).get(reverse("entry", args=[vehicle.stream, 1]), {"export": "bytes"})
    entry = entry_at(vehicle.stream, 1)
    assert entry is not None
    assert hashlib.sha256(CONTEXT + response.content).hexdigest() == entry.digest
    assert response["Content-Disposition"].startswith("attachment")


def test_the_fleets_own_entries_are_shown_too(client: Client, vehicle: Vehicle):
    person = signed_in(client)
    for seq in range(count_of(FLEET_STREAM)):
        assert person.get(reverse("entry", args=[FLEET_STREAM, seq])).status_code == 200


@pytest.mark.parametrize(
    "address", ["/ledger/nothing/0/", "/ledger/fleet/99999999999999999999999/", "/ledger/fleet/0/?export=xml"]
)
def test_what_does_not_exist_is_not_found(client: Client, vehicle: Vehicle, address: str):
    assert signed_in(client).get(address).status_code == 404


def test_an_entry_that_is_not_there_is_not_found(client: Client, vehicle: Vehicle):
    person = signed_in(client)
    assert person.get(reverse("entry", args=[vehicle.stream, 99])).status_code == 404
    assert person.get(reverse("entry", args=[vehicle.stream.upper(), 0])).status_code == 404
