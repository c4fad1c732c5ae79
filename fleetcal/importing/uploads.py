"""Uploaded files between the steps of an import: under the data folder, by who uploaded them and by their digest, for a day at most."""

import hashlib
import re
import time
from contextlib import suppress
from pathlib import Path

from django.conf import settings

KEPT_SECONDS = 24 * 60 * 60
DIGEST = re.compile(r"[0-9a-f]{64}")


def keep(content: bytes, user_id: int) -> str:
    """Keeps *content* and gives its digest. What is older than a day goes."""
    sweep(time.time())
    digest = hashlib.sha256(content).hexdigest()
    path = _path(digest, user_id)
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    # Written beside and moved, so that nobody reads half a file.
    beside = path.with_suffix(".part")
    beside.write_bytes(content)
    beside.replace(path)
    return digest


def fetch(digest: str, user_id: int) -> bytes | None:
    """What this person uploaded under *digest*, None where it is gone or never was theirs."""
    if not DIGEST.fullmatch(digest):
        return None
    try:
        return _path(digest, user_id).read_bytes()
    except OSError:
        return None


def drop(digest: str, user_id: int) -> None:
    if DIGEST.fullmatch(digest):
        _path(digest, user_id).unlink(missing_ok=True)


def sweep(now: float) -> None:
    for path in _folder().glob("*/*"):
        # Another process may sweep at the same moment.
        with suppress(FileNotFoundError):
            if now - path.stat().st_mtime > KEPT_SECONDS:
                path.unlink()


def _folder() -> Path:
    return Path(settings.DATA_DIR) / "uploads"


def _path(digest: str, user_id: int) -> Path:
    return _folder() / str(user_id) / f"{digest}.bin"
