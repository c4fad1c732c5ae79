"""Doing a piece of work once, although it may be asked for twice and its worker may be killed in the middle."""

from collections.abc import Callable
from datetime import timedelta

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from fleetcal.tasks.models import Job, JobState

# Longer than any piece of work between two signs of progress; shorter than a morning's patience.
LEASE = timedelta(minutes=10)


class Held(RuntimeError):
    """Another worker holds the job and is alive."""


def run_once(key: str, holder: str, work: Callable[..., str]) -> bool:
    """Do *work* under *key* unless it is done already; whether it was done now. `Held` while another worker is at it.

    *work* is called with ``progress=``, a reporter that also renews the lease, and returns the message to keep.
    """
    job = _claim(key, holder)
    if job is None:
        return False
    try:
        message = work(progress=Progress(job))
    except Exception as error:
        _finish(job, JobState.FAILED, f"{type(error).__name__}: {error}")
        raise
    _finish(job, JobState.DONE, message)
    return True


class Progress:
    """Call it with (done, total)."""

    def __init__(self, job: Job) -> None:
        self._job = job

    def __call__(self, done: int, total: int) -> None:
        _held(self._job).update(done=done, total=total, leased_until=timezone.now() + LEASE)


@transaction.atomic
def _claim(key: str, holder: str) -> Job | None:
    now = timezone.now()
    fresh = {"holder": holder, "leased_until": now + LEASE, "started_at": now}
    job, is_new = Job.objects.select_for_update().get_or_create(key=key, defaults=fresh)
    if is_new:
        return job
    if job.state == JobState.DONE:
        return None
    if job.state == JobState.RUNNING and job.leased_until > now and job.holder != holder:
        raise Held(f"{key} is held by {job.holder} until {job.leased_until:%H:%M:%S}")
    Job.objects.filter(pk=job.pk).update(
        state=JobState.RUNNING, done=0, finished_at=None, message="", **fresh
    )
    job.refresh_from_db()
    return job


def _held(job: Job) -> QuerySet[Job]:
    """The job, as long as nobody took it over after its lease ran out."""
    return Job.objects.filter(pk=job.pk, holder=job.holder, state=JobState.RUNNING)


def _finish(job: Job, state: JobState, message: str) -> None:
    _held(job).update(state=state, finished_at=timezone.now(), message=message)
