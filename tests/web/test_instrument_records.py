"""Documents of certificates, what rests on an instrument, and what a finding reopens."""

import re
from datetime import date
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from fleetcal.evaluation.services import evaluate
from fleetcal.fleet.models import Certificate, InstrumentFinding, Vehicle
from fleetcal.ledger.selectors import entries_of
from fleetcal.records.models import Attachment, Check
from tests.calibration_factories import make_calibration
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_vehicle, signed_in
from tests.records.test_attachments import PDF
from tests.rows import at, write_calibration, write_check
from tests.web.test_instrument_pages import CERTIFICATE, FINDING

pytestmark = pytest.mark.django_db


def a_file(content: bytes = PDF, name: str = "HX-9.pdf") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content)


def fitted(registration: str, **fields: Any) -> Vehicle:
    make_policy()
    vehicle = make_vehicle(registration, **fields)
    make_system(vehicle, serial=f"D-{registration}")
    return vehicle


@pytest.fixture
def fleet() -> tuple[Vehicle, Vehicle]:
    """KJ-204 with a calibration, a check and a ticket; KJ-205, of another depot, with a failed check."""
    near, far = fitted("KJ-204"), fitted("KJ-205", depot=make_depot("FEN"))
    write_calibration(near, at(date(2024, 3, 1)))
    write_check(near, at(date(2024, 5, 1)), {0: "pass", 1: "pass", 2: "conditional fail"})
    write_check(near, at(date(2025, 2, 10)), {0: "pass"}, purpose="trade", counts=False)
    write_check(far, at(date(2025, 2, 20)), {0: "fail"})
    evaluate(date(2025, 2, 25))
    return near, far


# Documents of certificates


def test_a_certificate_is_recorded_with_its_document(client: Client) -> None:
    instrument = make_instrument(certificate=False)
    signed_in(client)
    client.post(reverse("certificate_new", args=[instrument.pk]), {**CERTIFICATE, "upload": a_file()})
    attachment = Attachment.objects.get()
    assert (attachment.record, attachment.vehicle) == (Certificate.objects.get().pk, None)
    assert [entry.kind for entry in entries_of("fleet")[-2:]] == ["certificate.recorded", "attachment.added"]
    signed_in(client, "reader", role="clerk")
    page = client.get(reverse("instrument", args=[instrument.pk])).content.decode()
    assert attachment.sha256 in page
    assert "Add a document" not in page
    download = client.get(reverse("attachment", args=[attachment.pk]))
    assert b"".join(download.streaming_content) == PDF  # type: ignore[attr-defined]


def test_a_form_that_is_only_opened_has_no_errors(client: Client) -> None:
    form = signed_in(client).get(reverse("certificate_new", args=[make_instrument().pk])).context["form"]
    assert form.errors == {}
    assert form["k"].value() == 2


def test_a_document_that_is_none_keeps_the_certificate_from_being_recorded(client: Client) -> None:
    page = reverse("certificate_new", args=[make_instrument(certificate=False).pk])
    answer = signed_in(client).post(page, {**CERTIFICATE, "upload": a_file(b"MZ")})
    assert "Only JPEG" in answer.context["form"].errors["upload"][0]
    assert not Certificate.objects.exists()


def test_a_store_that_fails_leaves_neither_certificate_nor_document(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def save(*_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("fleetcal.records.services.attachments.default_storage.save", save)
    page = reverse("certificate_new", args=[make_instrument(certificate=False).pk])
    with pytest.raises(OSError, match="No space"):
        signed_in(client).post(page, {**CERTIFICATE, "upload": a_file()})
    assert not Certificate.objects.exists()
    assert not Attachment.objects.exists()


def test_a_document_is_added_to_a_certificate_later(client: Client) -> None:
    instrument = make_instrument()
    certificate = Certificate.objects.get()
    signed_in(client)
    address = reverse("certificate_attach", args=[instrument.pk])
    data = {"certificate": certificate.pk, "upload": a_file(name="scan.pdf")}
    page = client.post(address, data, follow=True).content.decode()
    assert "scan.pdf is kept with certificate C-1" in page
    assert Attachment.objects.get().record == certificate.pk


def test_a_document_that_cannot_be_kept_comes_back_with_its_error(client: Client) -> None:
    instrument, other = make_instrument(), make_instrument("Other")
    signed_in(client)
    address = reverse("certificate_attach", args=[instrument.pk])
    own, foreign = (Certificate.objects.get(instrument=each).pk for each in (instrument, other))
    for data, field in (
        ({"certificate": own, "upload": a_file(b"MZ")}, "upload"),
        ({"certificate": own}, "upload"),
        ({"certificate": foreign, "upload": a_file()}, "certificate"),
        ({"certificate": "x", "upload": a_file()}, "certificate"),
    ):
        answer = client.post(address, data)
        assert (answer.status_code, [*answer.context["document_form"].errors]) == (400, [field])
    assert not Attachment.objects.exists()


def test_who_may_not_keep_an_instrument_attaches_nothing_to_it(client: Client) -> None:
    instrument = make_instrument("Other", depot_id=make_depot("FEN").pk)
    address = reverse("certificate_attach", args=[instrument.pk])
    data = {"certificate": Certificate.objects.get().pk, "upload": a_file()}
    signed_in(client, "m.ferrowby", depots=(make_depot("MIL"),))
    assert client.get(address).status_code == 405
    assert client.post(address, data).status_code == 404
    signed_in(client, "reader", role="technician")
    assert client.post(address, data).status_code == 403
    assert not Attachment.objects.exists()


# What rests on an instrument


def listed(client: Client, address: str, **query: str) -> list[tuple[str, ...]]:
    table = client.get(address, query).context["table"]
    return [
        tuple(str(row.get_cell(name)) for name in ("what", "decision", "is_counted")) for row in table.rows
    ]


def bridge_page(name: str = "instrument") -> str:
    return reverse(name, args=[make_instrument().pk])


def test_the_page_lists_what_rests_on_the_instrument(client: Client, fleet: tuple[Vehicle, Vehicle]) -> None:
    signed_in(client)
    answer = client.get(bridge_page())
    rows = [[str(cell) for cell in row.cells] for row in answer.context["table"].rows]
    told = [[text_in(cell) for cell in row] for row in rows]
    assert told == [
        ["KJ-205", "20 Feb 2025, 12:00", "scheduled check", "fail", "yes", "do not rely"],
        ["KJ-204", "10 Feb 2025, 12:00", "everyday ticket", "pass", "no", "do not rely"],
        ["KJ-204", "1 May 2024, 12:00", "scheduled check", "conditional fail", "yes", "do not rely"],
        ["KJ-204", "1 Mar 2024, 12:00", "calibration", "accepted", "yes", "do not rely"],
    ]
    assert reverse("vehicle", args=[fleet[0].pk]) in rows[3][0]
    assert reverse("calibration", args=[fleet[0].calibrations.get().pk]) in rows[3][2]
    assert reverse("check", args=[Check.objects.get(vehicle=fleet[1]).pk]) in rows[0][2]
    page = answer.content.decode()
    assert "3 checks and 1 calibration of 2 vehicles, from 1 Mar 2024 to 20 Feb 2025" in page


def text_in(markup: str) -> str:
    return re.sub(r"<[^>]*>", "", markup).strip()


TICKET, FAILED = ("everyday ticket", "pass", "no"), ("scheduled check", "conditional fail", "yes")


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({"vehicle": "kj 205"}, [("scheduled check", "fail", "yes")]),
        ({"vehicle": "FKJ-205"}, [("scheduled check", "fail", "yes")]),
        ({"vehicle": "ZZ"}, []),
        ({"vehicle": "KJ-204", "since": "2024-05-01"}, [TICKET, FAILED]),
        ({"vehicle": "KJ-204", "since": "2024-05-01", "until": "2024-05-01"}, [FAILED]),
        ({"until": "2024-03-01"}, [("calibration", "accepted", "yes")]),
        ({"vehicle": "KJ-204", "since": "2024-05-01", "sort": "happened_at"}, [FAILED, TICKET]),
        ({"vehicle": "KJ-204", "since": "2024-05-01", "sort": "decision"}, [FAILED, TICKET]),
    ],
)
def test_the_list_is_filtered_and_sorted_by_the_address(
    client: Client, fleet: tuple[Vehicle, Vehicle], query: dict[str, str], found: list[tuple[str, ...]]
) -> None:
    signed_in(client)
    assert [tuple(text_in(cell) for cell in row) for row in listed(client, bridge_page(), **query)] == found


@pytest.mark.parametrize(
    "query",
    [
        {"since": "x"},
        {"until": "9999-12-31"},
        {"vehicle": "\x00"},
        {"sort": "-plate"},
        {"sort": "standing_word"},
        {"sort": "zone"},
        {"page": "99"},
    ],
)
def test_an_address_that_makes_no_sense_still_gives_the_page(
    client: Client, fleet: tuple[Vehicle, Vehicle], query: dict[str, str]
) -> None:
    signed_in(client)
    assert client.get(bridge_page(), query).status_code == 200


def test_people_see_the_records_of_their_depots_only(client: Client, fleet: tuple[Vehicle, Vehicle]) -> None:
    signed_in(client, "m.ferrowby", depots=(make_depot("FEN"),))
    assert len(listed(client, bridge_page())) == 1
    assert b"KJ-204" not in client.get(bridge_page()).content


def test_the_list_is_exported_as_it_is_filtered(client: Client, fleet: tuple[Vehicle, Vehicle]) -> None:
    signed_in(client)
    answer = client.get(bridge_page(), {"export": "csv", "vehicle": "KJ-205"})
    lines = answer.content.decode("utf-8-sig").splitlines()
    assert lines == [
        "Vehicle,When,Record,Decision,Counts,Standing of the vehicle",
        "KJ-205,2025-02-20 12:00:00,scheduled check,fail,yes,do not rely",
    ]
    assert client.get(bridge_page(), {"export": "xlsx"}).status_code == 200


def test_many_records_take_no_more_queries_than_few(
    client: Client, fleet: tuple[Vehicle, Vehicle], django_assert_max_num_queries: Any
) -> None:
    for day in range(1, 29):
        write_check(fleet[0], at(date(2025, 1, day)), {0: "pass", 1: "pass"})
    signed_in(client)
    with django_assert_max_num_queries(20):
        assert len(listed(client, bridge_page())) == 32


# What a finding reopens


def test_the_form_says_how_much_would_be_reopened_before_anything_is_recorded(
    client: Client, fleet: tuple[Vehicle, Vehicle]
) -> None:
    signed_in(client)
    address = bridge_page("finding_new")
    # Since its verification in January 2023, until today.
    assert "4 records of 2 vehicles would be reopened" in client.get(address).content.decode()
    page = client.post(address, {**FINDING, "preview": "1"}).content.decode()
    assert "From 1 Feb 2025 to 1 Mar 2025: 2 records of 2 vehicles would be reopened" in page
    assert "A load cell was cracked." in page
    backwards = client.post(
        address, {**FINDING, "preview": "1", "wrong_until": "2025-01-01"}
    ).content.decode()
    assert "0 records of 0 vehicles would be reopened" in backwards
    assert not InstrumentFinding.objects.exists()


def test_a_finding_leads_to_its_page_with_every_record_and_vehicle(
    client: Client, fleet: tuple[Vehicle, Vehicle]
) -> None:
    signed_in(client)
    answer = client.post(bridge_page("finding_new"), FINDING, follow=True)
    finding = InstrumentFinding.objects.get()
    assert answer.redirect_chain == [(reverse("finding", args=[finding.pk]), 302)]
    page = answer.content.decode()
    assert "2 records of 2 vehicles rest on it in this time and are no longer supported" in page
    for vehicle in fleet:
        assert f'<li><a href="{reverse("vehicle", args=[vehicle.pk])}"><strong>{vehicle}' in page
    address = reverse("finding", args=[finding.pk])
    wrong = "no: the instrument was wrong"
    told = [tuple(text_in(cell) for cell in row) for row in listed(client, address)]
    assert told == [("scheduled check", "fail", wrong), ("everyday ticket", "pass", wrong)]
    assert len(listed(client, address, vehicle="204")) == 1
    assert client.get(address, {"export": "csv"}).content.decode("utf-8-sig").count(wrong) == 2
    # On the instrument's page the records outside that time count as before.
    counts = [row[2] for row in listed(client, bridge_page())]
    assert counts == [wrong, wrong, "yes", "yes"]
    assert reverse("finding", args=[finding.pk]) in client.get(bridge_page()).content.decode()


def test_a_findings_page_shows_people_what_belongs_to_their_depots(
    client: Client, fleet: tuple[Vehicle, Vehicle]
) -> None:
    signed_in(client).post(bridge_page("finding_new"), FINDING)
    finding = InstrumentFinding.objects.get()
    signed_in(client, "m.ferrowby", role="clerk", depots=(make_depot("FEN"),))
    page = client.get(reverse("finding", args=[finding.pk])).content.decode()
    assert "2 records of 2 vehicles" in page
    assert "The lists below hold what belongs to your depots." in page
    assert "KJ-205" in page
    assert "KJ-204" not in page


def test_a_finding_of_nothing_has_a_page_too(client: Client) -> None:
    answer = signed_in(client).post(bridge_page("finding_new"), FINDING, follow=True)
    page = answer.content.decode()
    assert "0 records of 0 vehicles rest on it" in page
    assert "None in your depots." in page
    assert page.count("<h1>") == 1


# Photos and documents of calibrations and installations


@pytest.mark.parametrize(("kind", "other_role"), [("calibration", "clerk"), ("installation", "workshop")])
def test_a_document_is_kept_with_a_record_of_the_weighing_system(
    client: Client, kind: str, other_role: str
) -> None:
    calibration = make_calibration()
    record = calibration if kind == "calibration" else calibration.vehicle.installations.get()
    address = reverse(f"{kind}_attach", args=[record.pk])
    signed_in(client, "t.two", role="technician")
    assert client.get(address).status_code == 405
    refused = client.post(address, {"upload": a_file(b"MZ")})
    assert (refused.status_code, "Only JPEG" in refused.content.decode()) == (400, True)
    page = client.post(address, {"upload": a_file(name="sheet.pdf")}, follow=True).content.decode()
    assert "sheet.pdf" in page
    assert f'action="{address}"' in page
    assert Attachment.objects.get().record == record.pk
    signed_in(client, "far", role="technician", depots=(make_depot("FAR"),))
    assert client.post(address, {"upload": a_file()}).status_code == 404
    signed_in(client, "reader", role=other_role)
    assert client.post(address, {"upload": a_file()}).status_code == 403
    assert f'action="{address}"' not in client.get(reverse(kind, args=[record.pk])).content.decode()
    assert Attachment.objects.count() == 1
