"""The tasks. Each may run twice and may be killed at any point; each says what it did."""

import logging
from functools import partial
from typing import Any
from uuid import UUID

from celery import shared_task
from django.utils import timezone

from fleetcal.evaluation.services import evaluate
from fleetcal.tasks.jobs import Held, run_once
from fleetcal.tasks.reminders import reminders_due, send_reminder

log = logging.getLogger(__name__)
RETRY = {
    "autoretry_for": (Exception,),
    "dont_autoretry_for": (Held,),
    "retry_backoff": 5,
    "max_retries": 5,
    "bind": True,
}


@shared_task(name="evaluate_fleet", **RETRY)
def evaluate_fleet(self: Any) -> int:
    """The nightly evaluation: every vehicle that a new day or a new record can have changed."""
    summary = evaluate(timezone.localdate())
    log.info(
        "evaluated %d of %d vehicles, %d changed", summary.evaluated, summary.in_service, summary.changed
    )
    return summary.evaluated


@shared_task(name="evaluate_changed", **RETRY)
def evaluate_changed(self: Any, vehicle_ids: list[str] | None = None) -> int:
    """Evaluate the named vehicles, or all whose records are newer than their standing."""
    keys = None if vehicle_ids is None else [UUID(key) for key in vehicle_ids]
    return evaluate(timezone.localdate(), vehicle_ids=keys).evaluated


@shared_task(name="remind", **RETRY)
def remind(self: Any) -> int:
    """One e-mail a day to each manager with something due; sent once however often the task runs."""
    today = timezone.localdate()
    sent = 0
    for user in reminders_due(today):
        sent += run_once(
            f"reminder {today} {user.pk}", str(self.request.id), partial(send_reminder, user, today)
        )
    return sent
