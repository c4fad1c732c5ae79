"""What every test stands on. A test that needs a service or a browser is marked, and fails where they were asked for and are missing."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import redis
from django.db import connection, connections
from django.test import TransactionTestCase
from pytest_django import Settings

from fleetcal.ledger import fence

# What a mark asks for, and the variable that says that it is there.
SWITCHES = {
    "services": ("PostgreSQL, Redis and a worker", "FLEETCAL_TEST_SERVICES"),
    "browser": ("Debian's Chromium", "FLEETCAL_TEST_BROWSER"),
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for mark, (needed, switch) in SWITCHES.items():
        if os.environ.get(switch) == "1":
            continue
        skip = pytest.mark.skip(reason=f"needs {needed}: set {switch}=1, as .ci/run does")
        for item in items:
            if item.get_closest_marker(mark):
                item.add_marker(skip)


@pytest.fixture(autouse=True)
def own_surroundings(settings: Settings, tmp_path: Path) -> None:
    """No test leaves files behind, sends anything, or spends its time on hashing passwords."""
    settings.MEDIA_ROOT = tmp_path / "attachments"
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(autouse=True, scope="session")
def flush_through_the_fence() -> Iterator[None]:
    """The flush after a test with real transactions is refused by the insert-only triggers: take them down for it, and only for it."""
    refused = TransactionTestCase._fixture_teardown  # type: ignore[attr-defined]

    def _fixture_teardown(case: TransactionTestCase) -> None:
        names = case._databases_names(include_mirrors=False)  # type: ignore[attr-defined]
        for name in names:
            fence.remove(connections[name])
        try:
            refused(case)
        finally:
            for name in names:
                fence.install(connections[name])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", _fixture_teardown)
        yield


@pytest.fixture
def postgresql(db: None) -> Any:
    """The connection, where it is one to PostgreSQL."""
    if connection.vendor != "postgresql":
        pytest.fail("FLEETCAL_TEST_SERVICES=1 asks for PostgreSQL: set FLEETCAL_DATABASE_URL to one")
    return connection


@pytest.fixture(scope="session")
def redis_url() -> str:
    """A Redis server that answers."""
    url = os.environ.get("FLEETCAL_REDIS_URL", "")
    if not url:
        pytest.fail("FLEETCAL_TEST_SERVICES=1 asks for Redis: set FLEETCAL_REDIS_URL to one")
    with redis.Redis.from_url(url, socket_timeout=5) as client:
        client.ping()
    return url


@pytest.fixture(scope="session")
def chromium() -> str:
    """The path of the browser."""
    path = shutil.which("chromium")
    if path is None:
        pytest.fail("FLEETCAL_TEST_BROWSER=1 asks for Debian's Chromium: apt-get install chromium")
    return path
