"""What is typed at the machine on its way to the controller: a table of the record.

`esterward record add` and `reset` write a row; the controller marks it taken, durably, and
only then hands it out, so that each is given once. A row nobody took in time is spent: a
reset typed before a restart must not act after it.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from uuid import uuid4

from esterward.record.read import to_row
from esterward.record.rows import HASHED
from esterward.record.schema import BadRecord, closed_to_us, open_reader, open_writer
from esterward.values.requests import LOCAL_KINDS, Request

VALID_S = 600.0  # design.md section 3: a reset counts within 10 min
MAX_WAITING = 32
MAX_TEXT = 200
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def machine_boot() -> str:
    """The kernel's id of this boot, "" where there is none."""
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""


def post(path: Path | str, kind: str, name: str = "", value: float | None = None,
         text: str = "") -> str:
    """Hand a request over and return its id; BadRecord when it cannot be written."""
    path = Path(path)
    if kind not in LOCAL_KINDS or len(name) > MAX_TEXT or len(text) > MAX_TEXT:
        raise ValueError(f"not a request: {kind}")
    open_reader(path).close()  # never creates a file, never writes into a foreign one
    identity = uuid4().hex
    try:
        with closing(open_writer(path)) as connection:
            connection.execute("PRAGMA busy_timeout=3000")
            connection.execute("BEGIN IMMEDIATE")
            (waiting,) = connection.execute(
                "SELECT count(*) FROM inbox WHERE taken = ''").fetchone()
            if waiting >= MAX_WAITING:
                raise BadRecord(f"{path}: {waiting} requests wait already and nobody takes them; "
                                "is the controller running?")
            connection.execute(
                "INSERT INTO inbox (id, kind, name, value, text, boot, now_s) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (identity, kind, name, value, text, machine_boot(), time.monotonic()),
            )
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        why = closed_to_us(path, os.W_OK) or f"the request could not be written: {error}"
        raise BadRecord(f"{path}: {why}") from None
    return identity


def take(connection: sqlite3.Connection) -> list[Request]:
    """Mark every waiting row taken, durably, and return those still valid. No open transaction.

    sqlite3.Error leaves the rows waiting and hands out none.
    """
    if connection.execute("SELECT 1 FROM inbox WHERE taken = '' LIMIT 1").fetchone() is None:
        return []
    boot, now_s = machine_boot(), time.monotonic()
    valid: list[Request] = []
    connection.execute("BEGIN IMMEDIATE")
    try:
        rows = connection.execute(
            "SELECT seq, id, kind, name, value, text, boot, now_s FROM inbox "
            "WHERE taken = '' ORDER BY seq LIMIT ?", (MAX_WAITING,)
        ).fetchall()
        for seq, identity, kind, name, value, text, then_boot, then_s in rows:
            fresh = then_boot == boot and 0.0 <= now_s - then_s <= VALID_S
            good = fresh and kind in LOCAL_KINDS and all(
                type(word) is str and len(word) <= MAX_TEXT for word in (identity, name, text)
            ) and (value is None or type(value) is float)
            if good:
                valid.append(Request(identity, kind, "local", name, value, text))
            connection.execute("UPDATE inbox SET taken = ? WHERE seq = ?",
                               ("given" if good else "too late" if not fresh else "unreadable",
                                seq))
        connection.execute("DELETE FROM inbox WHERE seq <= (SELECT max(seq) FROM inbox) - 200")
        connection.execute("COMMIT")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return valid


def withdraw(path: Path | str, identity: str) -> bool:
    """Take a request back; False when the controller has it already."""
    try:
        with closing(open_writer(Path(path))) as connection:
            connection.execute("PRAGMA busy_timeout=3000")
            done = connection.execute(
                "DELETE FROM inbox WHERE id = ? AND taken = ''", (identity,)
            ).rowcount
    except sqlite3.Error as error:
        raise BadRecord(f"{path}: the request could not be taken back: {error}") from None
    return done == 1


def answer(path: Path | str, identity: str, *, wait_s: float,
           sleep: Callable[[float], None] = time.sleep) -> tuple[str, str]:
    """What became of a request: (accepted | refused | given | too late | unreadable | "", why).

    Waits up to wait_s; "" means that nobody has taken it.
    """
    until_s = time.monotonic() + wait_s
    while True:
        with closing(open_reader(Path(path))) as connection:
            found = _answer(connection, identity)
        if found[0] not in ("", "given") or time.monotonic() >= until_s:
            return found
        sleep(0.2)


def _answer(connection: sqlite3.Connection, identity: str) -> tuple[str, str]:
    rows = connection.execute(
        f"SELECT {HASHED['events']} FROM events WHERE kind IN "
        "('request_accepted', 'request_refused') ORDER BY number DESC LIMIT 50"
    ).fetchall()
    for fields in rows:
        event = to_row(fields).event
        if event.data.get("id") == identity:
            return event.kind.removeprefix("request_"), str(event.data.get("why", ""))
    row = connection.execute("SELECT taken FROM inbox WHERE id = ?", (identity,)).fetchone()
    return ("" if row is None else row[0]), ""
