"""The oldest events and documents leave the record when it would outgrow its bound.

Whole batches that ended go, oldest first; where none did and no batch is under way, the oldest
events of that idle time. Nothing of a batch under way goes, no event a saved state hangs on, and
no document that is the last of its name.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import replace
from shutil import disk_usage

from esterward.record.rows import Dropped, dropped, head, insert

ROW_BYTES = 70  # of an event beside its data: numbers, times, hash
LOG_SHARE, LOG_BYTES = 1.5, 500_000  # measured: the log grew by 1.05 times what went


def drop(connection: sqlite3.Connection, spare_bytes: int, mark: Callable[[str], object]) -> bool:
    """Let about so many bytes of events go, with the mark that says so; False when none may, or
    the disk has no room for the log of it."""
    connection.execute("BEGIN IMMEDIATE")
    number, batches = _end(connection, spare_bytes)
    if not number or not _room(connection, number):
        connection.execute("ROLLBACK")
        return False
    (digest,) = connection.execute("SELECT hash FROM events WHERE number = ?",
                                   (number,)).fetchone()
    gone = dropped(connection)
    gone = replace(gone, events=number, events_hash=digest.hex(), batches=gone.batches + batches)
    gone = _documents(connection, gone)
    mark(gone.to_text())
    connection.execute("DELETE FROM events WHERE number <= ?", (number,))
    connection.execute("DELETE FROM documents WHERE seq <= ?", (gone.documents,))
    connection.execute("COMMIT")
    return True


def _room(connection: sqlite3.Connection, number: int) -> bool:
    """Whether the disk takes the log of it: the pages of what goes are written once more."""
    (size,) = connection.execute(
        f"SELECT total(length(data) + {ROW_BYTES}) FROM events WHERE number <= ?",
        (number,)).fetchone()
    file = connection.execute("PRAGMA database_list").fetchone()[2]
    return bool(disk_usage(file).free >= LOG_SHARE * size + LOG_BYTES)


def _end(connection: sqlite3.Connection, spare_bytes: int) -> tuple[int, int]:
    """The last event that goes, 0 for none, and how many batches end up to there.

    Batches as account.batches() tells them apart.
    """
    (needed,) = connection.execute("SELECT min(number) FROM checkpoints").fetchone()
    end = batches = spared = idle = last = 0
    ended, started = 0, False
    for number, kind, size in connection.execute(
        "SELECT number, kind, length(data) FROM events WHERE number < ? ORDER BY number",
        (needed or 0,)
    ):
        if kind == "batch_started":
            if started:
                ended += 1
                end, batches = last, ended
            started = True
        spared, last = spared + size + ROW_BYTES, number
        if kind == "batch_ended":
            ended, started = ended + 1, False
            end, batches = number, ended
        if spared >= spare_bytes:
            if end:
                break
            idle = idle or number
    if not end and not started and not _under_way(connection, needed):
        end = idle or last
    return end, batches


def _under_way(connection: sqlite3.Connection, number: int | None) -> bool:
    """Whether a batch began among the events from this one on."""
    return connection.execute("SELECT 1 FROM events WHERE number >= ? AND kind = 'batch_started'",
                              (number or 0,)).fetchone() is not None


def _documents(connection: sqlite3.Connection, gone: Dropped) -> Dropped:
    """With the documents that go too: those another of their name replaced before the events
    still kept. The last of a name that lies among them is written again at the end."""
    rows = connection.execute(
        "SELECT seq, session, number, name, text, hash FROM documents ORDER BY seq").fetchall()
    replaced: dict[int, int] = {}  # seq: number of the next of its name
    newest: dict[str, int] = {}
    for seq, _, number, name, _, _ in rows:
        if name in newest:
            replaced[newest[name]] = number
        newest[name] = seq
    lasting, stays = [], []
    for seq, session, number, name, text, digest in rows:
        if seq not in replaced:
            lasting.append((session, number, name, text))
        elif replaced[seq] <= gone.events:
            gone, stays = replace(gone, documents=seq, documents_hash=digest.hex()), [*lasting]
        else:
            break
    seq, before = head(connection, "documents")
    for fields in stays:
        seq += 1
        before = insert(connection, "documents", (seq, *fields), before)
    return gone
