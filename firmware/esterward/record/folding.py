"""The write-ahead log folded into the file of the record, and the file kept within its size."""

from __future__ import annotations

import sqlite3


def fold(connection: sqlite3.Connection) -> None:
    """Write the whole log into the file and confirm it; OperationalError when it cannot."""
    (busy, _, _) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if busy:
        error = sqlite3.OperationalError("the record is being read")
        error.sqlite_errorname = "SQLITE_BUSY"  # SQLite tells it in the answer, not as an error
        raise error


def tidy(connection: sqlite3.Connection, trace_bytes: int) -> None:
    """Fold what nobody reads just now; the oldest of the trace goes when the file is too big."""
    connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    (size,) = connection.execute("PRAGMA page_size").fetchone()
    if (pages - free) * size > trace_bytes:
        connection.execute(
            "DELETE FROM trace WHERE seq <= (SELECT min(seq) + (max(seq) - min(seq)) / 10 "
            "FROM trace) AND seq < (SELECT max(seq) FROM trace)"
        )
