"""What a failed write means, in words, and whether the disk is still to be believed."""

from __future__ import annotations

import shutil
from contextlib import suppress
from pathlib import Path

FULL_BYTES = 16_384
HELD = "another program holds the record"


def words(name: str, error: Exception, folder: Path) -> str:
    """The cause in words, from SQLite's name of the error and the room on the disk."""
    if busy(name):
        return HELD
    full = name == "SQLITE_FULL"
    if name.startswith("SQLITE_IOERR"):
        with suppress(OSError):  # SQLite does not always say that the room was the trouble
            full = shutil.disk_usage(folder).free < FULL_BYTES
    if full:
        return "the disk with the record is full"
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN", "SQLITE_AUTH")):
        return "the disk with the record cannot be written"
    if unconfirmed(name, error):
        return f"the disk did not confirm what was written: {error}"
    return f"the record cannot be written: {error} ({name})"


def busy(name: str) -> bool:
    """Whether another program is in the way: the disk is not to blame."""
    return name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))


def unconfirmed(name: str, error: Exception) -> bool:
    """Whether a sync failed: SQLite's, the lock file's or the folder's."""
    return "FSYNC" in name or isinstance(error, OSError)
