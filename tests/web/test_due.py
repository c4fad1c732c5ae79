"""The due list: what stands on it, for whom, and how it leaves as a file."""

import csv
from datetime import date, timedelta
from io import BytesIO, StringIO

import openpyxl
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleetcal.evaluation.models import Standing
from fleetcal.evaluation.services import evaluate
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def fleet() -> None:
    factories.make_policy()
    factories.make_instrument()
    factories.make_system(factories.make_vehicle("KJ-204"))
    other = factories.make_depot("FEN", name="Fennow Wharf")
    factories.make_vehicle("ZN-118", depot=other, fleet_number="R2")
    evaluate(timezone.localdate())


def signed_in(**user: object) -> Client:
    client = Client()
    client.force_login(factories.make_user(**user))  # type: ignore[arg-type]
    return client


def test_it_says_the_state_of_the_fleet_in_words(fleet: None) -> None:
    page = signed_in().get("/").content.decode()
    assert "2 vehicles: 2 without an accepted calibration." in page
    assert "Calibrate" in page


def test_an_empty_installation_is_told_what_to_do_first() -> None:
    page = signed_in().get("/").content.decode()
    assert "Begin here" in page
    assert reverse("vehicle_import") in page


def test_it_shows_only_the_vehicles_of_the_persons_depots(fleet: None) -> None:
    depot = factories.make_depot("FEN")
    page = signed_in(username="m.ferrowby", depots=(depot,)).get("/?when=all").content.decode()
    assert "ZN-118" in page
    assert "KJ-204" not in page


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("q=kj204", {"KJ-204"}),
        ("q=kj 20", {"KJ-204"}),
        ("q=nothing-like-it", set()),
        ("standing=not on record", {"KJ-204", "ZN-118"}),
        ("standing=reliable", set()),
        ("action=calibrate&when=past", {"KJ-204", "ZN-118"}),
        ("kind=trailer", set()),
    ],
)
def test_filters_stay_in_the_address(fleet: None, query: str, expected: set[str]) -> None:
    page = signed_in().get(f"/?when=all&{query}").content.decode()
    assert {plate for plate in ("KJ-204", "ZN-118") if f">{plate}<" in page} == expected


def test_a_filter_that_does_not_exist_is_an_error_beside_its_field_and_not_a_crash(fleet: None) -> None:
    response = signed_in().get("/?standing=perfect&depot=x&when=never")
    assert response.status_code == 200
    assert "errorlist" in response.content.decode()


def test_a_reference_instrument_stands_on_the_same_list(fleet: None) -> None:
    page = signed_in().get("/?when=all").content.decode()
    assert "Verify" in page


def test_it_exports_what_is_filtered(fleet: None) -> None:
    client = signed_in()
    text = client.get("/?when=all&q=kj204&export=csv").content.decode("utf-8-sig")
    assert "KJ-204" in text
    assert "ZN-118" not in text
    sheet = openpyxl.load_workbook(BytesIO(client.get("/?when=all&export=xlsx").content)).active
    assert sheet is not None
    plates = {row[0] for row in sheet.iter_rows(min_row=2, values_only=True)}
    assert plates >= {"KJ-204", "ZN-118"}


def test_the_last_error_leaves_as_numbers(fleet: None) -> None:
    Standing.objects.filter(vehicle__registration="KJ-204").update(
        strip={"error": "-0.2346", "U": "0.61", "tolerance": "3", "guard": "0.61"}
    )
    content = signed_in().get("/?when=all&q=kj204&export=csv").content.decode("utf-8-sig")
    row = next(csv.DictReader(StringIO(content)))
    assert row["Last error, gross, %"] == "-0.23"
    assert (row["U, %"], row["Tolerance ±, %"]) == ("0.61", "3.00")


def test_a_vehicle_that_was_just_registered_appears_without_waiting_for_the_night(
    fleet: None, django_capture_on_commit_callbacks: object
) -> None:
    factories.make_vehicle("UP-164", fleet_number="R3")
    client = signed_in()
    with django_capture_on_commit_callbacks(execute=True):  # type: ignore[operator]
        client.get("/")
    assert "UP-164" in client.get("/").content.decode()


def test_the_day_is_said_in_words(fleet: None) -> None:
    page = signed_in().get("/?when=all").content.decode()
    since = date(2023, 4, 3)
    assert f"{(timezone.localdate() - since) // timedelta(days=1)} days ago" in page
