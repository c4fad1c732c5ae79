import hashlib
from pathlib import Path
from uuid import UUID

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Vehicle
from fleetcal.importing import uploads, vehicles
from fleetcal.importing.mapping import Mapping, from_json
from fleetcal.importing.sources import save_source
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.records.models import Check, ImportedFile, TicketSource
from fleetcal.web.forms.sources import column_name
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.importing.test_own_formats import RIGID

pytestmark = pytest.mark.django_db

TICKETS = b"ticket;date;time;plate;gross;display\nT1;03/04/2026;08:00;KJ-204;24000;24200\n"
BAD = b"T2;03/04/2026;08:00;KJ-999;24000;24200\n"
COLUMNS = {
    "ticket": "ticket",
    "date": "date",
    "time": "time",
    "plate": "plate",
    "reference": "gross",
    "display": "display",
}
MAPPING = Mapping(
    COLUMNS, separator=";", date_format="DD/MM/YYYY", time_format="HH:MM", purpose_otherwise="trade"
)


@pytest.fixture(autouse=True)
def own_uploads(settings: object, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path  # type: ignore[attr-defined]


@pytest.fixture
def source() -> TicketSource:
    make_policy()
    make_system(make_vehicle("KJ-204"))
    return save_source("Quarry", MAPPING, instrument=make_instrument(), actor=make_user())


def client_of(user: User | None = None) -> Client:
    client = Client()
    client.force_login(user or make_user())
    return client


def upload(
    client: Client,
    content: bytes,
    *,
    kind: str = "tickets",
    source: TicketSource | None = None,
    url: str = "import_start",
) -> HttpResponse:
    data = {
        "kind": kind,
        "source": source.pk if source else "",
        "file": SimpleUploadedFile("scale.csv", content),
    }
    return client.post(reverse(url), data)  # type: ignore[return-value]


def digest_of(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def said(client: Client, content: bytes, **changes: str) -> dict[str, str]:
    """What stands in the form of the columns page, with *changes*."""
    form = client.get(reverse("import_columns", args=[digest_of(content)])).context["form"]
    values = {name: form[name].value() for name in form.fields}
    return {name: "" if value is None else str(value) for name, value in values.items()} | changes


def test_a_file_of_a_known_source_goes_from_upload_over_preview_to_the_record(source: TicketSource) -> None:
    client = client_of()
    response = upload(client, TICKETS, source=source)
    preview = reverse("import_preview", args=[digest_of(TICKETS)])
    assert response.headers["Location"] == preview
    page = client.get(preview)
    assert "1 to be recorded" in page.content.decode()
    assert "+200" in page.content.decode()
    assert Check.objects.count() == 0
    done = client.post(preview)
    file = ImportedFile.objects.get()
    assert done.headers["Location"] == reverse("import_result", args=[file.pk])
    result = client.get(done.headers["Location"]).content.decode()
    assert file.sha256 in result
    assert entries_of(FLEET_STREAM)[-1].digest in result
    assert client.get(preview).status_code == 404


def test_a_new_source_is_proposed_but_its_dates_are_left_to_the_person(source: TicketSource) -> None:
    client = client_of()
    upload(client, TICKETS)
    form = client.get(reverse("import_columns", args=[digest_of(TICKETS)])).context["form"]
    assert form["column_plate"].value() == "plate"
    assert form["separator"].value() == ";"
    assert form["date_format"].value() is None
    assert form.fields["date_format"].choices == [
        ("DD/MM/YYYY", "DD/MM/YYYY: “03/04/2026” is 3 Apr 2026"),
        ("MM/DD/YYYY", "MM/DD/YYYY: “03/04/2026” is 4 Mar 2026"),
    ]


def test_what_is_said_of_the_columns_stays_with_the_source(source: TicketSource) -> None:
    client = client_of()
    upload(client, TICKETS)
    url = reverse("import_columns", args=[digest_of(TICKETS)])
    refused = client.post(url, said(client, TICKETS, name="Mill"))
    assert "date_format" in refused.context["form"].errors
    answer = said(
        client,
        TICKETS,
        name="Mill",
        instrument=str(make_instrument().pk),
        date_format="MM/DD/YYYY",
        time_format="HH:MM",
    )
    response = client.post(url, answer)
    assert response.headers["Location"] == reverse("import_preview", args=[digest_of(TICKETS)])
    stored = from_json(TicketSource.objects.get(name="Mill").mapping)
    assert (stored.date_format, stored.columns) == ("MM/DD/YYYY", COLUMNS)
    assert entries_of(FLEET_STREAM)[-1].kind == "source.registered"
    assert "4 Mar 2026" in client.get(response.headers["Location"]).content.decode()


def test_a_fault_of_the_mapping_stands_beside_its_input(source: TicketSource) -> None:
    client = client_of()
    upload(client, TICKETS)
    answer = said(client, TICKETS, name="Mill", date_format="MM/DD/YYYY", time_format="HH:MM", column_time="")
    errors = client.post(reverse("import_columns", args=[digest_of(TICKETS)]), answer).context["form"].errors
    assert column_name("time") in errors
    assert "instrument" in errors
    assert TicketSource.objects.count() == 1


def test_the_file_is_read_again_with_another_separator_and_keeps_what_was_typed(source: TicketSource) -> None:
    client = client_of()
    upload(client, TICKETS)
    answer = said(client, TICKETS, name="Mill", separator=",", again="1")
    form = client.post(reverse("import_columns", args=[digest_of(TICKETS)]), answer).context["form"]
    assert form.sample.headings == ("ticket;date;time;plate;gross;display",)
    assert form["name"].value() == "Mill"
    back = client.post(
        reverse("import_columns", args=[digest_of(TICKETS)]), answer | {"separator": ";"}
    ).context["form"]
    assert back["column_plate"].value() == "plate"
    assert TicketSource.objects.count() == 1


def test_lines_with_problems_are_shown_downloaded_and_left_out_only_by_choice(source: TicketSource) -> None:
    client = client_of()
    content = TICKETS + BAD
    upload(client, content, source=source)
    preview = reverse("import_preview", args=[digest_of(content)])
    page = client.get(preview).content.decode()
    assert "Is it KJ-204?" not in page
    assert "No vehicle of your depots has this plate" in page
    download = client.get(reverse("import_problems", args=[digest_of(content)]))
    assert download.content.decode("utf-8-sig").splitlines()[1].startswith("3,plate,KJ-999,")
    assert "attachment" in download.headers["Content-Disposition"]
    assert client.post(preview).status_code == 200
    assert Check.objects.count() == 0
    done = client.post(preview, {"lines": "good"})
    assert Check.objects.count() == 1
    assert (
        reverse("import_problems", args=[digest_of(content)])
        in client.get(done.headers["Location"]).content.decode()
    )


def test_recording_nothing_drops_the_upload(source: TicketSource) -> None:
    client = client_of()
    upload(client, TICKETS + BAD, source=source)
    response = client.post(reverse("import_preview", args=[digest_of(TICKETS + BAD)]), {"lines": "all"})
    assert response.headers["Location"] == reverse("import_start")
    assert uploads.fetch(digest_of(TICKETS + BAD), make_user().pk) is None
    assert ImportedFile.objects.count() == 0


def test_the_same_file_again_says_that_everything_was_on_record(source: TicketSource) -> None:
    client = client_of()
    for _ in range(2):
        upload(client, TICKETS, source=source)
        response = client.post(reverse("import_preview", args=[digest_of(TICKETS)]))
    assert response.headers["Location"] == reverse("import_start")
    assert ImportedFile.objects.count() == 1


@pytest.mark.parametrize("content", [b"", b"<html></html>", b"%PDF-1.4"])
def test_what_is_no_table_is_refused_beside_the_file(content: bytes, source: TicketSource) -> None:
    response = upload(client_of(), content, source=source)
    assert response.status_code == 200
    assert response.context["form"].errors["file"]  # type: ignore[attr-defined]


def test_a_file_of_another_layout_is_refused_with_a_way_out(source: TicketSource) -> None:
    client = client_of()
    upload(client, b"a;b\n1;2\n", source=source)
    response = client.get(reverse("import_preview", args=[digest_of(b"a;b\n1;2\n")]))
    assert response.status_code == 409
    assert reverse("import_columns", args=[digest_of(b"a;b\n1;2\n")]) in response.content.decode()


def test_vehicles_are_imported_from_their_own_page() -> None:
    make_depot()
    client = client_of()
    content = (",".join(vehicles.HEADINGS) + "\n" + RIGID).encode()
    assert client.get(reverse("vehicle_import")).status_code == 200
    response = upload(client, content, kind="vehicles", url="vehicle_import")
    assert "1 to be recorded" in client.get(response.headers["Location"]).content.decode()
    client.post(response.headers["Location"])
    assert Vehicle.objects.get().registration == "KJ-204"


def test_an_upload_is_nobody_elses(source: TicketSource) -> None:
    upload(client_of(), TICKETS, source=source)
    other = client_of(make_user("m.ferrowby"))
    for name in ("import_preview", "import_columns", "import_problems"):
        assert other.get(reverse(name, args=[digest_of(TICKETS)])).status_code == 404
        assert other.get(reverse(name, args=["..%2f..%2fetc"])).status_code == 404


def test_a_vehicle_of_another_depot_is_not_imported_to(source: TicketSource) -> None:
    clerk = make_user("d.wexhamley", role="clerk", depots=(make_depot("FEN"),))
    client = client_of(clerk)
    upload(client, TICKETS, source=source)
    preview = reverse("import_preview", args=[digest_of(TICKETS)])
    assert "No vehicle of your depots" in client.get(preview).content.decode()
    client.post(preview, {"lines": "good"})
    assert Check.objects.count() == 0


@pytest.mark.parametrize("name", ["import_start", "vehicle_import", "source_list"])
@pytest.mark.parametrize("method", ["get", "post"])
def test_a_role_that_only_reads_is_refused(name: str, method: str) -> None:
    client = client_of(make_user("l.trevanne", role="compliance"))
    assert getattr(client, method)(reverse(name)).status_code == 403


@pytest.mark.parametrize("name", ["import_preview", "import_columns", "import_problems"])
def test_no_step_is_open_to_a_role_that_only_reads(name: str, source: TicketSource) -> None:
    client = client_of(make_user("l.trevanne", role="compliance"))
    assert client.get(reverse(name, args=[digest_of(TICKETS)])).status_code == 403
    assert client.post(reverse(name, args=[digest_of(TICKETS)])).status_code == 403


def test_a_clerk_imports_tickets_but_no_register(source: TicketSource) -> None:
    client = client_of(make_user("n.ashgrovely", role="clerk"))
    form = client.get(reverse("import_start")).context["form"]
    assert [value for value, _ in form.fields["kind"].choices] == ["tickets"]
    assert client.get(reverse("vehicle_import")).status_code == 403
    assert upload(client, TICKETS, kind="vehicles").status_code == 200


def test_a_source_is_changed_by_name_with_an_entry_and_not_without_a_change(source: TicketSource) -> None:
    client = client_of()
    url = reverse("source_edit", args=[source.pk])
    form = client.get(url).context["form"]
    answer = {name: "" if form[name].value() is None else str(form[name].value()) for name in form.fields}
    before = len(entries_of(FLEET_STREAM))
    client.post(url, answer)
    assert len(entries_of(FLEET_STREAM)) == before
    response = client.post(url, answer | {"unit": "t", "driver_out_words": "ohne Fahrer, leer"})
    assert response.headers["Location"] == reverse("source_list")
    source.refresh_from_db()
    assert source.mapping["unit"] == "t"
    assert source.mapping["driver_out_words"] == ["ohne Fahrer", "leer"]
    assert entries_of(FLEET_STREAM)[-1].kind == "source.changed"
    assert "driver_out_words" in str(entries_of(FLEET_STREAM)[-1].data)
    assert client.get(reverse("source_edit", args=[UUID(int=7)])).status_code == 404


def test_a_source_is_not_changed_by_who_only_reads(source: TicketSource) -> None:
    client = client_of(make_user("l.trevanne", role="compliance"))
    assert client.post(reverse("source_edit", args=[source.pk])).status_code == 403


def test_lists_are_filtered_and_exported(source: TicketSource) -> None:
    client = client_of()
    upload(client, TICKETS, source=source)
    client.post(reverse("import_preview", args=[digest_of(TICKETS)]))
    assert "scale.csv" in client.get(reverse("import_start"), {"kind": "tickets"}).content.decode()
    assert b"scale.csv" in client.get(reverse("import_start"), {"export": "csv"}).content
    assert client.get(reverse("source_list"), {"export": "xlsx"}).content.startswith(b"PK")


def test_uploads_go_after_a_day(tmp_path: Path) -> None:
    digest = uploads.keep(b"a,b\n", 7)
    assert uploads.fetch(digest, 7) == b"a,b\n"
    assert uploads.fetch(digest, 8) is None
    path = next((tmp_path / "uploads").glob("*/*"))
    uploads.sweep(path.stat().st_mtime + uploads.KEPT_SECONDS + 1)
    assert uploads.fetch(digest, 7) is None
