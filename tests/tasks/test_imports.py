"""The import as a task, called without a worker."""

import json
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from pytest_django import DjangoCaptureOnCommitCallbacks, Settings

from fleetcal.evaluation.models import Standing
from fleetcal.importing import uploads
from fleetcal.importing.sources import save_source
from fleetcal.ledger.selectors import total_count
from fleetcal.records.models import Check, ImportedFile, TicketSource
from fleetcal.tasks import imports, local_broker
from fleetcal.tasks.application import app
from fleetcal.tasks.imports import (
    ImportOrder,
    ImportState,
    ImportStatus,
    commit_import,
    send_import,
    status_of_import,
)
from fleetcal.tasks.jobs import LEASE
from fleetcal.tasks.models import Job, JobState
from fleetcal.tasks.progress import tell, told
from tests.factories import make_depot, make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.importing.test_tickets import GOOD, MAPPING, file_of
from tests.tasks.test_refresh import broker

pytestmark = pytest.mark.django_db

BAD = "T9,2026-03-01,08:00,XX-1,24000,24200,check"


@pytest.fixture(autouse=True)
def own_data(settings: Settings, tmp_path: Path) -> None:
    settings.DATA_DIR, settings.REDIS_URL = tmp_path, ""


@pytest.fixture
def source() -> TicketSource:
    make_policy()
    make_system(make_vehicle("KJ-204"))
    return save_source("Quarry", MAPPING, instrument=make_instrument(), actor=make_user())


def order_of(source: TicketSource, *lines: str, good_only: bool = False) -> ImportOrder:
    user = make_user()
    digest = uploads.keep(file_of(*(lines or GOOD)), user.pk)
    return ImportOrder(uuid4().hex, digest, "scale.csv", "tickets", str(source.pk), user.pk, good_only)


def deliver(order: ImportOrder, task_id: str = "") -> Any:
    return commit_import.apply(kwargs=asdict(order), task_id=task_id or uuid4().hex)


def status_of(order: ImportOrder) -> ImportStatus:
    return status_of_import(order.user_id, order.digest, order.attempt)


def test_the_worker_records_the_file_evaluates_and_drops_the_upload(
    source: TicketSource, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    order = order_of(source)
    assert status_of(order).state == ImportState.WAITING
    with django_capture_on_commit_callbacks(execute=True):
        assert deliver(order).successful()
    file = ImportedFile.objects.get()
    assert (Check.objects.count(), file.rows_recorded, file.recorded_by) == (3, 3, make_user())
    status = status_of(order)
    assert (status.state, status.outcome.file_id) == (ImportState.DONE, str(file.pk))
    assert Standing.objects.filter(vehicle__registration="KJ-204").exists()
    assert uploads.fetch(order.digest, order.user_id) is None


def test_a_second_delivery_adds_nothing(source: TicketSource) -> None:
    order = order_of(source)
    deliver(order)
    entries, status = total_count(), status_of(order)
    assert deliver(order).successful()
    assert total_count() == entries
    assert status_of(order) == status


def test_the_same_file_in_another_attempt_adds_nothing_either(source: TicketSource) -> None:
    deliver(order_of(source))
    entries, again = total_count(), order_of(source)
    deliver(again)
    status = status_of(again)
    assert (status.state, status.outcome.file_id, status.outcome.problem) == (ImportState.DONE, "", "")
    assert total_count() == entries


def test_an_attempt_whose_worker_was_killed_is_done_by_its_next_delivery(source: TicketSource) -> None:
    order, now = order_of(source), datetime.now(UTC)
    Job.objects.create(key=order.key, holder="7", leased_until=now + LEASE, started_at=now)
    deliver(order, task_id="8")
    assert Check.objects.count() == 0, "the first one may still be alive"
    deliver(order, task_id="7")
    assert Check.objects.count() == 3
    assert status_of(order).state == ImportState.DONE


def test_a_failure_in_the_middle_leaves_nothing_and_is_tried_again(
    source: TicketSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    order, entries, times = order_of(source), total_count(), []
    record = imports.commit

    def fails_once(*args: Any, progress: Any, **kwargs: Any) -> Any:
        def stops(done: int) -> None:
            times.append(done)
            if len(times) == 1:
                assert Check.objects.count() == 3
                raise ConnectionError("the database is away")

        return record(*args, progress=stops, **kwargs)

    monkeypatch.setattr(imports, "commit", fails_once)
    monkeypatch.setattr(commit_import, "max_retries", 0)
    assert isinstance(deliver(order).result, ConnectionError)
    assert (Check.objects.count(), total_count()) == (0, entries)
    assert status_of(order).state == ImportState.FAILED
    assert uploads.fetch(order.digest, order.user_id) is not None

    monkeypatch.setattr(commit_import, "max_retries", 3)
    assert deliver(order).successful()
    assert (times, Check.objects.count()) == ([3, 3], 3)


def test_lines_with_problems_hold_everything_back_unless_they_are_left_out(source: TicketSource) -> None:
    refused = order_of(source, *GOOD, BAD)
    deliver(refused)
    status = status_of(refused)
    assert (status.state, Check.objects.count()) == (ImportState.DONE, 0)
    assert "1 of 4 lines have problems" in status.outcome.problem
    good = replace(refused, attempt=uuid4().hex, with_good_rows_only=True)
    deliver(good)
    assert (status_of(good).outcome.refused, Check.objects.count()) == (1, 3)
    assert uploads.fetch(good.digest, good.user_id) is not None, "its problems can still be downloaded"


def test_what_the_person_may_not_do_any_more_is_an_outcome_and_not_a_failure(source: TicketSource) -> None:
    order = order_of(source)
    uploads.drop(order.digest, order.user_id)
    deliver(order)
    assert "does not find the file" in status_of(order).outcome.problem

    compliance = make_user("l.trevanne", role="compliance")
    other = replace(order_of(source), user_id=compliance.pk)
    uploads.keep(file_of(*GOOD), compliance.pk)
    deliver(other)
    assert "role does not include" in status_of(other).outcome.problem

    clerk = make_user("n.ashgrovely", role="clerk", depots=(make_depot("ELS"),))
    elsewhere = replace(order_of(source), user_id=clerk.pk)
    uploads.keep(file_of(*GOOD), clerk.pk)
    deliver(elsewhere)
    assert "3 of 3 lines have problems" in status_of(elsewhere).outcome.problem

    clerk.is_active = False
    clerk.save()
    late = replace(elsewhere, attempt=uuid4().hex)
    deliver(late)
    assert "not active any more" in status_of(late).outcome.problem
    assert Check.objects.count() == 0


def test_a_job_whose_lease_has_run_out_is_abandoned(source: TicketSource) -> None:
    order, then = order_of(source), datetime.now(UTC) - LEASE - timedelta(seconds=1)
    Job.objects.create(key=order.key, holder="7", leased_until=then + LEASE, started_at=then)
    assert status_of(order).state == ImportState.ABANDONED
    deliver(order, task_id="8")
    assert status_of(order).state == ImportState.DONE


def test_an_order_reaches_the_worker_whole_and_is_not_sent_again_once_taken_up(
    source: TicketSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = order_of(source)
    with broker("memory://", monkeypatch):
        assert send_import(order)
        with app.connection("memory://") as connection, connection.SimpleQueue("celery") as queue:
            message = queue.get(timeout=5)
            message.ack()
            assert message.headers["task"] == "commit_import"
            assert ImportOrder(**json.loads(message.body)[1]) == order
            deliver(order)
            assert send_import(order)
            assert queue.qsize() == 0


def test_without_a_broker_the_order_is_not_taken(
    source: TicketSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    with broker("redis+socket:///nowhere/broker.sock", monkeypatch):
        assert not send_import(order_of(source))


def test_without_a_broker_no_progress_is_told_and_nothing_fails(source: TicketSource) -> None:
    order, now = order_of(source), datetime.now(UTC)
    tell(order.key, 1, 3)
    assert told(order.key) == (0, 0)
    Job.objects.create(key=order.key, holder="7", leased_until=now + LEASE, started_at=now)
    assert status_of(order).state == ImportState.READING


@pytest.mark.services
def test_progress_is_seen_while_the_transaction_is_open(
    source: TicketSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    order, seen = order_of(source), []
    record = imports.commit

    def watched(*args: Any, progress: Any, **kwargs: Any) -> Any:
        seen.append(status_of(order))

        def step(done: int) -> None:
            progress(done)
            seen.append(status_of(order))

        return record(*args, progress=step, **kwargs)

    monkeypatch.setattr(imports, "commit", watched)
    with local_broker.running():
        deliver(order)
    assert [(each.state, each.done, each.total) for each in seen] == [
        (ImportState.WRITING, 0, 3),
        (ImportState.WRITING, 3, 3),
    ]
    assert Job.objects.get(key=order.key).state == JobState.DONE
