from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Policy, PolicyVersion
from fleetcal.fleet.services.policies import rules_of
from tests.factories import make_policy, make_vehicle, signed_in

pytestmark = pytest.mark.django_db


def as_sent(form: Any, **changes: Any) -> dict[str, Any]:
    sent = {bound.html_name: bound.value() for bound in form}
    return {
        key: value for key, value in {**sent, **changes}.items() if value is not None and value is not False
    }


def test_the_next_version_is_made_with_its_rules(client: Client) -> None:
    policy = make_policy()
    page = reverse("policy_version_new", args=[policy.pk])
    shown = signed_in(client).get(page)
    assert shown.content.count(b"<h1>") == 1
    sent = as_sent(
        shown.context["form"], note="narrower", gross_percent="2.5", rule_0_replaced="recalibrate vehicle"
    )
    assert client.post(page, sent)["Location"] == reverse("policy", args=[policy.pk])
    version = policy.versions.get(number=2)
    assert str(version.gross_percent) == "2.50"
    assert rules_of(version)["leaf spring", "replaced"] == "recalibrate vehicle"
    text = client.get(reverse("policy", args=[policy.pk])).content.decode()
    assert "Gross: ±2.5 % of the rated maximum" in text
    assert "leaf spring replaced: recalibrate the vehicle" in text


def test_a_version_sent_back_unchanged_changes_nothing_but_its_number(client: Client) -> None:
    policy = make_policy()
    page = reverse("policy_version_new", args=[policy.pk])
    client.post(page, as_sent(signed_in(client).get(page).context["form"], note="same again"))
    [second] = client.get(reverse("policy", args=[policy.pk])).context["versions"][:1]
    assert (second[0].number, second[1]) == (2, [])


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"note": ""}, "note"),
        ({"effective_from": "2019-01-01"}, "effective_from"),
        ({"shortest_interval_days": "400"}, "shortest_interval_days"),
        ({"gross_percent": "0"}, "gross_percent"),
        ({"gross_percent": "three"}, "gross_percent"),
        ({"rule_3_replaced": "paint"}, "rule_3_replaced"),
        ({"required_items": ["paint"]}, "required_items"),
        ({"floor_kg": "-1"}, "floor_kg"),
    ],
)
def test_a_version_that_cannot_be_comes_back_with_its_error(
    client: Client, changes: dict[str, Any], place: str
) -> None:
    page = reverse("policy_version_new", args=[make_policy().pk])
    form = signed_in(client).get(page).context["form"]
    response = client.post(page, as_sent(form, **{"note": "because", **changes}))
    assert place in response.context["form"].errors
    assert PolicyVersion.objects.count() == 1


def test_what_a_guard_band_costs_is_seen_before_it_is_recorded(client: Client) -> None:
    page = reverse("policy_version_new", args=[make_policy().pk])
    form = signed_in(client).get(page).context["form"]
    response = client.post(page, as_sent(form, preview="1", note="", gross_percent="0.8"))
    assert response.status_code == 200
    assert not response.context["form"].errors
    assert [found.subject for found in response.context["too_large"]] == ["gross"]
    assert "Wrong displays that pass" in response.content.decode()
    assert PolicyVersion.objects.count() == 1


def test_a_policy_is_made_for_some_vehicles(client: Client) -> None:
    page = reverse("policy_new")
    form = signed_in(client).get(page).context["form"]
    scope = {"name": "Air trailers", "unit_kind": "trailer", "suspension": "air"}
    assert client.post(page, as_sent(form, **scope)).status_code == 302
    assert Policy.objects.get().versions.get().number == 1
    again = client.post(page, as_sent(form, **{**scope, "name": "More air trailers"}))
    assert "unit_kind" in again.context["scope"].errors


def test_the_page_warns_when_the_uncertainty_takes_more_than_a_third_of_the_tolerance(client: Client) -> None:
    policy = make_policy()
    make_vehicle(layout="trailer3")
    shown = signed_in(client, role="clerk").get(reverse("policy", args=[policy.pk]))
    gross, group = shown.context["achievable"]
    assert (gross.maximum_kg, group.maximum_kg) == (24_000, 24_000)
    assert not shown.context["too_large"]
    assert b"is narrow for what can be measured" not in shown.content
    page = reverse("policy_version_new", args=[policy.pk])
    assert client.get(page).status_code == 403


def test_an_earlier_version_is_shown_when_the_url_names_it(client: Client) -> None:
    policy = make_policy()
    page = reverse("policy_version_new", args=[policy.pk])
    client.post(page, as_sent(signed_in(client).get(page).context["form"], note="wider", gross_percent="4"))
    show = reverse("policy", args=[policy.pk])
    assert client.get(show).context["version"].number == 2
    assert client.get(show, {"version": "1"}).context["version"].number == 1
    assert client.get(show, {"version": "9"}).status_code == 404


def test_the_list_shows_the_newest_version(client: Client) -> None:
    assert b"No policy yet" in signed_in(client).get(reverse("policy_list")).content
    make_policy()
    page = client.get(reverse("policy_list")).content.decode()
    assert '<td class="num" data-label="Newest version">1</td>' in page
    assert '<td class="num" data-label="Gross, ±%">3</td>' in page
    assert client.get(reverse("policy_list"), {"export": "csv"}).content.decode("utf-8-sig").count("\n") == 2


@pytest.mark.parametrize("role", ["clerk", "workshop", "technician", "compliance"])
def test_who_does_not_keep_policies_makes_none(client: Client, role: str) -> None:
    policy = make_policy()
    signed_in(client, role=role)
    assert client.post(reverse("policy_new"), {}).status_code == 403
    assert client.post(reverse("policy_version_new", args=[policy.pk]), {}).status_code == 403
