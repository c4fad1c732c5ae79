"""The vehicle page: standing with its reasons, today and on a past day."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def client() -> Client:
    factories.make_policy()
    client = Client()
    client.force_login(factories.make_user())
    return client


def test_it_says_why_the_vehicle_stands_as_it_does(client: Client) -> None:
    vehicle = factories.make_vehicle()
    page = client.get(reverse("vehicle", args=[vehicle.pk])).content.decode()
    assert "not on record" in page
    assert "No weighing system on record." in page


def test_it_looks_back_to_a_past_day(client: Client) -> None:
    vehicle = factories.make_vehicle()
    response = client.get(reverse("vehicle", args=[vehicle.pk]), {"day": "2024-03-03"})
    assert "Standing on 3 Mar 2024" in response.content.decode()


def test_what_was_known_then_may_differ_and_is_said(client: Client) -> None:
    factories.make_system(factories.make_vehicle())
    vehicle = factories.make_vehicle()
    # The policy itself was recorded today: on a past day nothing was there to judge by.
    response = client.get(reverse("vehicle", args=[vehicle.pk]), {"day": "2024-03-03", "known": "then"})
    assert "No policy was in force" in response.content.decode()


def test_a_day_in_the_future_is_refused_beside_the_field(client: Client) -> None:
    vehicle = factories.make_vehicle()
    tomorrow = timezone.localdate() + timedelta(days=1)
    response = client.get(reverse("vehicle", args=[vehicle.pk]), {"day": tomorrow.isoformat()})
    assert "Choose today or a past day." in response.content.decode()


def test_weights_stand_in_the_readers_unit() -> None:
    factories.make_policy()
    vehicle = factories.make_vehicle()
    client = Client()
    client.force_login(factories.make_user("a.pound", unit="lb"))
    page = client.get(reverse("vehicle", args=[vehicle.pk])).content.decode()
    # 26 000 kg at 0.453 592 37 kg to the pound
    assert "57\u202f320 lb" in page


def test_a_vehicle_of_another_depot_does_not_exist(client: Client) -> None:
    other = factories.make_depot("FEN")
    vehicle = factories.make_vehicle()
    stranger = Client()
    stranger.force_login(factories.make_user("m.ferrowby", depots=(other,)))
    assert stranger.get(reverse("vehicle", args=[vehicle.pk])).status_code == 404
