"""What nobody types and somebody sends: it is answered on the page, never by a fault of the server."""

import csv
from collections.abc import Callable
from datetime import UTC, datetime
from io import BytesIO, StringIO
from typing import Any
from zoneinfo import ZoneInfo

import openpyxl
import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from pytest_django import Settings

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.services import Draft, record
from fleetcal.records.models import Check, Repair
from fleetcal.records.services.worksheets import open_worksheet
from fleetcal.web.forms.measurements import MomentField
from tests.calibration_factories import make_calibration
from tests.factories import (
    make_depot,
    make_instrument,
    make_policy,
    make_system,
    make_vehicle,
    registrar,
    signed_in,
)

pytestmark = pytest.mark.django_db

MANY_DIGITS = "9" * 5_000


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    make_instrument()
    vehicle = make_vehicle("KJ-204")
    make_system(vehicle)
    return vehicle


Address = Callable[[Vehicle], str]


def of_vehicle(name: str) -> Address:
    return lambda vehicle: reverse(name, args=[vehicle.pk])


def plain(name: str) -> Address:
    return lambda vehicle: reverse(name)


@pytest.mark.parametrize(
    ("address", "query"),
    [
        (plain("due"), {"per_page": "-1"}),
        (plain("due"), {"page": "-1"}),
        (plain("due"), {"page": MANY_DIGITS}),
        (plain("vehicle_list"), {"per_page": "0"}),
        (of_vehicle("vehicle"), {"day": "0001-01-01"}),
        (of_vehicle("vehicle"), {"day": "9999-12-31"}),
        (of_vehicle("vehicle_edit"), {"axles": MANY_DIGITS}),
        (of_vehicle("vehicle_edit"), {"axles": "-3"}),
        (of_vehicle("system_edit"), {"sensors": MANY_DIGITS}),
        (of_vehicle("repair_effect"), {"axle": MANY_DIGITS, "component": "leaf spring"}),
        (lambda vehicle: reverse("policy", args=[make_policy().pk]), {"version": MANY_DIGITS}),
    ],
)
def test_an_address_that_asks_for_nonsense_gets_a_page(
    client: Client, vehicle: Vehicle, address: Address, query: dict[str, str]
) -> None:
    assert signed_in(client).get(address(vehicle), query).status_code == 200


def test_a_page_of_a_table_is_as_long_as_we_say(client: Client, vehicle: Vehicle) -> None:
    make_vehicle("ZN-118")
    page = signed_in(client).get(reverse("vehicle_list"), {"per_page": "1"}).content.decode()
    assert "KJ-204" in page
    assert "ZN-118" in page


def test_control_characters_in_a_search_are_passed_over(client: Client, vehicle: Vehicle) -> None:
    answer = signed_in(client).get(reverse("check_start"), {"q": "kj\x00 204"})
    assert answer.headers["Location"] == reverse("check_new", args=[vehicle.pk])


@pytest.mark.parametrize("weight", ["9" * 30, "9" * 25 + ",5", MANY_DIGITS])
def test_a_weight_of_too_many_digits_is_refused_beside_its_field(
    client: Client, vehicle: Vehicle, weight: str
) -> None:
    page = reverse("check_new", args=[vehicle.pk])
    answer = signed_in(client).post(page, {"gross_reference": weight})
    assert "at most 24 characters" in str(answer.context["form"].errors["gross_reference"])
    assert Check.objects.count() == 0


@pytest.mark.parametrize(("name", "model"), [("check_new", Check), ("repair_new", Repair)])
def test_an_odometer_that_no_vehicle_has_is_refused(
    client: Client, vehicle: Vehicle, name: str, model: type[Check | Repair]
) -> None:
    answer = signed_in(client).post(reverse(name, args=[vehicle.pk]), {"odometer_km": str(2**63)})
    assert "less than or equal to 9999999" in str(answer.context["form"].errors["odometer_km"])
    assert model._default_manager.count() == 0


def test_a_worksheet_sent_with_a_revision_of_too_many_digits_is_turned_down(client: Client) -> None:
    vehicle = make_calibration().vehicle
    page = reverse("worksheet", args=[open_worksheet(actor=registrar(), vehicle=vehicle).pk])
    filled = {"step": "remove", "revision": MANY_DIGITS, "number": "1"}
    assert signed_in(client).post(page, filled).status_code == 400
    assert client.get(page, {"reading": MANY_DIGITS}).status_code == 200


def test_more_than_is_taken_at_once_is_refused_before_it_is_read(
    client: Client, vehicle: Vehicle, settings: Settings
) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1_000
    sent = {"kind": "tickets", "file": BytesIO(b"x" * 2_000)}
    answer = signed_in(client).post(reverse("import_start"), sent)
    assert answer.status_code == 413
    assert "taken at once" in answer.content.decode()


# Europe/Berlin: 29 March 2026 02:00 → 03:00, 25 October 2026 03:00 → 02:00 (IANA time zone database).
@pytest.mark.parametrize(
    ("typed", "zone", "moment"),
    [
        ("2026-10-25T02:30", "Europe/Berlin", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        ("2026-07-01T02:30", "Europe/Berlin", datetime(2026, 7, 1, 0, 30, tzinfo=UTC)),
        ("2026-10-25T02:30", "UTC", datetime(2026, 10, 25, 2, 30, tzinfo=UTC)),
    ],
)
def test_the_first_of_a_repeated_hour_is_taken(typed: str, zone: str, moment: datetime) -> None:
    with timezone.override(zone):
        assert MomentField().clean(typed).astimezone(UTC) == moment


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("2026-03-29T02:30", "does not exist on that day"),
        ("0001-01-01T00:00", "between the years"),
        ("9999-12-31T23:59", "between the years"),
        ("yesterday", "valid date"),
    ],
)
def test_a_moment_that_cannot_be_is_refused(typed: str, words: str) -> None:
    with timezone.override("Europe/Berlin"), pytest.raises(ValidationError, match=words):
        MomentField().clean(typed)


def test_no_page_is_kept_for_the_next_person(client: Client, vehicle: Vehicle) -> None:
    header = signed_in(client).get(reverse("vehicle", args=[vehicle.pk])).headers["Cache-Control"]
    assert set(header.split(", ")) == {"private", "no-cache"}


@pytest.mark.parametrize("file_format", ["csv", "xlsx"])
def test_a_name_with_control_characters_or_a_formula_leaves_in_every_export(
    client: Client, file_format: str
) -> None:
    make_instrument(name="\x01=1+1\x0bx")
    make_instrument(name="=2+2", serial="B-2")
    answer = signed_in(client).get(reverse("instrument_list"), {"export": file_format})
    [headings, *rows] = rows_of(answer.content, file_format)
    assert {row[headings.index("Name")] for row in rows} == {"�=1+1�x", "'=2+2"}


def test_an_export_tells_times_as_its_page_does(client: Client, vehicle: Vehicle) -> None:
    moment = record(Draft(stream=vehicle.stream, kind="noted", actor="registrar")).at
    answer = signed_in(client, time_zone="Asia/Tokyo").get(reverse("activity"), {"export": "csv"})
    there = moment.astimezone(ZoneInfo("Asia/Tokyo"))
    assert f"{there:%Y-%m-%d %H:%M}" in answer.content.decode("utf-8-sig")


def test_nobody_works_at_a_depot_by_a_key_that_no_account_can_have(client: Client) -> None:
    page = reverse("depot_people", args=[make_depot().pk])
    answer = signed_in(client, role="administrator").post(page, {"people": ["9" * 30]})
    assert "Nobody has the key" in str(answer.context["people"].errors["people"])


def rows_of(content: bytes, file_format: str) -> list[list[Any]]:
    if file_format == "csv":
        return list(csv.reader(StringIO(content.decode("utf-8-sig"))))
    sheet: Any = openpyxl.load_workbook(BytesIO(content)).active
    return [list(row) for row in sheet.values]
