import json
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from uuid import uuid4

import pytest
from django.db import transaction
from pytest_django import DjangoCaptureOnCommitCallbacks

from fleetcal.evaluation.models import Standing
from fleetcal.tasks.application import app
from fleetcal.tasks.refresh import AT_ONCE, refresh_standings
from tests.factories import make_policy, make_system, make_vehicle
from tests.rows import at, write_calibration

pytestmark = pytest.mark.django_db


@contextmanager
def broker(url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """What is published meanwhile goes to *url*."""
    connect = app.connection_for_write
    with monkeypatch.context() as patch:
        patch.setattr(app, "connection_for_write", lambda *args, **kwargs: connect(url))
        patch.setattr(app.amqp, "_producer_pool", None)
        yield


def test_a_few_vehicles_are_evaluated_at_once_and_no_others(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    make_policy()
    one, other = (make_vehicle(plate, layout="rigid2") for plate in ("KJ-1", "KJ-2"))
    make_system(one)
    write_calibration(one, at(date(2026, 2, 1)))
    with django_capture_on_commit_callbacks(execute=True):
        refresh_standings({one.pk})
        assert not Standing.objects.exists()
    assert Standing.objects.get().vehicle == one
    assert other.pk != one.pk


def test_what_is_rolled_back_is_not_evaluated(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    with django_capture_on_commit_callbacks(execute=True) as callbacks, transaction.atomic():
        refresh_standings({make_vehicle().pk})
        transaction.set_rollback(True)
    assert callbacks == []


def test_many_vehicles_go_to_a_worker(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = {uuid4() for _ in range(AT_ONCE + 1)}
    with broker("memory://", monkeypatch):
        with django_capture_on_commit_callbacks(execute=True):
            refresh_standings(keys)
        with app.connection("memory://") as connection, connection.SimpleQueue("celery") as queue:
            message = queue.get(timeout=5)
    assert message.headers["task"] == "evaluate_changed"
    [[named], *_] = json.loads(message.body)
    assert set(named) == {str(key) for key in keys}


@pytest.mark.parametrize("url", ["redis+socket:///nowhere/broker.sock", "redis://127.0.0.1:1/0"])
def test_without_a_broker_a_warning_says_that_they_wait(
    url: str,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    with (
        broker(url, monkeypatch),
        caplog.at_level(logging.WARNING),
        django_capture_on_commit_callbacks(execute=True),
    ):
        refresh_standings({uuid4() for _ in range(AT_ONCE + 1)})
    [warning] = [record for record in caplog.records if record.name == "fleetcal.tasks.refresh"]
    assert warning.getMessage() == f"no broker answers; {AT_ONCE + 1} vehicles wait for the next sweep"
