"""The write-ahead log folded into the file of the record, and the file kept within its size."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from esterward.record.dropping import drop

# What a row of the trace takes up in the file: as many as fit share a page, a longer one has its
# own pages (sqlite.org/fileformat2.html, "B-tree Pages"). The ends of pages count too, or rows of
# little more than half a page would take up twice what they seem to.
PAGES = """SELECT total(CASE WHEN length(body) < 3900 THEN 4096 / (4080 / (length(body) + 120))
    ELSE ((length(body) + 120) / 4092 + 1) * 4096 END) FROM trace"""


def fold(connection: sqlite3.Connection) -> None:
    """Write the whole log into the file and confirm it; OperationalError when it cannot."""
    (busy, _, _) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if busy:
        error = sqlite3.OperationalError("the record is being read")
        error.sqlite_errorname = "SQLITE_BUSY"  # SQLite tells it in the answer, not as an error
        raise error


def tidy(connection: sqlite3.Connection, trace_bytes: int, record_bytes: int,
         mark: Callable[[str], object]) -> None:
    """Fold what nobody reads just now; the oldest goes where it is too big.

    Of the trace what is over trace_bytes; then, while the whole is over record_bytes, old batches
    (mark says which). The trace makes room for a batch under way that is longer than that.
    """
    connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    used = _used(connection)
    if used > trace_bytes and connection.execute(PAGES).fetchone()[0] > trace_bytes:
        _shorten_trace(connection)
        used = _used(connection)
    if used > record_bytes and not drop(connection, record_bytes // 10, mark):
        _shorten_trace(connection)


def _used(connection: sqlite3.Connection) -> int:
    """Bytes of the file that hold anything."""
    pages, free, size = [connection.execute(f"PRAGMA {name}").fetchone()[0]
                         for name in ("page_count", "freelist_count", "page_size")]
    return int((pages - free) * size)


def _shorten_trace(connection: sqlite3.Connection) -> None:
    connection.execute(
        "DELETE FROM trace WHERE seq <= (SELECT min(seq) + (max(seq) - min(seq)) / 10 "
        "FROM trace) AND seq < (SELECT max(seq) FROM trace)"
    )
