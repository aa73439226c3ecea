"""Reading a record, also while a controller writes it: rows of plain values, and the trace.

Rows are fetched in pages, each with its own short read, so that a slow reader never keeps the
controller's write-ahead log from being folded in. Every row's hash is checked on the way.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from esterward.record.rows import DROPPED, HASHED, KEY, Dropped, before_first, dropped, link
from esterward.record.schema import BadRecord, Damaged, reading
from esterward.record.trace import Tick, decode
from esterward.values.events import Event, Plain

PAGE_ROWS = 200
Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Mark:
    """A start, stop, repair or gap, or that old rows were dropped. ran_s: how long the session
    before a start ran."""

    seq: int
    kind: str
    boot: str
    now_s: float
    wall_s: float | None
    ran_s: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Row:
    """One event with where it belongs: session is the seq of the start mark it ran under."""

    event: Event
    session: int
    now_s: float
    wall_s: float | None


@dataclass(frozen=True, slots=True)
class Document:
    """A text kept with the record; number is that of the last event when it was kept."""

    session: int
    name: str
    number: int
    text: str


def _pages(connection: sqlite3.Connection, table: str,
           extra: str = "") -> Iterator[tuple[Any, ...]]:
    key, last = KEY[table], -1
    while True:
        rows = connection.execute(
            f"SELECT {HASHED[table]}{extra}, hash FROM {table} "
            f"WHERE {key} > ? ORDER BY {key} LIMIT ?",
            (last, PAGE_ROWS if table != "trace" else 20),
        ).fetchall()
        if not rows:
            return
        yield from rows
        last = rows[-1][0]


def chained(connection: sqlite3.Connection, table: str) -> Iterator[tuple[Any, ...]]:
    """The rows of marks, events or documents, each checked; Damaged at the first bad one."""
    last, before = before_first(connection, table)
    expected = last + 1
    for *fields, digest in _pages(connection, table):
        if fields[0] != expected:
            raise Damaged(f"{table}: row {expected} is missing")
        if link(before, tuple(fields)) != digest:
            raise Damaged(f"{table}: row {expected} is damaged")
        if table == "marks" and fields[1] == DROPPED:
            Dropped.of(fields[6])  # Damaged when the events after it could not be checked
        yield tuple(fields)
        before, expected = digest, expected + 1


def chunks(connection: sqlite3.Connection) -> Iterator[tuple[Any, ...]]:
    """The rows of the trace, each checked; it may begin late, but has no hole."""
    previous: tuple[int, bytes] | None = None
    for *fields, before, digest in _pages(connection, "trace", ", before"):
        seq = fields[0]
        if previous is not None and previous != (seq - 1, before):
            raise Damaged(f"trace: row {previous[0] + 1} is missing or damaged")
        if link(before, tuple(fields)) != digest:
            raise Damaged(f"trace: row {seq} is damaged")
        yield tuple(fields)
        previous = (seq, digest)


def to_row(fields: tuple[Any, ...]) -> Row:
    """One event from the fields of its row."""
    number, session, now_s, wall_s, at_s, kind, data = fields
    plain: dict[str, Plain] = json.loads(data)
    event = Event(number, at_s, kind, plain)
    return Row(event, session, now_s, wall_s)


def read_rows(path: Path | str) -> Iterator[Row]:
    """Every event still kept, in order, with its session and times; BadRecord at a bad row."""
    with reading(Path(path)) as connection:
        for fields in chained(connection, "events"):
            yield to_row(fields)


def read_events(path: Path | str) -> Iterator[Event]:
    """Every event in order."""
    for row in read_rows(path):
        yield row.event


def newest(path: Path | str, kind: str) -> object:
    """Data of the last event of a kind, as it stands there and unchecked; None for none."""
    with reading(Path(path)) as connection:
        row = connection.execute(
            "SELECT data FROM events WHERE kind = ? ORDER BY number DESC LIMIT 1", (kind,)
        ).fetchone()
    try:
        return None if row is None else json.loads(row[0])
    except (ValueError, TypeError, RecursionError):
        return "damaged"


def read_dropped(path: Path | str) -> Dropped:
    """What of the record is no longer kept."""
    with reading(Path(path)) as connection:
        return dropped(connection)


def unmoved(path: Path | str, look: Callable[[], Found]) -> tuple[Found, Dropped]:
    """What look() reads of a record and what is no longer kept in it, of one moment between two
    such droppings: look() is called again when one came in between."""
    while True:
        before = read_dropped(path)
        try:
            found, error = look(), None
        except BadRecord as bad:
            error = bad
        if read_dropped(path) != before:
            continue
        if error is not None:
            raise error
        return found, before


def read_marks(path: Path | str) -> Iterator[Mark]:
    """Starts, stops, faults, repairs and gaps in order."""
    with reading(Path(path)) as connection:
        for fields in chained(connection, "marks"):
            yield Mark(*fields)


def read_documents(path: Path | str) -> Iterator[Document]:
    """The texts kept with the record, in order."""
    with reading(Path(path)) as connection:
        for _, session, number, name, text in chained(connection, "documents"):
            yield Document(session, name, number, text)


def read_ticks(path: Path | str) -> Iterator[tuple[int, Tick]]:
    """(session, (Snapshot, Outputs)) of every tick still kept, in order, equal to the bit."""
    with reading(Path(path)) as connection:
        for fields in chunks(connection):
            try:
                ticks = decode(fields[6])
            except ValueError as error:
                raise BadRecord(f"{path}: {error}") from None
            for tick in ticks:
                yield fields[1], tick


def last_sample(path: Path | str) -> tuple[int, float] | None:
    """(session, now_s) of the last tick kept, from its chunk's head; None without a trace."""
    with reading(Path(path)) as connection:
        row = connection.execute(f"SELECT {HASHED['trace']}, before, hash FROM trace "
                                 "ORDER BY seq DESC LIMIT 1").fetchone()
        if row is None:
            return None
        *fields, before, digest = row
        if link(before, tuple(fields)) != digest:
            raise Damaged(f"trace: row {fields[0]} is damaged")
        return fields[1], fields[3]


def read_trace(path: Path | str) -> Iterator[Tick]:
    """(Snapshot, Outputs) of every tick still kept, in order, equal to the bit."""
    for _, tick in read_ticks(path):
        yield tick


def read_oil(path: Path | str) -> Iterator[tuple[int, float, float]]:
    """(session, now_s, degC of probe A) of every tick that had a reading, in order."""
    for session, (snapshot, _) in read_ticks(path):
        if snapshot.probe_a.c is not None:
            yield session, snapshot.now_s, snapshot.probe_a.c
