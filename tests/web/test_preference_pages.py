import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Role
from fleetcal.web.clock import PersonsClock
from tests.factories import make_user, signed_in

pytestmark = pytest.mark.django_db
FILLED = {"first_name": "Tobin", "last_name": "Osgarde", "unit": "lb", "time_zone": "Europe/Berlin"}


@pytest.mark.parametrize("role", Role.values)
def test_everybody_sets_their_own_preferences(client: Client, role: str) -> None:
    signed_in(client, role=role)
    assert client.get(reverse("preferences")).content.count(b"<h1>") == 1
    assert client.post(reverse("preferences"), FILLED).status_code == 302
    user = User.objects.get()
    assert (user.unit, user.time_zone, user.role) == ("lb", "Europe/Berlin", role)


def test_a_time_zone_that_is_none_stands_beside_its_field(client: Client) -> None:
    response = signed_in(client).post(reverse("preferences"), {**FILLED, "time_zone": "Here/There"})
    assert "time_zone" in response.context["form"].errors
    assert User.objects.get().unit == "kg"


def test_nobody_sets_preferences_without_signing_in(client: Client) -> None:
    response = client.post(reverse("preferences"), FILLED)
    assert response["Location"].startswith(reverse("login"))


def test_the_unit_is_switched_and_the_page_comes_back(client: Client) -> None:
    page = reverse("vehicle_list")
    response = signed_in(client).post(reverse("unit_switch"), {"unit": "lb", "next": page})
    assert response["Location"] == page
    assert User.objects.get().unit == "lb"
    client.post(reverse("unit_switch"), {"unit": "st", "next": page})
    assert User.objects.get().unit == "lb"
    assert client.get(reverse("unit_switch")).status_code == 405


@pytest.mark.parametrize(
    "target", ["https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)"]
)
def test_the_switch_does_not_lead_elsewhere(client: Client, target: str) -> None:
    response = signed_in(client).post(reverse("unit_switch"), {"unit": "lb", "next": target})
    assert response["Location"] == reverse("preferences")


def test_times_are_shown_in_the_persons_time_zone_and_only_for_that_request(client: Client) -> None:
    make_user("k.velloway", role="technician", time_zone="Pacific/Auckland")
    seen: list[str] = []

    class Spy:
        def __call__(self, request: object) -> str:
            seen.append(timezone.get_current_timezone_name())
            return ""

    request = type("Request", (), {"user": User.objects.get(username="k.velloway")})()
    PersonsClock(Spy())(request)  # type: ignore[arg-type]
    PersonsClock(Spy())(type("Request", (), {})())  # type: ignore[arg-type]
    assert seen == ["Pacific/Auckland", "UTC"]
