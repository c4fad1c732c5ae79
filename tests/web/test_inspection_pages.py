"""The pages that keep the reports of approved workshops."""

from datetime import date
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Vehicle
from fleetcal.fleet.services.policies import add_policy_version
from fleetcal.records.models import Attachment, Inspection
from fleetcal.records.services.inspections import record_inspection
from tests.factories import make_depot, make_policy, make_system, make_user, make_vehicle, signed_in
from tests.records.test_attachments import PDF
from tests.records.test_inspections import VIN, draft_of, loads

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    return make_vehicle(vin=VIN)


def typed(**fields: Any) -> dict[str, Any]:
    return {
        "inspected_on": "2025-04-08",
        "place": "Hexley",
        "vin": VIN,
        "test": "three loads",
        "passed": "True",
        "next_due_on": "2027-04-08",
        "workshop_name": "Carnow Truck Workshop",
        "workshop_address": "4 Mill Lane, Hexley",
        "workshop_number": "HX-114",
        "inspector": "Orla Denvick",
        "device_mark": "Tarnwick",
        "device_type": "P10",
        "device_number": "77-310",
        "device_examination": "TX-2201",
        "device_verified_on": "2025-01-14",
        "stage": "2",
        "maximum_kg": "26 000",
    } | fields


def text_of(client: Client, name: str, *args: Any, **query: Any) -> str:
    return client.get(reverse(name, args=args), query).content.decode()


def test_a_report_is_recorded_with_its_document_and_shown(client: Client, vehicle: Vehicle) -> None:
    signed_in(client, role="technician")
    data = typed(reference_1="24 700", indicated_1="25 950", document=SimpleUploadedFile("report.pdf", PDF))
    answer = client.post(reverse("inspection_new", args=[vehicle.pk]), data, follow=True)
    recorded = Inspection.objects.get()
    assert answer.redirect_chain == [(reverse("inspection", args=[recorded.pk]), 302)]
    assert Attachment.objects.get().record == recorded.pk
    assert recorded.entered["indicated_1"] == "25 950"
    page = answer.content.decode()
    for words in (
        "By the workshop’s report: passed.",
        "is for an approved workshop",
        "approval number HX-114",
        "certificate TX-2201",
        "5.06",
        "Outside the limit at 90 % and more of the maximum.",
        "report.pdf",
    ):
        assert words in page
    assert page.count("<h1>") == 1


def test_the_form_starts_from_the_vehicle_and_defers_to_the_workshop(
    client: Client, vehicle: Vehicle
) -> None:
    signed_in(client, role="technician")
    answer = client.get(reverse("inspection_new", args=[vehicle.pk]))
    form = answer.context["form"]
    assert (form["vin"].value(), form["maximum_kg"].value()) == (VIN, "26000")
    assert "is for an approved workshop" in answer.content.decode()


def test_pounds_are_read_in_the_persons_unit(client: Client, vehicle: Vehicle) -> None:
    signed_in(client, unit="lb")
    data = typed(maximum_kg="57320", reference_1="54454", indicated_1="54454")
    client.post(reverse("inspection_new", args=[vehicle.pk]), data)
    recorded = Inspection.objects.get()
    # 54 454 lb × 0.453 592 37 kg/lb
    assert (recorded.points, recorded.unit) == ([["24699.919", "24699.919"]], "lb")


@pytest.mark.parametrize(
    ("fields", "field", "words"),
    [
        ({"place": ""}, "place", "required"),
        ({"passed": ""}, "passed", "required"),
        ({"inspected_on": "2999-01-01"}, "inspected_on", "less than or equal"),
        ({"inspected_on": "2090-01-01"}, "inspected_on", "still to come"),
        ({"inspected_on": "8 April"}, "inspected_on", "valid date"),
        ({"passed": "False"}, "deficiencies", "was not passed"),
        ({"next_due_on": ""}, "next_due_on", "the report names"),
        ({"vin": "XKL7300000A204027"}, "vin", "look at the report again"),
        ({"reference_2": "13000"}, "indicated_2", "go together"),
        ({"reference_1": "much", "indicated_1": "13000"}, "reference_1", "not a number"),
        ({"test": "single load", "reference_1": "1", "indicated_1": "1", "reference_2": "2", "indicated_2": "2"}, "test", "1 at most"),
        ({"maximum_kg": "0"}, "maximum_kg", "between"),
        ({"odometer_km": "-1"}, "odometer_km", "greater than or equal"),
        ({"document": SimpleUploadedFile("a.pdf", b"MZ")}, "document", "Only JPEG"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_beside_its_field_and_nothing_is_written(
    client: Client, vehicle: Vehicle, fields: dict[str, Any], field: str, words: str
) -> None:
    signed_in(client)
    answer = client.post(reverse("inspection_new", args=[vehicle.pk]), typed(**fields))
    assert words in " ".join(answer.context["form"].errors[field])
    assert "4 Mill Lane" in answer.content.decode()
    assert not Inspection.objects.exists()
    assert not Attachment.objects.exists()


def test_a_correction_starts_from_the_record_and_takes_its_place(client: Client, vehicle: Vehicle) -> None:
    first = record_inspection(draft_of(vehicle, points=loads((13_000, 13_500))), actor=make_user())
    signed_in(client)
    address = reverse("inspection_correct", args=[first.pk])
    form = client.get(address).context["form"]
    names = ("inspected_on", "passed", "reference_1", "workshop_number")
    assert [form[name].value() for name in names] == [date(2025, 4, 8), True, "13000", "HX-114"]
    assert "This field is required" in client.post(address, typed()).content.decode()
    client.post(address, typed(place="Millbridge", reason="misread"))
    assert Inspection.objects.standing().get().place == "Millbridge"
    assert "only the newest" in client.post(address, typed(reason="again")).content.decode()


def test_a_report_is_withdrawn_with_a_reason(client: Client, vehicle: Vehicle) -> None:
    recorded = record_inspection(draft_of(vehicle), actor=make_user())
    signed_in(client)
    address = reverse("record_withdraw", args=["inspection", recorded.pk])
    assert "inspection report of 8 Apr 2025" in client.get(address).content.decode()
    page = client.post(address, {"reason": "of another vehicle"}, follow=True).content.decode()
    assert "of another vehicle" in page
    assert not Inspection.objects.standing().exists()


def test_the_report_itself_is_added_later(client: Client, vehicle: Vehicle) -> None:
    recorded = record_inspection(draft_of(vehicle), actor=make_user())
    signed_in(client, "t.two", role="technician")
    address = reverse("inspection_attach", args=[recorded.pk])
    assert client.post(address, {}).status_code == 400
    page = client.post(
        address, {"upload": SimpleUploadedFile("report.pdf", PDF)}, follow=True
    ).content.decode()
    assert "report.pdf" in page
    assert Attachment.objects.get().record == recorded.pk


def test_manipulation_and_a_failed_result_are_told(client: Client, vehicle: Vehicle) -> None:
    draft = draft_of(
        vehicle,
        passed=False,
        next_due_on=None,
        manipulation_found=True,
        deficiencies="A magnet <at> channel 2",
    )
    recorded = record_inspection(draft, actor=make_user())
    signed_in(client, role="compliance")
    page = text_of(client, "inspection", recorded.pk)
    for words in ("not passed", "names devices for manipulation", "A magnet &lt;at&gt;", "gives two months"):
        assert words in page


def test_the_vehicle_page_tells_of_inspections_only_where_they_matter(
    client: Client, vehicle: Vehicle
) -> None:
    make_system(vehicle)
    signed_in(client)
    assert "2019/1213" not in text_of(client, "vehicle", vehicle.pk)
    recorded = record_inspection(draft_of(vehicle), actor=make_user())
    page = text_of(client, "vehicle", vehicle.pk)
    assert (
        f'<a href="{reverse("inspection", args=[recorded.pk])}">passed on 8 Apr 2025</a>, the next by 8 Apr 2027'
        in page
    )
    assert "Workshop inspection passed" in page
    assert "8 Apr 2025" not in text_of(client, "vehicle", vehicle.pk, day="2025-04-07")


def test_the_vehicle_page_asks_for_the_report_where_the_policy_follows_the_cadence(client: Client) -> None:
    add_policy_version(
        make_policy(),
        actor=make_user(),
        effective_from=date(2023, 1, 1),
        note="inspections too",
        values={"follows_eu_cadence": True},
    )
    vehicle = make_vehicle()
    make_system(vehicle)
    signed_in(client)
    page = text_of(client, "vehicle", vehicle.pk)
    assert "no report is on record" in page
    assert reverse("inspection_new", args=[vehicle.pk]) in page


PAGES = [
    ("inspection_new", "technician", "clerk"),
    ("inspection", "clerk", None),
    ("inspection_correct", "technician", "compliance"),
    ("inspection_attach", "technician", "workshop"),
]


@pytest.mark.parametrize(("name", "may", "may_not"), PAGES)
def test_another_depots_vehicle_does_not_exist_and_a_role_without_the_right_is_refused(
    client: Client, vehicle: Vehicle, name: str, may: str, may_not: str | None
) -> None:
    recorded = record_inspection(draft_of(vehicle), actor=make_user("first"))
    address = reverse(name, args=[vehicle.pk if name == "inspection_new" else recorded.pk])
    send = client.get if name == "inspection" else client.post
    signed_in(client, "far", role=may, depots=(make_depot("FAR"),))
    assert send(address, typed()).status_code == 404
    if may_not:
        signed_in(client, "reader", role=may_not)
        assert send(address, typed()).status_code == 403
    client.logout()
    assert send(address).status_code == 302
    assert Inspection.objects.count() == 1
