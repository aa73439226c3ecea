"""The file beside the record: one controller at a time, and the last number on the disk.

SQLite silently drops a damaged or missing end of its write-ahead log. The number promised
here, written after the events are on the disk, is how a start notices that some are gone.
"""

from __future__ import annotations

import fcntl
import os
import time
from contextlib import suppress
from pathlib import Path

from esterward.record.rows import GENESIS, link

SLOT_BYTES = 64  # two slots written in turn, so that one torn write leaves the other
TRIES, TRY_S = 5, 0.02  # in_use() holds the lock for an instant


class InUse(Exception):
    """Another controller holds the lock."""


def lock_path(path: Path) -> Path:
    """Where the lock file of a record lies."""
    return path.with_name(path.name + ".lock")


class Lock:
    """The lock of one record, held until close() or the end of the process."""

    def __init__(self, path: Path, *, durable: bool = True) -> None:
        """OSError when the file cannot be written, InUse when somebody else holds it."""
        self._slot, self._durable = 0, durable
        self._path = lock_path(path)
        for _ in range(TRIES):
            self._made = not self._path.exists()
            self._handle = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            try:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                # Not a file that a refused start has just taken away.
                if os.path.samestat(os.fstat(self._handle), self._path.stat()):
                    return
            except OSError:
                pass
            self._let_go()
            time.sleep(TRY_S)
        raise InUse

    def promise(self, number: int, *, both: bool = False) -> None:
        """Write the number durably; both=True forgets any higher promise."""
        content = slot(number)
        for _ in range(2 if both else 1):
            os.pwrite(self._handle, content, self._slot * SLOT_BYTES)
            self._slot ^= 1
        if self._durable:
            os.fdatasync(self._handle)

    def close(self) -> None:
        """Let go of the lock; the file stays, but one made here in which nothing was promised:
        of a start that was refused nothing may be left beside somebody's other file."""
        if self._handle >= 0 and self._made and os.fstat(self._handle).st_size == 0:
            with suppress(OSError):
                self._path.unlink(missing_ok=True)
        self._let_go()

    def _let_go(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


def in_use(path: Path) -> bool:
    """Whether a controller holds this record."""
    try:
        handle = os.open(lock_path(path), os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


def slot(number: int) -> bytes:
    """One slot: the number and its checksum."""
    text = str(number)
    check = link(GENESIS, (text,)).hex()[:16]
    return f"{text} {check}".ljust(SLOT_BYTES - 1).encode("ascii") + b"\n"


def promised_number(path: Path) -> int | None:
    """The highest number promised; None when nothing readable is."""
    try:
        content = lock_path(path).read_bytes()
    except OSError:
        return None
    best = None
    for start in (0, SLOT_BYTES):
        piece = content[start:start + SLOT_BYTES]
        words = piece.split()
        if len(words) == 2 and words[0].isdigit() and len(words[0]) < 16:
            number = int(words[0])
            if piece == slot(number):
                best = max(number, best or 0)
    return best


def is_ours(path: Path) -> bool:
    """Whether a controller kept its record here before, whatever the file now looks like."""
    try:
        return lock_path(path).stat().st_size > 0
    except OSError:
        return False
