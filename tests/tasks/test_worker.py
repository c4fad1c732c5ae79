"""Real workers: on Redis, killed in the middle of their work; and on the broker that this machine brings along."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from celery import Celery
from django.conf import settings as base_settings
from django.db import connection, transaction
from django.utils import timezone
from pytest_django import Settings

from fleetcal.evaluation.models import Standing, StandingChange
from fleetcal.evaluation.services import standings_as_of
from fleetcal.ledger.models import Head
from fleetcal.ledger.verification import verify
from fleetcal.tasks import local_broker
from fleetcal.tasks.workers import running_worker
from tests.factories import make_policy, make_system, make_vehicle
from tests.rows import at, write_calibration, write_repair

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]
PATIENCE_S = 90


def until(what: str, holds: Callable[[], Any]) -> Any:
    """Whatever *holds* gives as soon as it gives something."""
    deadline = time.monotonic() + PATIENCE_S
    while not (found := holds()):
        if time.monotonic() > deadline:
            pytest.fail(f"after {PATIENCE_S} s still not: {what}")
        time.sleep(0.05)
    return found


def fleet(count: int) -> list[str]:
    """The streams of vehicles of which every second one has a broken part."""
    make_policy()
    streams = []
    for number in range(count):
        vehicle = make_vehicle(f"KJ-{number}", layout="rigid2")
        make_system(vehicle)
        write_calibration(vehicle, at(date(2026, 2, 1)))
        if number % 2:
            write_repair(vehicle, at(date(2026, 2, 9)), "recalibrate group", [1])
        streams.append(vehicle.stream)
    return streams


def assert_standings_are_fresh() -> None:
    fresh = {key: result.word.value for key, result in standings_as_of(timezone.localdate()).items()}
    assert dict(Standing.objects.values_list("vehicle_id", "word")) == fresh


def database_url() -> str:
    found = connection.settings_dict
    who = f"{found['USER']}:{found['PASSWORD']}" if found["PASSWORD"] else found["USER"]
    return f"postgresql://{who}@{found['HOST']}:{found['PORT'] or 5432}/{found['NAME']}"


@contextmanager
def worker(queue: str, log: Path, environment: dict[str, str]) -> Iterator[None]:
    command = [sys.executable, "-m", "celery", "-A", "fleetcal.tasks.application", "worker"]
    options = ["--queues", queue, "--hostname", f"{queue}@here", "--concurrency", "1", "--loglevel", "INFO"]
    with log.open("wb") as output:
        process = subprocess.Popen(
            [*command, *options],
            env=os.environ | environment,
            cwd=base_settings.BASE_DIR,
            stdout=output,
            stderr=subprocess.STDOUT,
        )
        try:
            yield
        finally:
            process.terminate()
            process.wait(timeout=PATIENCE_S)


def waiting_for_me() -> list[int]:
    """The database sessions that wait for a lock of this one."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pid FROM pg_locks WHERE NOT granted AND pg_backend_pid() = ANY(pg_blocking_pids(pid))"
        )
        return [pid for (pid,) in cursor.fetchall()]


def test_an_evaluation_whose_process_is_killed_is_done_again_with_the_same_result(
    postgresql: Any, redis_url: str, tmp_path: Path
) -> None:
    streams, queue, log = fleet(3), f"t-{uuid4().hex}", tmp_path / "worker.log"
    client = Celery(broker=redis_url)
    environment = {"FLEETCAL_DATABASE_URL": database_url(), "FLEETCAL_DATA_DIR": str(tmp_path)}
    with worker(queue, log, environment | {"FLEETCAL_REDIS_URL": redis_url}):
        with transaction.atomic():
            # The last vehicle's stream is held, so that the evaluation stands still in the middle of writing.
            Head.objects.select_for_update().get(stream=max(streams))
            client.send_task("evaluate_fleet", queue=queue)
            until("the evaluation waits for the stream", waiting_for_me)
            inspect = client.control.inspect([f"{queue}@here"], timeout=2)
            stats = until("the worker tells its processes", inspect.stats)
            [child] = stats[f"{queue}@here"]["pool"]["processes"]
            os.kill(child, signal.SIGKILL)
            until("the worker has noticed", lambda: b"WorkerLostError" in log.read_bytes())
            assert not Standing.objects.exists()
        until("the evaluation is done", lambda: b"succeeded" in log.read_bytes())

    assert log.read_text().count("received") == 2, "handed out once more after the kill"
    assert Standing.objects.count() == StandingChange.objects.count() == 3
    assert_standings_are_fresh()
    assert list(verify()) == []


def test_work_goes_through_the_broker_of_this_machine_and_back(
    postgresql: Any, settings: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.DATA_DIR, settings.REDIS_URL = tmp_path, ""
    for name, value in (
        ("FLEETCAL_DATA_DIR", str(tmp_path)),
        ("FLEETCAL_REDIS_URL", ""),
        ("FLEETCAL_DATABASE_URL", database_url()),
    ):
        monkeypatch.setenv(name, value)
    fleet(3)
    path = local_broker.socket_path()
    assert not local_broker.answers(path)
    with running_worker():
        assert local_broker.answers(path)
        Celery(broker=f"redis+socket://{path}").send_task("evaluate_changed")
        until("the vehicles are evaluated", lambda: Standing.objects.count() == 3)
    assert not local_broker.answers(path)
    assert_standings_are_fresh()


def test_who_finds_the_broker_running_leaves_it_running(settings: Settings, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path
    with local_broker.running() as path:
        with local_broker.running() as same:
            assert same == path
        assert local_broker.answers(path)
        assert path.stat().st_mode & 0o077 == 0, "nobody else may speak to it"
    assert not local_broker.answers(path)


def test_a_long_data_folder_gets_a_socket_that_fits(settings: Settings, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path / ("long" * 40)
    path = local_broker.socket_path()
    assert len(str(path)) <= local_broker.LONGEST_PATH
    with local_broker.running():
        assert local_broker.answers(path)
