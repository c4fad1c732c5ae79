"""Running a worker with the timetable as a child process, with this machine's own broker where none is configured."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

from django.conf import settings

from fleetcal.tasks import local_broker


@contextmanager
def running_worker(processes: int = 1) -> Iterator["subprocess.Popen[bytes]"]:
    """A worker for as long as the context lasts. `local_broker.NoBroker` where there is no broker to be had."""
    broker = nullcontext(Path()) if settings.REDIS_URL else local_broker.running()
    with broker:
        worker = subprocess.Popen(_command(processes), env=os.environ | {"PYTHONUNBUFFERED": "1"})
        try:
            yield worker
        finally:
            worker.terminate()
            worker.wait(timeout=30)


def end_when_terminated() -> None:
    """Let SIGTERM unwind the program, so that whatever it started is stopped with it."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))


def _command(processes: int) -> list[str]:
    schedule = Path(settings.DATA_DIR) / "beat-schedule"
    schedule.parent.mkdir(parents=True, exist_ok=True)
    options = [
        "--beat",
        "--schedule",
        str(schedule),
        "--concurrency",
        str(processes),
        "--loglevel",
        "WARNING",
    ]
    return [sys.executable, "-m", "celery", "-A", "fleetcal.tasks.application", "worker", *options]
