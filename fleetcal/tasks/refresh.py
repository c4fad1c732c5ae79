"""After a record is committed: the standings of its vehicles, at once where they are few, by a worker where they are many."""

import logging
from collections.abc import Collection
from functools import partial
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from kombu.exceptions import OperationalError

from fleetcal.evaluation.services import evaluate
from fleetcal.tasks.background import evaluate_changed

log = logging.getLogger(__name__)
# A person waits for these; more go to a worker.
AT_ONCE = 20


def refresh_standings(vehicle_ids: Collection[UUID]) -> None:
    """Evaluate *vehicle_ids* once the transaction is committed. Entry points call it; services never do."""
    transaction.on_commit(partial(_refresh, frozenset(vehicle_ids)))


def _refresh(vehicle_ids: frozenset[UUID]) -> None:
    if len(vehicle_ids) <= AT_ONCE:
        evaluate(timezone.localdate(), vehicle_ids=vehicle_ids)
        return
    try:
        evaluate_changed.delay([str(key) for key in vehicle_ids])
    except OperationalError:
        # The timetable's sweep finds them: their records are newer than their standings.
        log.warning("no broker answers; %d vehicles wait for the next sweep", len(vehicle_ids))
