"""A real worker that is killed in the middle of an import."""

import os
import signal
from dataclasses import asdict
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from celery import Celery
from django.db import transaction
from pytest_django import Settings

from fleetcal.importing import uploads
from fleetcal.importing.sources import save_source
from fleetcal.ledger.models import Head
from fleetcal.ledger.verification import verify
from fleetcal.records.models import Check, ImportedFile
from fleetcal.tasks.imports import ImportOrder, ImportState, status_of_import
from tests.factories import make_instrument, make_policy, make_system, make_user, make_vehicle
from tests.importing.test_tickets import GOOD, MAPPING, file_of
from tests.tasks.test_worker import database_url, until, waiting_for_me, worker

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]


def test_an_import_whose_process_is_killed_is_done_again_whole(
    postgresql: Any, redis_url: str, settings: Settings, tmp_path: Path
) -> None:
    settings.DATA_DIR, settings.REDIS_URL = tmp_path, redis_url
    make_policy()
    make_system(vehicle := make_vehicle("KJ-204"))
    user = make_user()
    source = save_source("Quarry", MAPPING, instrument=make_instrument(), actor=user)
    digest = uploads.keep(file_of(*GOOD), user.pk)
    order = ImportOrder(uuid4().hex, digest, "scale.csv", "tickets", str(source.pk), user.pk, False)
    queue, log, client = f"t-{uuid4().hex}", tmp_path / "worker.log", Celery(broker=redis_url)
    environment = {"FLEETCAL_DATABASE_URL": database_url(), "FLEETCAL_DATA_DIR": str(tmp_path)}

    def state() -> ImportState:
        return status_of_import(user.pk, digest, order.attempt).state

    with worker(queue, log, environment | {"FLEETCAL_REDIS_URL": redis_url}):
        with transaction.atomic():
            # The vehicle's stream is held: the file's own entry is written, and its tickets wait.
            Head.objects.select_for_update().get(stream=vehicle.stream)
            client.send_task("commit_import", kwargs=asdict(order), queue=queue)
            until("the import waits for the stream", waiting_for_me)
            assert state() == ImportState.WRITING
            inspect = client.control.inspect([f"{queue}@here"], timeout=2)
            stats = until("the worker tells its processes", inspect.stats)
            [child] = stats[f"{queue}@here"]["pool"]["processes"]
            os.kill(child, signal.SIGKILL)
            until("the worker has noticed", lambda: b"WorkerLostError" in log.read_bytes())
            assert not ImportedFile.objects.exists()
            assert state() in {ImportState.READING, ImportState.WRITING}
        until("the import is done", lambda: state() == ImportState.DONE)

    assert log.read_text().count("received") >= 2, "handed out once more after the kill"
    assert (ImportedFile.objects.count(), Check.objects.count()) == (1, 3)
    assert list(verify()) == []
