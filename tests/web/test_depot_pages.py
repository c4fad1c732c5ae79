import pytest
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Depot
from fleetcal.fleet.selectors import depots_for
from tests.factories import make_depot, make_user, make_vehicle, signed_in

pytestmark = pytest.mark.django_db


FILLED = {"code": "fen", "name": "Fennow Wharf", "address": "", "time_zone": "Europe/Berlin"}


def test_a_manager_registers_a_depot(client: Client) -> None:
    response = signed_in(client).post(reverse("depot_new"), FILLED)
    assert response.status_code == 302
    assert Depot.objects.get(code="FEN").name == "Fennow Wharf"


def test_a_code_that_is_taken_is_refused_beside_its_field(client: Client) -> None:
    make_depot("FEN")
    response = signed_in(client).post(reverse("depot_new"), FILLED)
    assert response.status_code == 200
    assert "code" in response.context["form"].errors
    assert response.context["form"]["name"].value() == "Fennow Wharf"


@pytest.mark.parametrize("page", ["depot_list", "depot_new"])
def test_the_pages_show(client: Client, page: str) -> None:
    make_depot()
    response = signed_in(client).get(reverse(page))
    assert response.status_code == 200
    assert response.content.count(b"<h1>") == 1


def test_a_depot_is_changed(client: Client) -> None:
    depot = make_depot()
    page = reverse("depot_edit", args=[depot.pk])
    assert signed_in(client).get(page).status_code == 200
    assert client.post(page, {**FILLED, "code": "MIL"}).status_code == 302
    depot.refresh_from_db()
    assert (depot.name, depot.time_zone) == ("Fennow Wharf", "Europe/Berlin")


def test_a_depot_with_vehicles_in_service_is_not_closed(client: Client) -> None:
    depot = make_vehicle().depot
    page = reverse("depot_edit", args=[depot.pk])
    response = signed_in(client).post(page, {**FILLED, "code": "MIL", "is_closed": "on"})
    assert "home of 1 vehicle in service" in response.context["form"].errors["is_closed"][0]


def test_a_depot_of_others_is_not_found(client: Client) -> None:
    own, other = make_depot("MIL"), make_depot("FEN")
    signed_in(client, "m.ferrowby", depots=(own,))
    assert client.get(reverse("depot_edit", args=[other.pk])).status_code == 404
    assert client.get(reverse("depot_edit", args=[own.pk])).status_code == 200
    assert client.post(reverse("depot_new"), FILLED).status_code == 403


@pytest.mark.parametrize("role", ["clerk", "workshop", "technician", "compliance"])
def test_who_does_not_keep_the_register_changes_no_depot(client: Client, role: str) -> None:
    depot = make_depot()
    signed_in(client, "n.ashgrovely", role=role)
    assert client.post(reverse("depot_new"), FILLED).status_code == 403
    assert client.post(reverse("depot_edit", args=[depot.pk]), FILLED).status_code == 403


def test_an_administrator_says_who_works_at_a_depot(client: Client) -> None:
    depot = make_depot()
    clerk = make_user("n.ashgrovely", role="clerk", all_depots=False)
    page = reverse("depot_people", args=[depot.pk])
    signed_in(client, "a.lindqvale", role="administrator")
    assert client.get(page).status_code == 405
    assert b"n.ashgrovely" not in client.get(reverse("depot_edit", args=[depot.pk])).content
    assert client.post(page, {"people": [clerk.pk]}).status_code == 302
    assert depots_for(clerk) == [depot]
    client.post(page, {})
    assert depots_for(clerk) == []


def test_a_manager_does_not_say_who_works_at_a_depot(client: Client) -> None:
    page = reverse("depot_people", args=[make_depot().pk])
    assert signed_in(client).post(page, {}).status_code == 403


@pytest.mark.parametrize("file_format", ["csv", "xlsx"])
def test_the_list_is_exported(client: Client, file_format: str) -> None:
    make_depot()
    response = signed_in(client).get(reverse("depot_list"), {"export": file_format})
    assert response["Content-Disposition"].endswith(f'.{file_format}"')
