"""What a start finds in the record, and what becomes of a record that fails its check.

Decides only whether the last state may be believed; what follows from "found nothing" (held,
methanol flag set) is the controller's. Never half believes: one bad row anywhere means that
no state is found, and the rows before it are carried into a fresh file.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from esterward.record.lock import is_ours, promised_number
from esterward.record.read import chained, chunks
from esterward.record.rows import HASHED, before_first, link
from esterward.record.schema import (
    SQLITE_ERRORS,
    BadRecord,
    Foreign,
    Unreadable,
    as_created,
    open_reader,
    open_writer,
    said,
)

ASIDE = ".damaged-"  # between a damaged record's name and its turn
BOOT_WINDOW_S = 30 * 60.0  # unclean starts are counted within this (hazards F-62)


@dataclass(frozen=True, slots=True)
class Found:
    """What a start finds. checkpoint None means: no state can be believed, for the reason why.

    clean: the last session ended with its clean-stop mark (True for a record not begun).
    unclean_starts: starts without a clean stop before them within 30 min, this one included.
    last_number: number of the last event on disk; numbering goes on from it.
    outage_s: seconds since the checkpoint was taken, None when no trusted clock spans it.
    renamed: where a damaged record was kept, "" when none was.
    """

    checkpoint: str | None
    why: str
    clean: bool
    unclean_starts: int
    last_number: int
    outage_s: float | None
    renamed: str = ""


NOTHING = Found(None, "no batch was recorded here yet", True, 0, 0, None)


def last_state(path: Path | str, *, boot: str = "", now_s: float = 0.0,
               wall_s: float | None = None) -> Found:
    """Look without writing. boot, now_s, wall_s are those of the start that asks.

    BadRecord only for a file of another kind or version; damage is found as None with why.
    """
    path = Path(path)
    damage = damage_of(path)
    if damage is None:
        return NOTHING
    if damage:
        return Found(None, damage, False, 1, 0, None)
    with closing(open_reader(path)) as connection:
        return examine(connection, boot, now_s, wall_s)


def damage_of(path: Path) -> str | None:
    """Why the file cannot be believed, "" when it can, None when there is nothing yet.

    BadRecord when it was never ours, is of another version, or the disk does not let us read.
    """
    ours = is_ours(path)
    if not path.exists() or (path.is_file() and path.stat().st_size == 0):
        lost = ours and promised_number(path) != 0
        return "the record is gone, but its lock file is there" if lost else None
    # Before SQLite opens it: closing a file drops every lock this process has on it, SQLite's too
    # (sqlite.org/howtocorrupt.html, 2.2).
    writable = _writable_form(path)
    try:
        with closing(open_reader(path)) as connection:
            why = check(connection, path)
    except Unreadable as error:
        if not (ours and error.damaged):
            raise
        return f"the record is damaged: {error}"
    except Foreign as error:
        if not ours:
            raise
        return f"the record is damaged: {error}"
    if not why and not writable:
        return "the record is damaged: its header says that it may only be read"
    return why


def check(connection: sqlite3.Connection, path: Path) -> str:
    """Why the record cannot be believed as a whole, "" when it can."""
    try:
        (answer,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
        if answer != "ok":
            return "the record is damaged: its own check of itself fails"
        if not as_created(connection):
            return "the record is damaged: its tables are not those it was made with"
        for table in ("marks", "documents", "events"):
            for _ in chained(connection, table):
                pass
        last = last_number(connection)
        for _ in chunks(connection):
            pass
        for *fields, digest in connection.execute(
            f"SELECT {HASHED['checkpoints']}, hash FROM checkpoints"
        ):
            before = event_hash(connection, fields[4])
            if before is None or link(before, tuple(fields)) != digest:
                return f"the record is damaged: checkpoint {fields[0]}"
        # A chain cannot tell that its end is missing.
        for table in ("events", "checkpoints", "documents", "trace"):
            if connection.execute(f"SELECT 1 FROM {table} WHERE session NOT IN "
                                  "(SELECT seq FROM marks WHERE kind = 'start')").fetchone():
                return f"the record is damaged: {table} of a start that marks do not hold"
    except BadRecord as error:
        return f"the record is damaged: {error}"
    except (*SQLITE_ERRORS, ValueError, TypeError) as error:
        return f"the record is damaged: {said(error)}"
    promised = promised_number(path)
    if promised is not None and promised > last:
        return f"the record has lost events: {promised} were on the disk, {last} are left"
    return ""


def _writable_form(path: Path) -> bool:
    """Whether SQLite will write a file with this header.

    Byte 18 is the "file format write version": with more than 2 there SQLite reads the file and
    refuses to write it, and its own check finds nothing (sqlite.org/fileformat2.html, "File format
    version numbers").
    """
    try:
        with path.open("rb") as file:
            file.seek(18)
            return file.read(1) <= b"\x02"
    except OSError:
        return True  # what is wrong there SQLite meets too, and says


def event_hash(connection: sqlite3.Connection, number: int) -> bytes | None:
    """The hash of an event's row, also of the one before the first; None where there is none."""
    row = connection.execute("SELECT hash FROM events WHERE number = ?", (number,)).fetchone()
    if row is not None:
        found: bytes = row[0]
        return found
    last, digest = before_first(connection, "events")
    return digest if last == number else None


def last_number(connection: sqlite3.Connection) -> int:
    """The number of the last event, also of one that was dropped; 0 when there was none."""
    (number,) = connection.execute("SELECT max(number) FROM events").fetchone()
    return int(before_first(connection, "events")[0] if number is None else number)


def examine(connection: sqlite3.Connection, boot: str, now_s: float,
            wall_s: float | None) -> Found:
    """What a record that passed its check holds."""
    number = last_number(connection)
    row = connection.execute(
        "SELECT session, now_s, wall_s, number, text FROM checkpoints ORDER BY seq DESC LIMIT 1"
    ).fetchone()
    clean, unclean_starts = _stops(connection, boot, now_s, wall_s)
    if row is None:
        why = NOTHING.why if number == 0 else "the record holds events but no saved state"
        if connection.execute("SELECT 1 FROM marks WHERE kind = 'start' AND text != ''").fetchone():
            why = "no state was stored since the record was found lost or damaged"
        return Found(None, why, clean, unclean_starts, number, None)
    session, saved_s, saved_wall_s, saved_number, text = row
    if saved_number != number:
        why = f"the last saved state is of event {saved_number}, the last event is {number}"
        return Found(None, why, clean, unclean_starts, number, None)
    (saved_boot,) = connection.execute(
        "SELECT boot FROM marks WHERE seq = ?", (session,)
    ).fetchone()
    outage_s = _between(saved_boot, saved_s, saved_wall_s, boot, now_s, wall_s)
    return Found(text, "", clean, unclean_starts, number, outage_s)


def _between(boot: str, then_s: float, then_wall_s: float | None, boot_now: str, now_s: float,
             wall_s: float | None) -> float | None:
    """Seconds between two moments: by one boot's own clock, else by two trusted clocks."""
    if boot and boot == boot_now:
        gap_s = now_s - then_s
    elif then_wall_s is not None and wall_s is not None:
        gap_s = wall_s - then_wall_s
    else:
        return None
    return gap_s if 0.0 <= gap_s < float("inf") else None


def _stops(connection: sqlite3.Connection, boot: str, now_s: float,
           wall_s: float | None) -> tuple[bool, int]:
    """Whether the last stop was clean, and how many starts of late followed an unclean one.

    Between boots without a trusted clock only proven running time counts as time gone by, so
    that a loop of brown-outs is seen on a board that has no clock of its own.
    """
    rows = connection.execute(
        "SELECT kind, boot, now_s, wall_s, ran_s FROM marks WHERE kind IN ('start', 'stop') "
        "ORDER BY seq DESC LIMIT 64"
    ).fetchall()
    if not rows or rows[0][0] == "stop":
        return True, 0
    count, proven_s = 1, last_seen_s(connection)[1] + (now_s if rows[0][1] != boot else 0.0)
    for (kind, then_boot, then_s, then_wall_s, ran_s), before in pairwise(rows):
        gap_s = _between(then_boot, then_s, then_wall_s, boot, now_s, wall_s)
        if (proven_s if gap_s is None else gap_s) > BOOT_WINDOW_S:
            break
        if kind == "start":
            count += before[0] == "start"
            proven_s += (ran_s or 0.0) + (then_s if before[1] != then_boot else 0.0)
    return False, count


def last_seen_s(connection: sqlite3.Connection) -> tuple[float, float]:
    """Of the last session: its last known monotonic second, and how long it ran until then."""
    start = connection.execute(
        "SELECT seq, now_s FROM marks WHERE kind = 'start' ORDER BY seq DESC LIMIT 1"
    ).fetchone()
    if start is None:
        return 0.0, 0.0
    session, start_s = start
    seen_s = start_s
    for query in (
        "SELECT session, last_s FROM trace ORDER BY seq DESC LIMIT 1",
        "SELECT session, now_s FROM events ORDER BY number DESC LIMIT 1",
        "SELECT session, now_s FROM checkpoints ORDER BY seq DESC LIMIT 1",
    ):
        row = connection.execute(query).fetchone()
        if row is not None and row[0] == session:
            seen_s = max(seen_s, row[1])
    return seen_s, seen_s - start_s


def set_aside(path: Path) -> str:
    """Keep a damaged record under another name and put a fresh one in its place.

    The rows before the first bad one of each kind are carried over, the saved states are not.
    Returns the new name of the damaged record. The caller holds the lock.
    """
    fresh = path.with_name(path.name + ".new")
    for leftover in (fresh, *_beside(fresh)):
        leftover.unlink(missing_ok=True)
    new = open_writer(fresh)
    try:
        with suppress(BadRecord, *SQLITE_ERRORS):
            _copy(path, new)
        new.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        new.close()
    turn = 1
    while (aside := path.with_name(f"{path.name}{ASIDE}{turn}")).exists():
        turn += 1
    wal, shm = _beside(path)
    # The damaged file stays in its place until the fresh one replaces it, in one step.
    os.link(path, aside)
    if wal.exists():
        wal.replace(aside.with_name(aside.name + "-wal"))
    shm.unlink(missing_ok=True)
    fresh.replace(path)
    sync_folder(path)
    return aside.name


def _beside(path: Path) -> tuple[Path, Path]:
    return path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")


def _copy(path: Path, new: sqlite3.Connection) -> None:
    old, starts = open_reader(path), set[int]()
    try:
        for table in ("marks", "events", "documents", "trace"):
            columns = HASHED[table] + (", before, hash" if table == "trace" else ", hash")
            marks = ", ".join("?" * (columns.count(",") + 1))
            new.execute("BEGIN IMMEDIATE")
            try:
                with suppress(BadRecord, *SQLITE_ERRORS, ValueError, TypeError):
                    if before_first(old, table) != before_first(new, table):
                        continue  # the mark that tells where they begin was not carried over
                    rows = chunks(old) if table == "trace" else chained(old, table)
                    for fields in rows:
                        if table == "marks":
                            starts |= {fields[0]} if fields[1] == "start" else set()
                        elif fields[1] not in starts:
                            break  # else the next check misses the mark of its start
                        new.execute(
                            f"INSERT INTO {table} ({columns}) VALUES ({marks})",
                            old.execute(
                                f"SELECT {columns} FROM {table} WHERE rowid = ?", (fields[0],)
                            ).fetchone(),
                        )
            finally:
                new.execute("COMMIT")
    finally:
        old.close()


def sync_folder(path: Path) -> None:
    """Make new names in the folder of path durable."""
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
