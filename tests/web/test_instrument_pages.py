from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleetcal.fleet.models import Certificate, Instrument, InstrumentFinding
from tests.factories import make_depot, make_instrument, signed_in

pytestmark = pytest.mark.django_db
INSTRUMENT = {
    "name": "Skerrow pads",
    "kind": "pads",
    "scale_class": "IIII",
    "e_kg": "50",
    "d_kg": "50",
    "capacity_kg": "10 000",
    "owner": "Brackwell & Tarn Bulk Haulage",
    "serial": "",
    "depot": "",
    "slope_percent": "0",
}
CERTIFICATE = {
    "number": "HX-9",
    "issuer": "Hexley Metrology",
    "verified_on": "2025-01-01",
    "valid_until": "2026-12-31",
    "k": "2",
    "points-TOTAL_FORMS": "2",
    "points-INITIAL_FORMS": "0",
    "points-0-load_kg": "10000",
    "points-0-U_kg": "70",
    "points-1-load_kg": "1000",
    "points-1-U_kg": "20",
}
FINDING = {
    "wrong_from": "2025-02-01",
    "wrong_until": "2025-03-01",
    "found_on": "2025-03-01",
    "what": "A load cell was cracked.",
}


def test_an_instrument_is_registered_and_its_certificate_is_asked_for(client: Client) -> None:
    response = signed_in(client).post(reverse("instrument_new"), INSTRUMENT)
    instrument = Instrument.objects.get()
    assert response["Location"] == reverse("certificate_new", args=[instrument.pk])
    response = client.post(response["Location"], CERTIFICATE)
    assert response["Location"] == reverse("instrument", args=[instrument.pk])
    assert Certificate.objects.get().points == [["1000.000", "20.000"], ["10000.000", "70.000"]]


def test_an_instrument_is_changed(client: Client) -> None:
    instrument = make_instrument()
    page = reverse("instrument_edit", args=[instrument.pk])
    assert signed_in(client).get(page).status_code == 200
    assert client.post(page, {**INSTRUMENT, "reason": "renamed", "retired_on": ""}).status_code == 302
    instrument.refresh_from_db()
    assert (instrument.name, instrument.has_level_approach) == ("Skerrow pads", False)


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"name": "Millbridge weighbridge"}, "name"),
        ({"capacity_kg": "40"}, "capacity_kg"),
        ({"e_kg": "x"}, "e_kg"),
    ],
)
def test_an_instrument_that_cannot_be_comes_back_with_its_error(
    client: Client, changes: dict[str, str], place: str
) -> None:
    make_instrument()
    response = signed_in(client).post(reverse("instrument_new"), {**INSTRUMENT, **changes})
    assert place in response.context["form"].errors
    assert Instrument.objects.count() == 1


def test_a_certificate_that_cannot_be_comes_back_with_its_error(client: Client) -> None:
    page = reverse("certificate_new", args=[make_instrument(certificate=False).pk])
    signed_in(client)
    backwards = client.post(page, {**CERTIFICATE, "valid_until": "2024-01-01"})
    assert "valid_until" in backwards.context["form"].errors
    half = client.post(page, {**CERTIFICATE, "points-1-U_kg": ""})
    assert "U_kg" in half.context["points"].forms[1].errors
    twice = client.post(page, {**CERTIFICATE, "points-1-load_kg": "10000"})
    assert "given twice" in twice.content.decode()
    assert not Certificate.objects.exists()


def test_a_finding_is_recorded_and_shown(client: Client) -> None:
    instrument = make_instrument()
    page = reverse("finding_new", args=[instrument.pk])
    assert b"cannot be taken back" in signed_in(client).get(page).content
    assert client.post(page, FINDING).status_code == 302
    assert InstrumentFinding.objects.get().wrong_from == date(2025, 2, 1)
    assert b"A load cell was cracked." in client.get(reverse("instrument", args=[instrument.pk])).content
    backwards = client.post(page, {**FINDING, "wrong_until": "2025-01-01"})
    assert "wrong_until" in backwards.context["form"].errors


def test_the_page_says_whether_it_counts_today_and_why_not(client: Client) -> None:
    valid, lapsed = make_instrument(), make_instrument("Pads", kind="pads", certificate=False)
    signed_in(client, role="clerk")
    assert b"Valid as a reference today" in client.get(reverse("instrument", args=[valid.pk])).content
    shown = client.get(reverse("instrument", args=[lapsed.pk])).content
    assert b"no certificate is on record" in shown
    assert b"No record yet" in shown
    assert shown.count(b"<h1>") == 1


def test_what_is_unusual_about_an_instrument_is_said(client: Client) -> None:
    odd = make_instrument(e_kg=3, capacity_kg=60_000)
    shown = signed_in(client).get(reverse("instrument", args=[odd.pk])).content.decode()
    assert "interval is 1, 2 or 5 times a power of ten: 3 kg" in shown
    assert "most intervals of the class: 20000 e against 10000 e" in shown


def test_the_list_is_filtered_and_says_what_counts(client: Client) -> None:
    make_instrument()
    make_instrument("Pads", kind="pads", certificate=False)
    make_instrument("Old bridge", retired_on=date(2024, 1, 1))
    signed_in(client)

    def found(**query: str) -> list[tuple[str, str]]:
        table = client.get(reverse("instrument_list"), query).context["table"]
        return [(row.record.name, row.get_cell("state")) for row in table.rows]

    assert found() == [
        ("Millbridge weighbridge", "valid"),
        ("Pads", "not valid: no certificate is on record"),
    ]
    assert found(kind="pads") == [("Pads", "not valid: no certificate is on record")]
    assert [name for name, _ in found(use="retired")] == ["Old bridge"]
    assert client.get(reverse("instrument_list"), {"export": "xlsx"}).status_code == 200


def pages(instrument: Instrument) -> list[tuple[str, dict[str, Any]]]:
    return [
        (reverse("instrument_edit", args=[instrument.pk]), INSTRUMENT),
        (reverse("certificate_new", args=[instrument.pk]), CERTIFICATE),
        (reverse("finding_new", args=[instrument.pk]), FINDING),
    ]


def test_an_instrument_of_another_depot_is_not_changed_and_one_of_none_is(client: Client) -> None:
    other = make_instrument("Other", depot_id=make_depot("FEN").pk)
    travelling = make_instrument("Travelling", depot_id=None)
    signed_in(client, "m.ferrowby", depots=(make_depot("MIL"),))
    for page, data in pages(other):
        assert client.get(page).status_code == 404
        assert client.post(page, data).status_code == 404
    for page, _ in pages(travelling):
        assert client.get(page).status_code == 200
    assert b"It was found wrong" not in client.get(reverse("instrument", args=[other.pk])).content


@pytest.mark.parametrize("role", ["clerk", "workshop", "technician", "compliance"])
def test_who_does_not_keep_the_register_changes_no_instrument(client: Client, role: str) -> None:
    instrument = make_instrument()
    signed_in(client, role=role)
    assert client.post(reverse("instrument_new"), INSTRUMENT).status_code == 403
    for page, data in pages(instrument):
        assert client.post(page, data).status_code == 403
