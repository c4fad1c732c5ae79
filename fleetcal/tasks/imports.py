"""Large files are recorded by a worker: read again there, written in one transaction, and told how far it is."""

import dataclasses
import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Any
from uuid import UUID

from celery import shared_task
from django.utils import timezone
from kombu.exceptions import OperationalError

from fleetcal.accounts.models import User
from fleetcal.importing import uploads
from fleetcal.importing.commit import ImportResult, commit
from fleetcal.importing.dry_run import ImportPlan, plan
from fleetcal.importing.mapping import from_json
from fleetcal.ledger.refusals import Refused
from fleetcal.records.models import TicketSource
from fleetcal.tasks.background import RETRY
from fleetcal.tasks.jobs import Held, run_once
from fleetcal.tasks.models import Job, JobState
from fleetcal.tasks.progress import tell, told
from fleetcal.tasks.refresh import refresh_standings

log = logging.getLogger(__name__)
# A person waits for a file of so many lines; a larger one goes to a worker.
MOST_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class ImportOrder:
    """What a person asked for, as it travels to the worker. *attempt* tells the same file apart when it is recorded once more."""

    attempt: str
    digest: str
    name: str
    kind: str
    source_id: str
    user_id: int
    with_good_rows_only: bool

    @property
    def key(self) -> str:
        return _key(self.user_id, self.digest, self.attempt)


@dataclass(frozen=True, slots=True)
class ImportOutcome:
    """*file_id* is empty where nothing was recorded: because nothing was new, or because of *problem*."""

    file_id: str = ""
    refused: int = 0
    problem: str = ""


class ImportState(StrEnum):
    """WAITING is also a job that nobody was asked for: the worker makes its row."""

    WAITING = "waiting"
    READING = "reading"
    WRITING = "writing"
    ABANDONED = "abandoned"
    FAILED = "failed"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class ImportStatus:
    state: ImportState
    done: int = 0
    total: int = 0
    outcome: ImportOutcome = ImportOutcome()


def send_import(order: ImportOrder) -> bool:
    """Hands *order* to a worker; whether a broker took it. An order that a worker has taken up already is not sent again."""
    if status_of_import(order.user_id, order.digest, order.attempt).state != ImportState.WAITING:
        return True
    try:
        commit_import.delay(**dataclasses.asdict(order))
    except OperationalError:
        log.warning("no broker answers; %s is recorded in the request", order.name)
        return False
    return True


@shared_task(name="commit_import", **RETRY | {"max_retries": 3})
def commit_import(self: Any, **fields: Any) -> None:
    """Records an uploaded file. However often it is delivered: what is on record already is known and not added again."""
    order, vehicles = ImportOrder(**fields), set[UUID]()
    try:
        run_once(order.key, str(self.request.id), partial(_record, order, vehicles))
    except Held as held:
        log.info("%s", held)
        return
    # Only now: a worker that is killed before this reads the upload once more.
    status = status_of_import(order.user_id, order.digest, order.attempt)
    if status.outcome.file_id and not status.outcome.refused:
        uploads.drop(order.digest, order.user_id)
    if vehicles:
        refresh_standings(vehicles)


def status_of_import(user_id: int, digest: str, attempt: str) -> ImportStatus:
    key = _key(user_id, digest, attempt)
    job = Job.objects.filter(key=key).first()
    if job is None:
        return ImportStatus(ImportState.WAITING)
    if job.state == JobState.DONE:
        return ImportStatus(ImportState.DONE, outcome=ImportOutcome(**json.loads(job.message)))
    if job.state == JobState.FAILED:
        return ImportStatus(ImportState.FAILED)
    if job.leased_until < timezone.now():
        return ImportStatus(ImportState.ABANDONED)
    done, total = told(key)
    return ImportStatus(ImportState.WRITING if total else ImportState.READING, done, total)


def _key(user_id: int, digest: str, attempt: str) -> str:
    return f"import {digest} {user_id} {attempt}"


def _record(order: ImportOrder, vehicles: set[UUID], progress: object) -> str:
    """The outcome as JSON, with the vehicles it touched added to *vehicles*. A refusal is an outcome: trying again would not help.

    *progress* would write to the database (see `tasks.progress`), so the lease is not renewed: it is as long as a task may run.
    """
    try:
        done = _commit(order)
    except Refused as refusal:
        return _text(ImportOutcome(problem=str(refusal)))
    vehicles |= done.vehicle_ids
    return _text(ImportOutcome(str(done.file.pk) if done.file else "", done.refused))


def _commit(order: ImportOrder) -> ImportResult:
    actor = User.objects.filter(pk=order.user_id, is_active=True).first()
    content = uploads.fetch(order.digest, order.user_id)
    if actor is None:
        raise Refused("The account that chose this file is not active any more.")
    if content is None:
        raise Refused(
            "The worker does not find the file; uploads are kept for a day. Choose it again.", "file"
        )
    tell(order.key, 0, 0)
    planned = _plan(order, actor, content)
    return commit(
        planned,
        actor=actor,
        with_good_rows_only=order.with_good_rows_only,
        progress=_reporter(order.key, len(planned.candidates)),
    )


def _plan(order: ImportOrder, actor: User, content: bytes) -> ImportPlan:
    source, mapping = None, None
    if order.source_id:
        source = TicketSource.objects.select_related("instrument").filter(pk=order.source_id).first()
        mapping = from_json(source.mapping if source else None)
    return plan(content, order.name, order.kind, mapping, actor, source=source)


def _reporter(key: str, total: int) -> Callable[[int], None]:
    tell(key, 0, total)
    return lambda done: tell(key, done, total)


def _text(outcome: ImportOutcome) -> str:
    return json.dumps(dataclasses.asdict(outcome))
