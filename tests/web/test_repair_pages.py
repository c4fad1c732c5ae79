"""The pages that log suspension work and say what it means."""

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Vehicle
from fleetcal.records.models import Attachment, Repair
from fleetcal.records.services.repairs import record_repair
from tests.factories import make_depot, make_policy, make_user, make_vehicle
from tests.records.test_attachments import PDF
from tests.records.test_repairs import draft_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    return make_vehicle()


def sign_in(client: Client, **fields: Any) -> User:
    user = make_user(**fields)
    client.force_login(user)
    return user


def typed(**fields: Any) -> dict[str, Any]:
    return {
        "axle": "3",
        "component": "air spring",
        "work": "replaced",
        "happened_at": "2024-05-14T09:20",
        "workshop": "Brackwell yard",
    } | fields


def test_it_records_the_work_and_says_what_it_means(client: Client, vehicle: Vehicle):
    sign_in(client, role="workshop")
    answer = client.post(reverse("repair_new", args=[vehicle.pk]), typed(), follow=True)
    repair = Repair.objects.get()
    assert answer.redirect_chain == [(reverse("repair", args=[repair.pk]), 302)]
    page = answer.content.decode()
    assert "Do not rely on the display for axle group 2 and for the gross" in page
    assert page.count("<h1>") == 1
    assert (repair.axle, repair.groups, repair.workshop) == (3, [2], "Brackwell yard")


def test_it_shows_the_form_with_its_cautions(client: Client, vehicle: Vehicle):
    sign_in(client, role="workshop")
    page = client.get(reverse("repair_new", args=[vehicle.pk])).content.decode()
    assert "Never work under a vehicle that is held only by a jack" in page
    assert "Deflate the suspension" in page


def test_the_meaning_is_said_without_recording_anything(client: Client, vehicle: Vehicle):
    sign_in(client, role="workshop")
    page = client.post(reverse("repair_new", args=[vehicle.pk]), typed(preview="1")).content.decode()
    assert "Do not rely on the display for axle group 2" in page
    assert not Repair.objects.exists()


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({}, "Choose axle, part and work"),
        ({"component": "brake", "work": "replaced", "axle": "1"}, "changes nothing"),
        (
            {"component": "U-bolts", "work": "replaced", "axle": "1"},
            "within 14 days, because of axle group 1",
        ),
        ({"component": "beam", "work": "replaced", "axle": "1"}, "calibration of the whole vehicle"),
        ({"component": "air spring", "work": "replaced"}, "Say on which axle"),
        ({"component": "air spring", "work": "replaced", "axle": "77"}, "no axle 77"),
        ({"component": "<b>", "work": "replaced", "axle": "1"}, "&lt;b&gt;"),
    ],
)
def test_the_meaning_follows_what_is_chosen(
    client: Client, vehicle: Vehicle, query: dict[str, str], words: str
):
    sign_in(client, role="workshop")
    assert words in client.get(reverse("repair_effect", args=[vehicle.pk]), query).content.decode()


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"component": ""}, "This field is required"),
        ({"axle": ""}, "Say on which axle"),
        ({"axle": "9"}, "Select a valid choice"),
        ({"happened_at": "2099-01-01T00:00"}, "still to come"),
        ({"odometer_km": "-5"}, "greater than or equal to 0"),
        ({"photo": SimpleUploadedFile("a.jpg", b"MZ")}, "Only JPEG"),
    ],
)
def test_what_is_wrong_is_said_and_what_was_typed_is_kept(
    client: Client, vehicle: Vehicle, fields: dict[str, Any], words: str
):
    sign_in(client, role="workshop")
    page = client.post(reverse("repair_new", args=[vehicle.pk]), typed(**fields)).content.decode()
    assert words in page
    assert "Brackwell yard" in page
    assert not Repair.objects.exists()


def test_a_document_is_added_later(client: Client, vehicle: Vehicle):
    repair = record_repair(draft_of(vehicle), actor=make_user())
    sign_in(client, username="shop", role="workshop")
    upload = {"upload": SimpleUploadedFile("invoice.pdf", PDF)}
    page = client.post(reverse("repair_attach", args=[repair.pk]), upload, follow=True).content.decode()
    assert "invoice.pdf" in page
    assert Attachment.objects.get().record == repair.pk


def test_a_correction_starts_from_the_record_and_takes_its_place(client: Client, vehicle: Vehicle):
    repair = record_repair(draft_of(vehicle), actor=make_user())
    sign_in(client)
    address = reverse("repair_correct", args=[repair.pk])
    form = client.get(address).context["form"]
    assert (form["axle"].value(), form["component"].value()) == (3, "air spring")
    page = client.post(address, typed(component="brake", reason="other job"), follow=True).content.decode()
    assert "This work changes nothing" in page
    assert Repair.objects.standing().get().component == "brake"
    assert "only the newest" in client.post(address, typed(reason="again")).content.decode()


def test_a_repair_is_withdrawn_with_a_reason(client: Client, vehicle: Vehicle):
    repair = record_repair(draft_of(vehicle), actor=make_user())
    sign_in(client)
    client.post(reverse("record_withdraw", args=["repair", repair.pk]), {"reason": "wrong vehicle"})
    assert not Repair.objects.standing().exists()


PAGES = [
    ("repair_new", "workshop", "clerk"),
    ("repair_effect", "workshop", "clerk"),
    ("repair", "workshop", None),
    ("repair_correct", "technician", "workshop"),
    ("repair_attach", "workshop", "compliance"),
]


@pytest.mark.parametrize(("name", "may", "may_not"), PAGES)
def test_another_depots_vehicle_does_not_exist_and_a_role_without_the_right_is_refused(
    client: Client, vehicle: Vehicle, name: str, may: str, may_not: str | None
):
    repair = record_repair(draft_of(vehicle), actor=make_user("first"))
    key = vehicle.pk if name in ("repair_new", "repair_effect") else repair.pk
    address = reverse(name, args=[key])
    send = client.post if name == "repair_attach" else client.get
    sign_in(client, username="far", role=may, depots=(make_depot("FAR"),))
    assert send(address).status_code == 404
    if may_not:
        sign_in(client, username="reader", role=may_not)
        assert send(address).status_code == 403
    client.logout()
    assert send(address).status_code == 302
