from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from fleetcal.tasks.jobs import LEASE, Held, Progress, run_once
from fleetcal.tasks.models import Job, JobState

pytestmark = pytest.mark.django_db
MORNING = datetime(2026, 3, 2, 5, 30, tzinfo=UTC)


class Work:
    """Counts how often it is done; fails as often as it was told to."""

    def __init__(self, failures: int = 0) -> None:
        self.times, self.failures = 0, failures

    def __call__(self, progress: Progress) -> str:
        self.times += 1
        progress(self.times, 9)
        if self.times <= self.failures:
            raise ConnectionError("the mail server is away")
        return f"done at attempt {self.times}"


@time_machine.travel(MORNING, tick=False)
def test_work_is_done_once_however_often_it_is_asked_for() -> None:
    work = Work()
    assert run_once("reminder", "first", work)
    assert not run_once("reminder", "first", work)
    assert not run_once("reminder", "second", work)
    assert work.times == 1
    job = Job.objects.get()
    assert (job.state, job.message, job.done, job.total) == (JobState.DONE, "done at attempt 1", 1, 9)
    assert (job.holder, job.started_at, job.finished_at) == ("first", MORNING, MORNING)


def test_other_work_is_done_beside_it() -> None:
    work = Work()
    assert run_once("reminder of Monday", "first", work)
    assert run_once("reminder of Tuesday", "first", work)
    assert work.times == 2


def test_work_that_failed_can_be_done_again_by_anybody() -> None:
    work = Work(failures=1)
    with pytest.raises(ConnectionError):
        run_once("reminder", "first", work)
    job = Job.objects.get()
    assert (job.state, job.message) == (JobState.FAILED, "ConnectionError: the mail server is away")

    assert run_once("reminder", "second", work)
    job.refresh_from_db()
    assert (job.state, job.message, job.holder) == (JobState.DONE, "done at attempt 2", "second")
    assert not run_once("reminder", "third", work)


def test_work_that_is_being_done_is_held() -> None:
    def asks_again(progress: Progress) -> str:
        with pytest.raises(Held, match="reminder is held by first until"):
            run_once("reminder", "second", Work())
        return "done"

    assert run_once("reminder", "first", asks_again)


def test_a_worker_that_gets_its_own_task_again_goes_on_at_once() -> None:
    # A killed worker's task comes back under the same number.
    Job.objects.create(
        key="reminder", holder="first", leased_until=datetime.now(UTC) + LEASE, started_at=MORNING
    )
    assert run_once("reminder", "first", Work())


def test_a_job_whose_worker_is_gone_is_taken_over_when_its_lease_has_run_out() -> None:
    late = Work()
    with time_machine.travel(MORNING, tick=False) as clock:

        def stands_still(progress: Progress) -> str:
            clock.shift(LEASE - timedelta(seconds=1))
            with pytest.raises(Held):
                run_once("reminder", "second", late)
            clock.shift(timedelta(seconds=2))
            assert run_once("reminder", "second", late)
            # The first one wakes up: neither its progress nor its end may touch what the second one did.
            progress(5, 9)
            return "done by the first after all"

        assert run_once("reminder", "first", stands_still)
    assert late.times == 1
    job = Job.objects.get()
    assert (job.state, job.holder, job.message, job.done) == (JobState.DONE, "second", "done at attempt 1", 1)


def test_a_sign_of_progress_renews_the_lease() -> None:
    with time_machine.travel(MORNING, tick=False) as clock:

        def takes_long(progress: Progress) -> str:
            for step in range(4):
                clock.shift(LEASE * 0.75)
                progress(step, 4)
                with pytest.raises(Held):
                    run_once("reminder", "second", Work())
            return "done"

        assert run_once("reminder", "first", takes_long)
