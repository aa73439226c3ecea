"""Rows and their running checksum.

Every row carries `hash`, a checksum over its own fields and the hash of the row before it, so
that a changed, lost or exchanged row shows. It finds damage; it does not prove who wrote.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from hashlib import blake2b
from math import isfinite
from typing import Any

GENESIS = bytes(16)

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


def link(before: bytes, fields: tuple[Any, ...]) -> bytes:
    """The hash of a row: 16 bytes over the hash before it and its fields."""
    last = fields[-1]
    if type(last) is bytes:
        fields = (*fields[:-1], blake2b(last, digest_size=16).hexdigest())
    return blake2b(before + json.dumps(fields).encode("ascii"), digest_size=16).digest()


def head(connection: sqlite3.Connection, table: str) -> tuple[int, bytes]:
    """Key and hash of the last row of a table; 0 and GENESIS when it is empty."""
    row = connection.execute(
        f"SELECT {KEY[table]}, hash FROM {table} ORDER BY {KEY[table]} DESC LIMIT 1"
    ).fetchone()
    return (0, GENESIS) if row is None else (row[0], row[1])


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
