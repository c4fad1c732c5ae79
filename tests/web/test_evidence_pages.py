"""The evidence page, and the audit report that it hands out."""

from datetime import timedelta
from io import BytesIO

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from fleetcal.fleet.models import Vehicle
from fleetcal.ledger.selectors import counts_of
from tests.factories import make_depot, make_policy, make_vehicle, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    make_policy()
    return make_vehicle("KJ-204", fleet_number="R12")


def first_page(content: bytes) -> str:
    return str(PdfReader(BytesIO(content)).pages[0].extract_text())


def test_the_report_is_a_download_of_the_period_and_unit_that_was_asked_for(client: Client, vehicle: Vehicle):
    address = reverse("audit_pdf", args=[vehicle.pk])
    response = signed_in(client).get(address, {"from": "2023-03-01", "to": "2023-12-31", "unit": "lb"})
    assert response.status_code == 200
    assert response["Content-Type"] == "application/pdf"
    assert response["Content-Disposition"] == 'attachment; filename="audit-KJ204-2023-03-01-2023-12-31.pdf"'
    assert "1 Mar 2023 to 31 Dec 2023" in first_page(response.content)
    assert "lb; times" in first_page(response.content)


def test_without_a_period_it_is_the_vehicles_whole_life_in_the_readers_unit(client: Client, vehicle: Vehicle):
    response = signed_in(client, unit="lb").get(reverse("audit_pdf", args=[vehicle.pk]))
    assert "1 Mar 2023 to" in first_page(response.content)
    assert "lb; times" in first_page(response.content)


def test_asking_for_a_report_records_nothing(client: Client, vehicle: Vehicle):
    person, before = signed_in(client), counts_of()
    person.get(reverse("audit_pdf", args=[vehicle.pk]))
    person.get(reverse("evidence"))
    assert counts_of() == before


@pytest.mark.parametrize(
    ("period", "complaint"),
    [
        ({"from": "yesterday"}, "Enter a valid date."),
        ({"from": "2024-02-01", "to": "2024-01-01"}, "The period ends before it begins."),
        ({"to": "2020-01-01"}, "before it begins on 2023-03-01"),
        ({"to": "0001-01-01"}, "greater than or equal to"),
        ({"unit": "st"}, "is not one of the available choices"),
    ],
)
def test_a_period_that_cannot_be_is_asked_for_again(
    client: Client, vehicle: Vehicle, period: dict[str, str], complaint: str
):
    response = signed_in(client).get(reverse("audit_pdf", args=[vehicle.pk]), period)
    assert response.status_code == 400
    assert complaint in response.content.decode()


def test_a_period_that_is_still_to_come_is_not_reported_on(client: Client, vehicle: Vehicle):
    tomorrow = timezone.localdate() + timedelta(days=1)
    response = signed_in(client).get(reverse("audit_pdf", args=[vehicle.pk]), {"to": tomorrow.isoformat()})
    assert response.status_code == 400


def test_nothing_can_be_posted(client: Client, vehicle: Vehicle):
    for address in (reverse("audit_pdf", args=[vehicle.pk]), reverse("evidence")):
        assert signed_in(client).post(address).status_code == 405


def test_a_vehicle_of_another_depot_does_not_exist(client: Client, vehicle: Vehicle):
    other = make_depot("FEN")
    stranger = signed_in(client, "c.penhallow", role="compliance", depots=(other,))
    assert stranger.get(reverse("audit_pdf", args=[vehicle.pk])).status_code == 404
    assert "KJ-204" not in stranger.get(reverse("evidence")).content.decode()


@pytest.mark.parametrize("role", ["workshop", "clerk"])
def test_a_role_that_sees_no_evidence_is_refused(client: Client, vehicle: Vehicle, role: str):
    person = signed_in(client, "someone", role=role)
    assert person.get(reverse("audit_pdf", args=[vehicle.pk])).status_code == 403
    assert person.get(reverse("evidence")).status_code == 403


def test_the_links_carry_the_period_that_was_chosen(client: Client, vehicle: Vehicle):
    page = signed_in(client).get(reverse("evidence"), {"from": "2023-05-01", "to": "2023-06-30", "q": "kj"})
    link = f"{reverse('audit_pdf', args=[vehicle.pk])}?from=2023-05-01&amp;to=2023-06-30&amp;unit=kg"
    assert link in page.content.decode()


def test_a_wrong_period_is_shown_beside_its_field_and_the_list_stays(client: Client, vehicle: Vehicle):
    page = signed_in(client).get(reverse("evidence"), {"from": "2023-05-01", "to": "2023-04-01"})
    assert page.status_code == 200
    assert "The period ends before it begins." in page.content.decode()
    assert "KJ-204" in page.content.decode()


def test_the_list_can_be_narrowed_and_exported(client: Client, vehicle: Vehicle):
    make_vehicle("ZN-118", layout="tractor2")
    rows = signed_in(client).get(reverse("evidence"), {"kind": "tractor", "export": "csv"}).content.decode()
    assert "ZN-118" in rows
    assert "KJ-204" not in rows
    assert "PDF" not in rows


def test_without_vehicles_it_says_what_to_do(client: Client):
    assert "must add it first" in signed_in(client).get(reverse("evidence")).content.decode()
