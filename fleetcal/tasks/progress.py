"""How far a job is, told beside the database.

An import is one transaction: what it wrote of its progress into the database would be seen only when it is over, and on SQLite
nobody else can write meanwhile either. So it is told through the broker, and where that does not answer, it is not told.
"""

import logging
from contextlib import suppress

import redis
from django.conf import settings

from fleetcal.tasks.local_broker import socket_path

log = logging.getLogger(__name__)
KEPT_SECONDS = 60 * 60
PATIENCE_S = 1


def tell(key: str, done: int, total: int) -> None:
    try:
        with _client() as client:
            client.set(_name(key), f"{done}/{total}", ex=KEPT_SECONDS)
    except (redis.RedisError, ValueError) as error:
        log.info("progress of %s is not told: %s", key, error)


def told(key: str) -> tuple[int, int]:
    """(done, total); total 0 where nothing was told yet."""
    with suppress(redis.RedisError, ValueError), _client() as client:
        done, _, total = bytes(client.get(_name(key)) or b"0/0").decode().partition("/")
        return int(done), int(total)
    return 0, 0


def _name(key: str) -> str:
    return f"fleetcal progress {key}"


def _client() -> "redis.Redis":
    # Celery and the client write the address of a Unix socket differently.
    url = settings.REDIS_URL.replace("redis+socket://", "unix://", 1) or f"unix://{socket_path()}"
    return redis.Redis.from_url(url, socket_timeout=PATIENCE_S, socket_connect_timeout=PATIENCE_S)
