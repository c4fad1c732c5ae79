import json
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID, uuid4

import pytest
from django.test import Client
from django.urls import reverse
from pytest_django import Settings

from fleetcal.importing.sources import save_source
from fleetcal.records.models import Check, ImportedFile, TicketSource
from fleetcal.tasks import imports
from fleetcal.tasks.application import app
from fleetcal.tasks.imports import ImportOrder, ImportOutcome, commit_import
from fleetcal.tasks.jobs import LEASE
from fleetcal.tasks.models import Job, JobState
from fleetcal.web.views import import_jobs
from tests.factories import make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.tasks.test_refresh import broker
from tests.web.test_import_pages import BAD, MAPPING, TICKETS, client_of, digest_of, upload

pytestmark = pytest.mark.django_db

LARGE = TICKETS + b"T3;04/04/2026;08:00;KJ-204;24000;24200\n"
PREVIEW = reverse("import_preview", args=[digest_of(LARGE)])
HTMX = {"HX-Request": "true"}


@pytest.fixture(autouse=True)
def small_files_are_large(monkeypatch: pytest.MonkeyPatch, settings: Settings, tmp_path: Path) -> None:
    monkeypatch.setattr(import_jobs, "MOST_AT_ONCE", 1)
    settings.DATA_DIR, settings.REDIS_URL = tmp_path, ""


@pytest.fixture
def source() -> TicketSource:
    make_policy()
    make_system(make_vehicle("KJ-204"))
    return save_source("Quarry", MAPPING, instrument=make_instrument(), actor=make_user())


@pytest.fixture
def orders(monkeypatch: pytest.MonkeyPatch) -> Iterator["Orders"]:
    with broker("memory://", monkeypatch):
        found = Orders()
        found.take()
        yield found


class Orders:
    """What waits for a worker."""

    def take(self) -> list[ImportOrder]:
        with app.connection("memory://") as connection, connection.SimpleQueue("celery") as queue:
            messages = [queue.get(block=False) for _ in range(queue.qsize())]
            for message in messages:
                message.ack()
        return [
            ImportOrder(**json.loads(message.body)[1])
            for message in messages
            if message.headers["task"] == "commit_import"
        ]

    def work(self) -> None:
        for order in self.take():
            commit_import.apply(kwargs=asdict(order))


def ask(client: Client, source: TicketSource, content: bytes = LARGE, **data: str) -> str:
    """The address to which the person is sent after the choice."""
    upload(client, content, source=source)
    preview = reverse("import_preview", args=[digest_of(content)])
    client.get(preview)
    return client.post(preview, data).headers["Location"]


def take_up(attempt: str, **fields: object) -> Job:
    """The row of a job that a worker has begun."""
    now = datetime.now(UTC)
    key = f"import {digest_of(LARGE)} {make_user().pk} {UUID(attempt).hex}"
    return Job.objects.create(
        key=key, holder="7", **{"leased_until": now + LEASE, "started_at": now} | fields
    )


def test_a_large_file_waits_for_a_worker_and_ends_at_its_result(source: TicketSource, orders: Orders) -> None:
    client = client_of()
    url = ask(client, source)
    assert url.startswith(f"/imports/{digest_of(LARGE)}/jobs/")
    assert Check.objects.count() == 0
    page = client.get(url).content.decode()
    assert "Waiting for a worker" in page
    assert f'hx-get="{url}"' in page
    assert '<noscript><meta http-equiv="refresh"' in page

    orders.work()
    assert Check.objects.count() == 2
    result = reverse("import_result", args=[ImportedFile.objects.get().pk])
    assert client.get(url).headers["Location"] == result
    assert client.get(url, headers=HTMX).headers["HX-Redirect"] == result


def test_a_small_file_is_recorded_at_once(source: TicketSource, orders: Orders) -> None:
    client = client_of()
    assert ask(client, source, TICKETS).startswith("/imports/files/")
    assert (Check.objects.count(), orders.take()) == (1, [])


def test_without_a_broker_it_is_recorded_at_once_and_said(
    source: TicketSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = client_of()
    with broker("redis+socket:///nowhere/broker.sock", monkeypatch):
        url = ask(client, source)
    assert url == reverse("import_result", args=[ImportedFile.objects.get().pk])
    assert Check.objects.count() == 2
    assert "No worker could be reached" in client.get(url).content.decode()


def test_a_second_click_asks_for_nothing_more(source: TicketSource, orders: Orders) -> None:
    client = client_of()
    url = ask(client, source)
    [order] = orders.take()
    take_up(order.attempt)
    client.get(PREVIEW)
    assert client.post(PREVIEW).headers["Location"] == url
    assert orders.take() == []


def test_lines_with_problems_are_left_out_only_by_choice(source: TicketSource, orders: Orders) -> None:
    client, content = client_of(), LARGE + BAD
    upload(client, content, source=source)
    preview = reverse("import_preview", args=[digest_of(content)])
    client.get(preview)
    assert "lines" in client.post(preview).context["form"].errors
    assert orders.take() == []
    assert client.post(preview, {"lines": "good"}).status_code == 302
    orders.work()
    assert ImportedFile.objects.get().rows_refused == 1
    assert ask(client, source, content, lines="all") == reverse("import_start")
    assert orders.take() == []


def test_nobody_else_sees_the_job(source: TicketSource, orders: Orders) -> None:
    client = client_of()
    url = ask(client, source)
    other = client_of(make_user("m.ferrowby"))
    assert other.get(url).status_code == 404
    orders.work()
    assert other.get(url).status_code == 404
    assert client_of().get(url).status_code == 302, "the same person in another browser"
    assert client.get(reverse("import_job", args=[digest_of(LARGE), uuid4()])).status_code == 404
    assert client.post(url).status_code == 405
    assert client_of(make_user("l.trevanne", role="compliance")).get(url).status_code == 403


def test_how_far_it_is_stands_in_words_and_in_a_bar(
    source: TicketSource, orders: Orders, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = client_of()
    url = ask(client, source)
    take_up(orders.take()[0].attempt)
    assert "Reading the file once more" in client.get(url).content.decode()
    monkeypatch.setattr(imports, "told", lambda key: (3_000, 10_000))
    piece = client.get(url, headers=HTMX).content.decode()
    assert "3 000 of 10 000 records written" in " ".join(piece.split())
    assert '<progress aria-labelledby="progress-label" max="10000" value="3000">' in piece
    assert "<h1>" not in piece


@pytest.mark.parametrize(
    ("fields", "words", "goes_on"),
    [
        ({"leased_until": datetime(2026, 1, 1, tzinfo=UTC)}, "stopped in the middle", True),
        ({"state": JobState.FAILED, "message": "OSError: secret"}, "tries again by itself", True),
        (
            {"state": JobState.DONE, "message": json.dumps(asdict(ImportOutcome(problem="Not one line.")))},
            "Not one line.",
            False,
        ),
    ],
)
def test_what_went_wrong_is_said_with_a_way_on(
    fields: dict[str, object], words: str, goes_on: bool, source: TicketSource, orders: Orders
) -> None:
    client = client_of()
    url = ask(client, source)
    take_up(orders.take()[0].attempt, **fields)
    page = client.get(url).content.decode()
    assert words in page
    assert "othing was recorded" in page
    assert "secret" not in page
    assert ("hx-trigger" in page, "http-equiv" in page) == (goes_on, goes_on)
    assert (PREVIEW in page) is not goes_on


def test_after_an_attempt_that_ended_the_file_can_be_recorded_in_another(
    source: TicketSource, orders: Orders
) -> None:
    client = client_of()
    first = ask(client, source)
    problem = json.dumps(asdict(ImportOutcome(problem="Not one line.")))
    take_up(orders.take()[0].attempt, state=JobState.DONE, message=problem)
    client.get(PREVIEW)
    second = client.post(PREVIEW).headers["Location"]
    assert second != first
    orders.work()
    assert client.get(second).headers["Location"].startswith("/imports/files/")


def test_where_everything_was_on_record_the_job_ends_at_the_start(
    source: TicketSource, orders: Orders
) -> None:
    client = client_of()
    for _ in range(2):
        url = ask(client, source)
        orders.work()
    assert client.get(url).headers["Location"] == reverse("import_start")
    assert "on record already" in client.get(reverse("import_start")).content.decode()
    assert ImportedFile.objects.count() == 1
