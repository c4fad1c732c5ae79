"""Every URL with every role: who gets in, who does not, and that what comes back is a whole page."""

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from pytest_django import Settings

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import CAPABILITIES, Capability, Role
from fleetcal.evaluation.services import evaluate
from fleetcal.fleet.models import Depot, Instrument, InstrumentFinding, Policy, Vehicle
from fleetcal.importing.mapping import Mapping
from fleetcal.importing.sources import save_source
from fleetcal.records.models import (
    Attachment,
    Calibration,
    Check,
    ImportedFile,
    Inspection,
    Installation,
    Repair,
    TicketSource,
    Worksheet,
)
from fleetcal.records.services.attachments import add_attachment
from fleetcal.records.services.checks import CheckDraft, DisplayReadings, PlatformReading, record_check
from fleetcal.records.services.inspections import record_inspection
from fleetcal.records.services.repairs import RepairDraft, record_repair
from fleetcal.records.services.worksheets import open_worksheet
from tests.calibration_factories import CALIBRATED_AT, make_calibration
from tests.factories import make_depot, make_instrument, make_policy, make_user, registrar
from tests.records.test_inspections import draft_of
from tests.rows import a_file, write, write_finding

pytestmark = pytest.mark.django_db
ROLES = [str(role) for role in Role]

# Pages of the framework, which ask for an account and nothing else; its admin has its own rules.
FRAMEWORK = {"login", "logout"}
TICKETS = b"ticket;date;time;plate;gross;display\nT1;03/04/2026;08:00;KJ-204;24000;24200\n"
UPLOADED = hashlib.sha256(TICKETS).hexdigest()
COLUMNS = {
    "ticket": "ticket", "date": "date", "time": "time", "plate": "plate", "reference": "gross", "display": "display",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fleet:
    """One of everything that a URL can name, all of one depot."""

    depot: Depot
    vehicle: Vehicle
    instrument: Instrument
    policy: Policy
    installation: Installation
    calibration: Calibration
    check: Check
    repair: Repair
    inspection: Inspection
    finding: InstrumentFinding
    worksheet: Worksheet
    attachment: Attachment
    source: TicketSource
    file: ImportedFile


@pytest.fixture
def fleet(settings: Settings, tmp_path: Path) -> Fleet:
    settings.DATA_DIR = tmp_path
    calibration = make_calibration()
    vehicle, actor = calibration.vehicle, registrar()
    check = record_check(
        CheckDraft(
            vehicle_id=vehicle.pk,
            instrument_id=make_instrument().pk,
            ticket="48213",
            purpose="check",
            weighed_at=CALIBRATED_AT + timedelta(days=100),
            platform=(PlatformReading(Decimal(25_000)),),
            display=(DisplayReadings((Decimal(25_100), Decimal(25_120))),),
        ),
        actor=actor,
    )
    repair = record_repair(
        RepairDraft(
            vehicle_id=vehicle.pk,
            component="leaf spring",
            work="replaced",
            happened_at=CALIBRATED_AT + timedelta(days=200),
            axle=1,
        ),
        actor=actor,
    )
    mapping = Mapping(COLUMNS, separator=";", date_format="DD/MM/YYYY", time_format="HH:MM", purpose_otherwise="trade")  # fmt: skip
    source = save_source("Quarry", mapping, instrument=make_instrument(), actor=actor)
    file = a_file(source)
    write("fleet", "file.imported", file)
    write_finding(make_instrument(), date(2023, 1, 1), date(2023, 1, 31), date(2023, 2, 1))
    photo = SimpleUploadedFile("ticket.pdf", b"%PDF-1.4\n%%EOF\n")
    evaluate((CALIBRATED_AT + timedelta(days=300)).date())
    return Fleet(
        depot=make_depot(),
        vehicle=vehicle,
        instrument=make_instrument(),
        policy=make_policy(),
        installation=Installation.objects.get(),
        calibration=calibration,
        check=check,
        repair=repair,
        inspection=record_inspection(draft_of(vehicle), actor=actor),
        finding=InstrumentFinding.objects.get(),
        worksheet=open_worksheet(actor=actor, vehicle=vehicle),
        attachment=add_attachment(actor=actor, vehicle=vehicle, record_id=check.pk, upload=photo),
        source=source,
        file=file,
    )


Arguments = Callable[[Fleet], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Page:
    """What names the page's object; what GET gives whoever may; whether it exists for people of another depot."""

    arguments: Arguments
    gives: int = 200
    is_of_vehicle: bool = False


def plain(gives: int = 200) -> Page:
    return Page(lambda fleet: {}, gives)


def of(attribute: str, name: str = "pk", gives: int = 200, is_of_vehicle: bool = True) -> Page:
    return Page(lambda fleet: {name: getattr(fleet, attribute).pk}, gives, is_of_vehicle)


def upload() -> Page:
    """A file that the person has just uploaded."""
    return Page(lambda fleet: {"digest": UPLOADED})


ONLY_POST = 405
PAGES: dict[str, Page] = {
    "due": plain(),
    "vehicle_list": plain(),
    "vehicle": of("vehicle"),
    "vehicle_new": plain(),
    "vehicle_edit": of("vehicle", "vehicle_id"),
    "vehicle_limits": of("vehicle", "vehicle_id"),
    "vehicle_import": plain(),
    "system_edit": of("vehicle", "vehicle_id"),
    "system_new": of("vehicle", "vehicle_id"),
    "depot_list": plain(),
    "depot_new": plain(),
    "depot_edit": of("depot", "depot_id", is_of_vehicle=False),
    "depot_people": of("depot", "depot_id", ONLY_POST, is_of_vehicle=False),
    "instrument_list": plain(),
    "instrument_new": plain(),
    "instrument": of("instrument", "instrument_id", is_of_vehicle=False),
    "instrument_edit": of("instrument", "instrument_id", is_of_vehicle=False),
    "certificate_new": of("instrument", "instrument_id", is_of_vehicle=False),
    "certificate_attach": of("instrument", "instrument_id", ONLY_POST, is_of_vehicle=False),
    "finding": of("finding", is_of_vehicle=False),
    "finding_new": of("instrument", "instrument_id", is_of_vehicle=False),
    "policy_list": plain(),
    "policy_new": plain(),
    "policy": of("policy", "policy_id", is_of_vehicle=False),
    "policy_version_new": of("policy", "policy_id", is_of_vehicle=False),
    "preferences": plain(),
    "unit_switch": plain(ONLY_POST),
    "check_start": plain(),
    "check_new": of("vehicle"),
    "check": of("check"),
    "check_correct": of("check"),
    "check_attach": of("check", gives=ONLY_POST),
    "record_withdraw": Page(lambda fleet: {"kind": "check", "pk": fleet.check.pk}, is_of_vehicle=True),
    "attachment": of("attachment"),
    "repair_start": plain(),
    "repair_new": of("vehicle"),
    "repair_effect": of("vehicle"),
    "repair": of("repair"),
    "repair_correct": of("repair"),
    "repair_attach": of("repair", gives=ONLY_POST),
    "installation_new": of("vehicle"),
    "installation": of("installation"),
    "installation_correct": of("installation"),
    "installation_attach": of("installation", gives=ONLY_POST),
    "calibration_start": plain(),
    # The worksheet of the vehicle is open already: go on with it.
    "calibration_begin": of("vehicle", gives=302),
    "calibration": of("calibration"),
    "calibration_attach": of("calibration", gives=ONLY_POST),
    "inspection_new": of("vehicle"),
    "inspection": of("inspection"),
    "inspection_correct": of("inspection"),
    "inspection_attach": of("inspection", gives=ONLY_POST),
    "worksheet": of("worksheet"),
    "import_start": plain(),
    "import_columns": upload(),
    "import_preview": upload(),
    "import_problems": upload(),
    # Nobody asked for this one.
    "import_job": Page(lambda fleet: {"digest": UPLOADED, "attempt": UUID(int=1)}, 404),
    "import_result": of("file", "file_id", is_of_vehicle=False),
    "source_list": plain(),
    "source_edit": of("source", "source_id", is_of_vehicle=False),
    "evidence": plain(),
    "audit_pdf": of("vehicle"),
    "activity": plain(),
    "entry": Page(lambda fleet: {"stream": fleet.vehicle.stream, "seq": 0}, is_of_vehicle=True),
}
# A piece of a page, put into one that stands already.
FRAGMENTS = {"repair_effect"}


def routes(patterns: list[URLPattern | URLResolver] | None = None) -> Iterator[URLPattern]:
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        if isinstance(pattern, URLPattern):
            yield pattern
        elif pattern.app_name != "admin":
            yield from routes(pattern.url_patterns)


def capability_of(name: str) -> Capability:
    [pattern] = [pattern for pattern in routes() if pattern.name == name]
    return Capability(vars(pattern.callback)["capability"])


def signed_in(fleet: Fleet, role: str, **fields: Any) -> Client:
    """Somebody of that role, who has uploaded a file of tickets if they may."""
    client = Client()
    client.force_login(user := make_user(f"{role}.one", role=role, **fields))
    if user.may(Capability.IMPORT_FILES):
        content = SimpleUploadedFile("scale.csv", TICKETS)
        client.post(reverse("import_start"), {"kind": "tickets", "source": fleet.source.pk, "file": content})
    return client


def test_every_url_names_its_capability_and_stands_in_the_table_of_this_test() -> None:
    names = {pattern.name for pattern in routes()}
    assert all(pattern.name for pattern in routes())
    assert names - FRAMEWORK == PAGES.keys()
    unguarded = {pattern.name for pattern in routes() if not hasattr(pattern.callback, "capability")}
    assert unguarded == FRAMEWORK
    assert {capability_of(name) for name in PAGES} <= set(Capability)


@pytest.mark.parametrize("role", ROLES)
def test_every_page_lets_in_whom_it_should_and_nobody_else(fleet: Fleet, role: str) -> None:
    client, wrong = signed_in(fleet, role), dict[str, Any]()
    for name, page in PAGES.items():
        url, may = reverse(name, kwargs=page.arguments(fleet)), capability_of(name) in CAPABILITIES[role]
        # What only takes POST says so before it asks who is there.
        response = client.get(url) if may or page.gives != ONLY_POST else client.post(url)
        if response.status_code != (page.gives if may else 403):
            wrong[name] = response.status_code
        elif response.status_code in {200, 403} and not (may and name in FRAGMENTS):
            wrong[name] = faults_of(response)
    assert {name: what for name, what in wrong.items() if what} == {}


def test_nobody_gets_in_without_an_account(fleet: Fleet) -> None:
    client = Client()
    for name, page in PAGES.items():
        url = reverse(name, kwargs=page.arguments(fleet))
        assert client.get(url).headers["Location"].startswith(reverse("login")), name
    assert faults_of(client.get(reverse("login"))) == []


def test_what_belongs_to_a_vehicle_does_not_exist_for_people_of_another_depot(fleet: Fleet) -> None:
    elsewhere = make_depot("ELS")
    client = signed_in(fleet, "manager", depots=(elsewhere,))
    answers = {
        name: client.get(reverse(name, kwargs=page.arguments(fleet))).status_code
        for name, page in PAGES.items()
        if page.is_of_vehicle and page.gives != ONLY_POST
    }
    assert {name: status for name, status in answers.items() if status != 404} == {}
    assert User.objects.get(username="manager.one").all_depots is False


def test_an_empty_fleet_has_pages_too() -> None:
    client = Client()
    client.force_login(make_user("first", role="administrator"))
    for name, page in PAGES.items():
        try:
            arguments = page.arguments(None)  # type: ignore[arg-type]
        except AttributeError:
            continue  # needs an object
        if not arguments and page.gives == 200:
            response = client.get(reverse(name))
            assert response.status_code == 200, name
            assert faults_of(response) == [], name


class Markup(HTMLParser):
    """What a page must not have, and what it must have once."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.ids: Counter[str] = Counter()
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        # A drawing has titles of its own.
        self.tags[tag] += tag != "title" or not self.tags["body"]
        if name := given.get("id"):
            self.ids[name] += 1
        # The content security policy would not let these work.
        self.faults += [f"{tag} {name}" for name in given if name == "style" or name.startswith("on")]
        if tag == "style" or (
            tag == "script" and "src" not in given and given.get("type") != "application/json"
        ):
            self.faults.append(f"{tag} in the page")
        if tag == "img" and "alt" not in given:
            self.faults.append("img without alt")


def faults_of(response: Any) -> list[str]:
    if not response.headers["Content-Type"].startswith("text/html"):
        return []
    markup = Markup()
    markup.feed(response.content.decode())
    found = [f"{markup.tags[tag]} {tag}" for tag in ("h1", "main", "title") if markup.tags[tag] != 1]
    found += [f"id {name} {times} times" for name, times in markup.ids.items() if times > 1]
    if "unsafe" in response.headers["Content-Security-Policy"]:
        found.append("a policy that lets inline code run")
    return found + markup.faults
