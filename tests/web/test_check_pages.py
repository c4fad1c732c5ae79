"""The pages that record, show, correct and take back a comparison check, and hand out its files."""

import re
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Instrument, Vehicle
from fleetcal.records.models import Attachment, Check
from fleetcal.records.services.checks import CheckDraft, DisplayReadings, PlatformReading, record_check
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.records.test_attachments import PDF, make_photo

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    vehicle = make_vehicle()
    make_system(vehicle)
    return vehicle


@pytest.fixture
def bridge() -> Instrument:
    return make_instrument()


def sign_in(client: Client, **fields: Any) -> User:
    user = make_user(**fields)
    client.force_login(user)
    return user


def typed(bridge: Instrument, **fields: Any) -> dict[str, Any]:
    return {
        "instrument": str(bridge.pk),
        "ticket": "48213",
        "weighed_at": "2024-05-14T09:20",
        "displayed_at": "2024-05-14T09:24",
        "purpose": "check",
        "gross_reference": "25 000",
        "gross_display_1": "25100",
        "gross_display_2": "25120",
        "brakes_released": "yes",
    } | fields


def make_check(vehicle: Vehicle, bridge: Instrument) -> Check:
    draft = CheckDraft(
        vehicle_id=vehicle.pk,
        instrument_id=bridge.pk,
        ticket="1",
        purpose="check",
        weighed_at=datetime(2024, 5, 14, 9, 20, tzinfo=UTC),
        platform=(PlatformReading(Decimal(25_000)),),
        display=(DisplayReadings((Decimal(25_100), Decimal(25_120))),),
        entered={"gross_reference": "25 000"},
    )
    return record_check(draft, actor=make_user())


@pytest.mark.parametrize("name", ["check_start", "repair_start"])
def test_a_part_of_the_plate_finds_the_vehicle(client: Client, name: str, vehicle: Vehicle):
    sign_in(client)
    assert b"No vehicle" not in client.get(reverse(name)).content
    onward = name.replace("start", "new")
    answer = client.get(reverse(name), {"q": "j-20"})
    assert answer["Location"] == reverse(onward, args=[vehicle.pk])
    make_vehicle("KJ-205")
    page = client.get(reverse(name), {"q": "kj20"}).content.decode()
    assert "2 vehicles fit" in page
    assert reverse(onward, args=[vehicle.pk]) in page
    assert "No vehicle in service" in client.get(reverse(name), {"q": "ZZ"}).content.decode()


def test_it_records_a_check_and_shows_the_result(client: Client, vehicle: Vehicle, bridge: Instrument):
    sign_in(client)
    answer = client.post(reverse("check_new", args=[vehicle.pk]), typed(bridge), follow=True)
    check = Check.objects.get()
    assert answer.redirect_chain == [(reverse("check", args=[check.pk]), 302)]
    page = answer.content.decode()
    assert "The display reads 0.42 % high" in page
    assert "tolerance ±3 %: pass" in page
    assert page.count("<h1>") == 1
    assert (check.happened_at, check.brakes_released) == (datetime(2024, 5, 14, 9, 20, tzinfo=UTC), True)
    assert check.entered == {
        "gross_reference": "25 000",
        "gross_display_1": "25100",
        "gross_display_2": "25120",
    }


def test_pounds_are_kept_as_typed_and_kilograms_in_the_record(
    client: Client, vehicle: Vehicle, bridge: Instrument
):
    sign_in(client, unit="lb")
    masses = {"gross_reference": "55116", "gross_display_1": "55 336", "gross_display_2": ""}
    answer = client.post(reverse("check_new", args=[vehicle.pk]), typed(bridge, **masses), follow=True)
    check = Check.objects.get()
    # 1 lb = 0.45359237 kg exactly
    assert check.results.get().reference_kg == Decimal("25000.197")
    assert (check.unit, check.entered["gross_display_1"]) == ("lb", "55 336")
    assert "Error, lb" in answer.content.decode()


def test_it_shows_the_form_with_its_cautions(client: Client, vehicle: Vehicle, bridge: Instrument):
    sign_in(client)
    page = client.get(reverse("check_new", args=[vehicle.pk])).content.decode()
    assert "An overloaded vehicle stays off the road." in page
    assert "errorlist" not in page
    assert "Axles 2 and 3" in page


def test_a_link_from_a_calibration_brings_its_purpose(client: Client, vehicle: Vehicle):
    sign_in(client)
    page = client.get(reverse("check_new", args=[vehicle.pk]), {"purpose": "as left"}).content.decode()
    assert '<option value="as left" selected>' in page


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"gross_reference": "twenty"}, "is not a number"),
        ({"gross_reference": ""}, "at least one weight from the ticket"),
        ({"gross_display_1": "", "gross_display_2": ""}, "at least one reading of the display"),
        ({"gross_reference": "61000"}, "shows nothing above 60180 kg"),
        ({"weighed_at": "2099-01-01T00:00"}, "still to come"),
        ({"displayed_at": "2024-05-14T09:00"}, "20 min before"),
        ({"coupled_plate": "XX-1"}, "no other vehicle XX-1"),
        ({"both_reference": "38000"}, "Say which unit was coupled"),
        ({"instrument": ""}, "This field is required"),
        ({"ticket": "x\x00y"}, "Null characters"),
    ],
)
def test_what_is_wrong_is_said_and_what_was_typed_is_kept(
    client: Client, vehicle: Vehicle, bridge: Instrument, fields: dict[str, str], words: str
):
    sign_in(client)
    page = client.post(
        reverse("check_new", args=[vehicle.pk]), typed(bridge, **{"note": "rain"} | fields)
    ).content.decode()
    assert words in page
    assert "rain" in page
    assert not Check.objects.exists()


def test_the_same_ticket_again_is_refused_beside_its_field(
    client: Client, vehicle: Vehicle, bridge: Instrument
):
    sign_in(client)
    address = reverse("check_new", args=[vehicle.pk])
    client.post(address, typed(bridge))
    assert "already on record for KJ-204" in client.post(address, typed(bridge)).content.decode()
    assert Check.objects.count() == 1


def test_a_combination_is_recorded_for_both_units(client: Client, bridge: Instrument):
    make_policy()
    units = [make_vehicle("KJ-301", layout="tractor2"), make_vehicle("KJ-302", layout="trailer3")]
    for number, unit in enumerate(units):
        make_system(unit, serial=f"D-{number}")
    sign_in(client)
    fields = typed(
        bridge,
        gross_reference="",
        gross_display_1="16000",
        gross_display_2="16000",
        both_reference="38000",
        coupled_plate="kj302",
        coupled_display_1="22100",
    )
    page = client.post(reverse("check_new", args=[units[0].pk]), fields, follow=True).content.decode()
    assert "do not give this weight by itself" in page
    assert "together differ from the reference by 100 ±" in page
    assert {check.vehicle for check in Check.objects.all()} == {*units}


def test_another_depots_vehicle_cannot_be_coupled(client: Client, vehicle: Vehicle, bridge: Instrument):
    make_vehicle("KJ-302", layout="trailer3", depot=make_depot("FAR"))
    sign_in(client, depots=(vehicle.depot,))
    fields = typed(bridge, coupled_plate="KJ-302", both_reference="38000")
    page = client.post(reverse("check_new", args=[vehicle.pk]), fields).content.decode()
    assert "no other vehicle KJ-302" in page


def test_a_photo_is_kept_with_the_check(client: Client, vehicle: Vehicle, bridge: Instrument):
    sign_in(client)
    photo = SimpleUploadedFile("ticket.jpg", make_photo(), "image/jpeg")
    client.post(reverse("check_new", args=[vehicle.pk]), typed(bridge, photo=photo))
    kept = Attachment.objects.get()
    assert kept.record == Check.objects.get().pk
    answer = client.get(reverse("attachment", args=[kept.pk]))
    assert answer["Content-Disposition"] == 'attachment; filename="ticket.jpg"'
    assert (answer["Content-Type"], answer["X-Content-Type-Options"]) == ("image/jpeg", "nosniff")
    assert b"".join(answer.streaming_content)[:3] == b"\xff\xd8\xff"  # type: ignore[attr-defined]


def test_a_file_of_another_kind_keeps_the_check_from_being_recorded(
    client: Client, vehicle: Vehicle, bridge: Instrument
):
    sign_in(client)
    photo = SimpleUploadedFile("ticket.jpg", b"<html>", "image/jpeg")
    page = client.post(reverse("check_new", args=[vehicle.pk]), typed(bridge, photo=photo)).content.decode()
    assert "Only JPEG, PNG and WebP" in page
    assert not Check.objects.exists()


def test_a_document_is_added_later(client: Client, vehicle: Vehicle, bridge: Instrument):
    check = make_check(vehicle, bridge)
    sign_in(client)
    address = reverse("check_attach", args=[check.pk])
    page = client.post(address, {"upload": SimpleUploadedFile("a.pdf", PDF)}, follow=True).content.decode()
    assert "a.pdf" in page
    refused = client.post(address, {"upload": SimpleUploadedFile("a.pdf", b"MZ")})
    assert refused.status_code == 400
    assert "Only JPEG" in refused.content.decode()
    assert client.get(address).status_code == 405


def test_the_vehicles_page_tells_the_last_error_in_words(
    client: Client, vehicle: Vehicle, bridge: Instrument
):
    check = make_check(vehicle, bridge)
    sign_in(client)
    page = client.get(reverse("vehicle", args=[vehicle.pk])).content.decode()
    words = re.search(r"Last error of the gross: ([^<]+) <svg", page)
    assert words is not None
    assert words[1].endswith(f"tolerance ±{check.policy_version.gross_percent.normalize():f} %")


def test_the_form_for_a_correction_holds_what_was_recorded(
    client: Client, vehicle: Vehicle, bridge: Instrument
):
    check = make_check(vehicle, bridge)
    sign_in(client)
    address = reverse("check_correct", args=[check.pk])
    form = client.get(address).context["form"]
    assert [form[name].value() for name in ("gross_reference", "gross_display_2", "ticket")] == [
        "25 000",
        "25120",
        "1",
    ]
    without_reason = client.post(address, typed(bridge, gross_reference="25100"))
    assert form.fields["reason"].required
    assert "This field is required" in without_reason.content.decode()
    answer = client.post(
        address, typed(bridge, gross_reference="25100", reason="ticket misread"), follow=True
    )
    assert "This corrects" in answer.content.decode()
    assert Check.objects.standing().get().reason == "ticket misread"
    old = client.get(reverse("check", args=[check.pk])).content.decode()
    assert "This record was corrected" in old
    assert "only the newest" in client.post(address, typed(bridge, reason="again")).content.decode()


def test_a_correction_keeps_the_coupled_units_readings(client: Client, bridge: Instrument):
    make_policy()
    units = [make_vehicle("KJ-301", layout="tractor2"), make_vehicle("KJ-302", layout="trailer3")]
    for number, unit in enumerate(units):
        make_system(unit, serial=f"D-{number}")
    sign_in(client)
    fields = typed(bridge, gross_reference="", gross_display_1="16000", gross_display_2="") | {
        "both_reference": "38000",
        "coupled_plate": "KJ-302",
        "coupled_display_1": "22100",
    }
    client.post(reverse("check_new", args=[units[0].pk]), fields)
    check = Check.objects.get(vehicle=units[0])
    own = typed(
        bridge, gross_reference="15900", gross_display_1="16000", gross_display_2="", reason="found it"
    )
    client.post(reverse("check_correct", args=[check.pk]), own)
    corrected = Check.objects.standing().get(vehicle=units[0])
    assert corrected.results.get().error_kg == Decimal(100)
    assert [len(reading["covers"]) for reading in corrected.platform] == [1, 2]


def test_a_check_is_withdrawn_with_a_reason(client: Client, vehicle: Vehicle, bridge: Instrument):
    check = make_check(vehicle, bridge)
    sign_in(client)
    address = reverse("record_withdraw", args=["check", check.pk])
    assert client.get(address).status_code == 200
    assert "This field is required" in client.post(address, {}).content.decode()
    page = client.post(address, {"reason": "wrong vehicle"}, follow=True).content.decode()
    assert "This record is withdrawn" in page
    assert not Check.objects.standing().exists()
    assert client.get(reverse("record_withdraw", args=["nonsense", check.pk])).status_code == 404


PAGES = [
    ("check_new", "clerk", "compliance"),
    ("check", "compliance", None),
    ("check_correct", "technician", "clerk"),
    ("check_attach", "clerk", "compliance"),
    ("record_withdraw", "technician", "clerk"),
    ("attachment", "compliance", None),
]


@pytest.mark.parametrize(("name", "may", "may_not"), PAGES)
def test_another_depots_vehicle_does_not_exist_and_a_role_without_the_right_is_refused(
    client: Client, vehicle: Vehicle, bridge: Instrument, name: str, may: str, may_not: str | None
):
    check = make_check(vehicle, bridge)
    sign_in(client, username="first")
    upload = {"upload": SimpleUploadedFile("a.pdf", PDF)}
    client.post(reverse("check_attach", args=[check.pk]), upload)
    key = {"check_new": vehicle.pk, "attachment": Attachment.objects.get().pk}.get(name, check.pk)
    address = reverse(name, args=["check", key] if name == "record_withdraw" else [key])
    far = make_depot("FAR")
    sign_in(client, username="far", role=may, depots=(far,))
    send = client.post if name == "check_attach" else client.get
    assert send(address).status_code == 404
    if may_not:
        sign_in(client, username="reader", role=may_not)
        assert client.post(address).status_code == 403
    client.logout()
    assert send(address).status_code == 302
