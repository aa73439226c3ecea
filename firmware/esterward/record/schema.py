"""The record's file: its tables, how it is opened, which one is meant.

    marks        starts and clean stops of the controller, repairs and gaps, what was dropped
    events       what happened, numbered without a gap; the oldest batches go when it grows too big
    checkpoints  the last few states of the controller
    trace        what every tick read and drove; the oldest chunks go when it grows too big
    documents    the files and sheets a batch was run with
    inbox        what `esterward record add` and `reset` hand over; not chained (see rows.py)
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path

APPLICATION_ID = 0x45535457  # "ESTW", in SQLite's header: tells our file from any other
VERSION = 1
SERVICE_RECORD = Path("/var/lib/esterward/record.sqlite")
BUSY_MS = 100

TABLES = """
CREATE TABLE marks (seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, boot TEXT NOT NULL,
    now_s REAL NOT NULL, wall_s REAL, ran_s REAL, text TEXT NOT NULL, hash BLOB NOT NULL);
CREATE TABLE events (number INTEGER PRIMARY KEY, session INTEGER NOT NULL, now_s REAL NOT NULL,
    wall_s REAL, at_s REAL NOT NULL, kind TEXT NOT NULL, data TEXT NOT NULL, hash BLOB NOT NULL);
CREATE TABLE checkpoints (seq INTEGER PRIMARY KEY, session INTEGER NOT NULL,
    now_s REAL NOT NULL, wall_s REAL, number INTEGER NOT NULL, text TEXT NOT NULL,
    hash BLOB NOT NULL);
CREATE TABLE trace (seq INTEGER PRIMARY KEY, session INTEGER NOT NULL, first_s REAL NOT NULL,
    last_s REAL NOT NULL, wall_s REAL, ticks INTEGER NOT NULL, body BLOB NOT NULL,
    before BLOB NOT NULL, hash BLOB NOT NULL);
CREATE TABLE documents (seq INTEGER PRIMARY KEY, session INTEGER NOT NULL,
    number INTEGER NOT NULL, name TEXT NOT NULL, text TEXT NOT NULL, hash BLOB NOT NULL);
CREATE TABLE inbox (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, kind TEXT NOT NULL,
    name TEXT NOT NULL, value REAL, text TEXT NOT NULL, boot TEXT NOT NULL,
    now_s REAL NOT NULL, taken TEXT NOT NULL DEFAULT '');
"""


class BadRecord(Exception):
    """The file cannot serve as a record; the text is one sentence for a person."""


class Kept(BadRecord):
    """It cannot be kept just now: another controller does, or it takes no more."""


class Damaged(BadRecord):
    """A row does not fit its hash or the row before it."""


class Foreign(BadRecord):
    """A database of something else, or of nothing yet."""


class Unreadable(BadRecord):
    """SQLite cannot read it. damaged: by what is in the file, not by what surrounds it."""

    def __init__(self, sentence: str, error: Exception) -> None:
        super().__init__(sentence)
        name = getattr(error, "sqlite_errorname", "")
        self.damaged = isinstance(error, DAMAGE_ERRORS) or name.startswith(DAMAGE_NAMES)


# What SQLite calls the bytes of a damaged file; SQLITE_ERROR is "unsupported file format" and the
# like, since every statement of ours is a good one.
DAMAGE_NAMES = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_ERROR", "SQLITE_TOOBIG")
# What else the bytes of a damaged file may raise: the module fails to decode SQLite's own message
# when they stand in it, and SQLite may take them for the size of what it must hold in memory.
DAMAGE_ERRORS = (UnicodeDecodeError, MemoryError)
SQLITE_ERRORS = (sqlite3.Error, *DAMAGE_ERRORS)


def said(error: Exception) -> str:
    """The words of one of SQLITE_ERRORS; lack of memory has none of its own."""
    return str(error) or "SQLite finds no memory for what is in it"


def _set_up(connection: sqlite3.Connection, busy_ms: int) -> None:
    connection.execute(f"PRAGMA busy_timeout={busy_ms}")
    connection.execute("PRAGMA trusted_schema=OFF")


def identify(connection: sqlite3.Connection, path: Path) -> bool:
    """True: a record of this version; False: a file with nothing in it yet. Else BadRecord."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application == 0 and version == 0 and tables == 0:
        return False
    if application != APPLICATION_ID:
        raise Foreign(f"{path}: this database was not written by esterward; "
                        "name the record of a batch instead")
    if version != VERSION:
        age = "newer" if version > VERSION else "older"
        raise BadRecord(f"{path}: the record has format {version}, written by a {age} esterward; "
                        f"this one reads format {VERSION}; use that version, or another file")
    return True


def as_created(connection: sqlite3.Connection) -> bool:
    """Whether the tables are described as they were when the file was made.

    With a damaged description SQLite reads rows, but other ones.
    """
    return _described(connection) == _as_made()


def _described(connection: sqlite3.Connection) -> list[tuple[str, ...]]:
    return connection.execute(
        "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY name").fetchall()


@cache
def _as_made() -> list[tuple[str, ...]]:
    with closing(sqlite3.connect(":memory:")) as fresh:
        fresh.executescript(TABLES)
        return _described(fresh)


def open_writer(path: Path) -> sqlite3.Connection:
    """A connection that commits to the disk itself; creates the file and tables if missing.

    sqlite3.Error when the disk or the file does not let it; BadRecord for a foreign file.
    """
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        _set_up(connection, BUSY_MS)
        ours = identify(connection, path)
        # SQLite answers with another mode, not an error, when the disk fails here; that mode
        # would lose the last commit in a power cut.
        if connection.execute("PRAGMA journal_mode=WAL").fetchone() != ("wal",):
            error = sqlite3.OperationalError("no write-ahead log can be kept here")
            error.sqlite_errorname = "SQLITE_IOERR"
            raise error
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA wal_autocheckpoint=0")
        connection.execute("PRAGMA journal_size_limit=4194304")
        if not ours:
            connection.executescript(
                f"BEGIN IMMEDIATE; {TABLES} PRAGMA application_id={APPLICATION_ID};"
                f"PRAGMA user_version={VERSION}; COMMIT;"
            )
    except DAMAGE_ERRORS as error:
        connection.close()
        damage = sqlite3.DatabaseError(f"malformed: {said(error)}")
        damage.sqlite_errorname = "SQLITE_CORRUPT"
        raise damage from None
    except BaseException:
        connection.close()
        raise
    return connection


def open_reader(path: Path) -> sqlite3.Connection:
    """A read-only connection that neither changes nor blocks a record in use.

    BadRecord, in one sentence, for whatever is not a record that can be read.
    """
    closed = closed_to_us(path, os.R_OK)
    if closed:
        raise Unreadable(f"{path}: {closed}", PermissionError())
    if not path.exists():
        raise BadRecord(f"{path}: there is no such record; name its file, "
                        "or set ESTERWARD_RECORD")
    if not path.is_file():
        raise BadRecord(f"{path}: this is not a file; name the record itself")
    # With nothing beside it no controller has the file open, and a plain read-only open would
    # leave files of our own user beside it.
    wal = path.with_name(path.name + "-wal")
    try:
        connection = _open_read_only(path, alone=not wal.exists())
    except SQLITE_ERRORS as error:
        if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_NOTADB:
            raise Unreadable(f"{path}: this is not a record of esterward; "
                             "name the record of a batch instead", error) from None
        try:
            # A full disk has no room for SQLite's shared memory; with an empty log it needs none.
            if wal.exists() and wal.stat().st_size:
                raise error
            connection = _open_read_only(path, alone=True)
        except SQLITE_ERRORS:
            raise Unreadable(f"{path}: the record cannot be read ({said(error)}); name "
                             "another or a whole copy of it", error) from None
    if connection is None:
        raise Foreign(f"{path}: the file is empty; no batch was recorded in it")
    return connection


def _open_read_only(path: Path, *, alone: bool) -> sqlite3.Connection | None:
    """None for a database with nothing in it."""
    address = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if alone else ''}"
    connection = sqlite3.connect(address, uri=True, isolation_level=None)
    try:
        _set_up(connection, 2000)
        if identify(connection, path):
            return connection
    except BaseException:
        connection.close()
        raise
    connection.close()
    return None


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """open_reader() for a with statement; damage met while reading becomes BadRecord too."""
    connection = open_reader(path)
    try:
        yield connection
    except (*SQLITE_ERRORS, Damaged) as error:
        raise BadRecord(f"{path}: the record is damaged ({said(error)}); the next start of the "
                        "controller sets it aside and keeps what came before") from None
    finally:
        connection.close()


def default_path() -> Path:
    """$ESTERWARD_RECORD, else record.sqlite here, else the one of the installed service."""
    named = os.environ.get("ESTERWARD_RECORD", "")
    if named:
        return Path(named)
    here = Path("record.sqlite")
    try:
        if here.exists():
            return here
    except PermissionError:  # a folder of somebody else, as with sudo -u
        pass
    try:
        return SERVICE_RECORD if SERVICE_RECORD.exists() else here
    except PermissionError:  # there is a service, and its folder is closed to us
        return SERVICE_RECORD


def closed_to_us(path: Path, mode: int) -> str:
    """Whose a file or its folder is that we may not use so (os.R_OK, os.W_OK), and what to type;
    "" when nothing is in the way, nothing is there, or it is ours (the disk may be read-only)."""
    folder = path.parent
    try:
        if not path.exists() or os.access(path, mode) or path.stat().st_uid == os.geteuid():
            return ""
    except PermissionError:
        path = folder
    owner, keeper = _owner_of(path), _owner_of(folder)
    if owner == "root" and keeper != "root":  # to ask root once would not mend the service
        return (f"it was left to root (by sudo, say), its folder belongs to {keeper}; write  "
                f"sudo chown --reference={folder} {path}")
    return f"only {owner} may do that; write  sudo -u {owner}  before the command"


def _owner_of(path: Path) -> str:
    """Whose it is, in words."""
    try:
        return path.owner()
    except (OSError, KeyError):
        return "another user"
