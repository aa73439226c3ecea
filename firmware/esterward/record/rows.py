"""Rows and their running checksum.

Every row carries `hash`, a checksum over its own fields and the hash of the row before it, so
that a changed, lost or exchanged row shows. It finds damage; it does not prove who wrote.

The oldest events and documents go when the record grows too big (dropping.py). A mark then holds
the number and the hash of the last one that went, so that the chain still has its beginning.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from hashlib import blake2b
from math import isfinite
from typing import Any

from esterward.record.schema import Damaged

GENESIS = bytes(16)
DROPPED = "dropped"  # the kind of such a mark

# The fields each hash covers, in this order, after the hash of the row before. A checkpoint's
# row before is its last event's; a row of the trace also names the hash before it, because
# the oldest rows go.
HASHED = {
    "marks": "seq, kind, boot, now_s, wall_s, ran_s, text",
    "events": "number, session, now_s, wall_s, at_s, kind, data",
    "checkpoints": "seq, session, now_s, wall_s, number, text",
    "trace": "seq, session, first_s, last_s, wall_s, ticks, body",
    "documents": "seq, session, number, name, text",
}
KEY = {name: columns.partition(",")[0] for name, columns in HASHED.items()}


@dataclass(frozen=True, slots=True)
class Dropped:
    """What is no longer kept: the last event and document, with their hashes in hexadecimal, and
    how many batches those events were of."""

    events: int = 0
    events_hash: str = GENESIS.hex()
    documents: int = 0
    documents_hash: str = GENESIS.hex()
    batches: int = 0

    def to_text(self) -> str:
        """As the text of the mark."""
        return json.dumps(asdict(self))

    @classmethod
    def of(cls, text: str) -> Dropped:
        """From the text of a mark; Damaged when to_text() did not write it."""
        try:
            whole = cls(**json.loads(text))
            counts = (whole.events, whole.documents, whole.batches)
            hashes = (whole.events_hash, whole.documents_hash)
            good = (all(type(count) is int and 0 <= count < 2**53 for count in counts)
                    and all(bytes.fromhex(digest).hex() == digest and len(digest) == 32
                            for digest in hashes))
        except (ValueError, TypeError, RecursionError):
            good = False
        if not good:
            raise Damaged("marks: what was dropped is not readable")
        return whole


def dropped(connection: sqlite3.Connection) -> Dropped:
    """What the last mark of that kind says; Damaged when it says nothing that can be."""
    row = connection.execute(
        "SELECT text FROM marks WHERE kind = ? ORDER BY seq DESC LIMIT 1", (DROPPED,)).fetchone()
    return Dropped() if row is None else Dropped.of(row[0])


def before_first(connection: sqlite3.Connection, table: str) -> tuple[int, bytes]:
    """Key and hash of the row before the first that is kept; 0 and GENESIS when none ever went."""
    if table == "events":
        gone = dropped(connection)
        return gone.events, bytes.fromhex(gone.events_hash)
    if table == "documents":
        gone = dropped(connection)
        return gone.documents, bytes.fromhex(gone.documents_hash)
    return 0, GENESIS


def link(before: bytes, fields: tuple[Any, ...]) -> bytes:
    """The hash of a row: 16 bytes over the hash before it and its fields."""
    last = fields[-1]
    if type(last) is bytes:
        fields = (*fields[:-1], blake2b(last, digest_size=16).hexdigest())
    return blake2b(before + json.dumps(fields).encode("ascii"), digest_size=16).digest()


def head(connection: sqlite3.Connection, table: str) -> tuple[int, bytes]:
    """Key and hash of the last row of a table, also of one that went; else 0 and GENESIS."""
    row = connection.execute(
        f"SELECT {KEY[table]}, hash FROM {table} ORDER BY {KEY[table]} DESC LIMIT 1"
    ).fetchone()
    return before_first(connection, table) if row is None else (row[0], row[1])


def insert(connection: sqlite3.Connection, table: str, fields: tuple[Any, ...],
           before: bytes) -> bytes:
    """Add a row and return its hash."""
    digest = link(before, fields)
    columns, values = f"{HASHED[table]}, hash", (*fields, digest)
    if table == "trace":
        columns, values = columns + ", before", (*values, before)
    places = ", ".join("?" * len(values))
    connection.execute(f"INSERT INTO {table} ({columns}) VALUES ({places})", values)
    return digest


def real(value: float | None) -> float | None:
    """A number as the database keeps it: a finite float, or None."""
    return float(value) if value is not None and isfinite(value) else None


def to_json(data: Mapping[str, object]) -> str:
    """Compact JSON in the given order; a number that is not finite becomes null."""
    try:
        return json.dumps(data, separators=(",", ":"), allow_nan=False)
    except ValueError:
        clean = {key: None if isinstance(value, float) and not isfinite(value) else value
                 for key, value in data.items()}
        return json.dumps(clean, separators=(",", ":"), allow_nan=False)
