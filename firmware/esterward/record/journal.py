"""The record while a controller runs: takes every tick, stores it in a bounded step.

Decides when what is written and what counts as stored; knows nothing of what events mean.
add() only queues, so the loop never waits for a disk; step() does the work and may run in
another thread than add(), backlog and take_requests(). An event counts as stored when its
transaction is on the disk and the lock file promises its number there too.

A write that fails ends the connection. What was not confirmed is written again from memory
over a new connection, after the file was folded together and confirmed anew; a disk that
fails to confirm UNCONFIRMED_MAX times is not believed again before a restart.
"""

from __future__ import annotations

import sqlite3
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from esterward.record import inbox
from esterward.record.folding import fold, tidy
from esterward.record.lock import InUse, Lock, is_ours
from esterward.record.resume import (
    NOTHING,
    Found,
    damage_of,
    event_hash,
    examine,
    last_number,
    last_seen_s,
    set_aside,
    sync_folder,
)
from esterward.record.rows import DROPPED, GENESIS, head, insert, real, to_json
from esterward.record.schema import BUSY_MS, DAMAGE_ERRORS, BadRecord, Kept, Unreadable, open_writer
from esterward.record.trace import CHUNK_TICKS, Tick, encode
from esterward.record.trouble import HELD, busy, unconfirmed, words
from esterward.values.events import Event
from esterward.values.outputs import Outputs
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot

BATCH_S = 60.0  # the trace is written at least this often
FOLD_COMMITS = 10  # commits between two folds of the write-ahead log into the file
START_BUSY_MS = 3000  # somebody may be reading just now
BUSY_S = 5.0  # another program may hold the file this long before it is a fault
RETRY_S, RETRY_MAX_S = 2.0, 30.0
UNCONFIRMED_MAX = 3
KEPT_CHECKPOINTS = 3
TICKS_MAX = 1800  # of the trace in memory while the disk is in trouble
EVENTS_MAX = 20_000
CHUNKS_A_STEP = 4
POLL_S = 1.0
TRACE_BYTES = 24_000_000
# With what is written between two folds the file stays below 50 MB (hazards F-82), but for a batch
# that writes more than that by itself: it is kept whole.
RECORD_BYTES = 44_000_000

Waiting = tuple[Event, float, float | None]  # an event with its snapshot's now_s and wall_s


@dataclass(slots=True)
class _Attempt:
    """What a transaction leaves behind, to tell after trouble whether it is in the file."""

    trace_seq: int
    number: int
    events: int
    ticks: int


class Journal:
    """One record in use. Implements values.ports.Record; found says what the start found.

    BadRecord when the file is of another kind or version, or in use by another controller.
    Trouble with the disk is no exception: fault says it, and step() tries again.
    """

    def __init__(self, path: Path | str, *, boot: str, now_s: float, wall_s: float | None = None,
                 trace_bytes: int = TRACE_BYTES, record_bytes: int = RECORD_BYTES,
                 durable: bool = True, batch_s: float = BATCH_S,
                 connect: Callable[[Path], sqlite3.Connection] = open_writer) -> None:
        """Open or begin the record; the three times are those of this start.

        durable=False waits for no disk: for a record nobody has to rely on. batch_s: the
        trace is written at least this often.
        """
        self.path = Path(path)
        self.stored = 0
        self.fault = ""
        self.found = NOTHING
        self._boot, self._connect = boot, connect
        self._trace_bytes, self._record_bytes = trace_bytes, record_bytes
        self._durable, self._batch_s = durable, batch_s
        self._queue: deque[tuple[Snapshot, Outputs, tuple[Event, ...], str | None]] = deque()
        self._given: deque[Request] = deque()
        self._ticks: list[Tick] = []
        self._events: list[Waiting] = []
        self._state: tuple[str, int, float, float | None] | None = None
        self._lost = False  # nothing more is stored before a restart
        self._connection: sqlite3.Connection | None = None
        self._session = self._trace_seq = self._checkpoint_seq = 0
        self._file = (0, 0)
        self._attempt: _Attempt | None = None
        self._gap_ticks = self._commits = self._unconfirmed = self._failures = 0
        self._retry_s, self._busy_since_s = now_s, float("inf")
        self._polled_s, self._data_version = float("-inf"), -1
        self._lock = self._take_lock()
        try:
            self._start(now_s, wall_s)
        except BaseException:
            self.close(now_s)
            raise

    # -- called by the loop, each tick ------------------------------------------------------

    def add(self, snapshot: Snapshot, outputs: Outputs, events: tuple[Event, ...],
            checkpoint: str | None) -> None:
        """Queue one tick. A tick with events must come with the checkpoint after them."""
        self._queue.append((snapshot, outputs, events, checkpoint))

    def take_requests(self) -> tuple[Request, ...]:
        """Requests typed at this machine since the last call."""
        if not self._given:
            return ()
        return tuple([self._given.popleft() for _ in range(len(self._given))])

    @property
    def backlog(self) -> int:
        """How many events wait to be stored."""
        return len(self._events) + sum(len(events) for _, _, events, _ in tuple(self._queue))

    # -- called where it may wait for a disk --------------------------------------------------

    def step(self, now_s: float) -> None:
        """Write what is due, at most one transaction; never raises for trouble with the disk."""
        self._drain()
        if self._lost or now_s < self._retry_s:
            return
        try:
            if self._connection is None:
                self._reopen()
            if self._due(now_s):
                self._write(now_s)
            self._poll()
        except (sqlite3.Error, OSError) as error:
            self._trouble(error, now_s)
        except BadRecord as error:
            self._give_up(str(error))
        except DAMAGE_ERRORS:
            self._give_up("the record is damaged; restart the controller")

    def attach(self, texts: dict[str, str]) -> None:
        """Keep texts with the record, at once: the batch file, the sheet. Start only.

        All or none, by name; sqlite3.Error or OSError when they cannot be stored. Nothing may run
        then: the next start would go on with the numbers of another batch.
        """
        connection = self._connection
        if connection is None:
            raise OSError(self.fault or "the record is not open")
        connection.execute(f"PRAGMA busy_timeout={START_BUSY_MS}")
        connection.execute("BEGIN IMMEDIATE")
        try:
            for name, text in texts.items():
                self._keep(connection, name, text)
            connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise
        connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")

    def _keep(self, connection: sqlite3.Connection, name: str, text: str) -> None:
        held = connection.execute(
            "SELECT text FROM documents WHERE name = ? ORDER BY seq DESC LIMIT 1", (name,)
        ).fetchone()
        if held is None or held[0] != text:  # a start more must not make the file grow
            seq, before = head(connection, "documents")
            insert(connection, "documents", (seq + 1, self._session, self.stored, name, text),
                   before)

    def close(self, now_s: float, wall_s: float | None = None, *, clean: bool = True) -> None:
        """Store what is left and, when all of it is on disk, the clean-stop mark.

        clean=False leaves the mark out: the next start finds an end nobody wanted.
        """
        with suppress(sqlite3.Error, OSError, BadRecord):
            self._drain()
            while self._session and self._connection is not None:
                if not (self._ticks or self._events or self._state):
                    if clean:
                        self._mark("stop", now_s, wall_s)
                    fold(self._connection)
                    break
                self._write(now_s)
        self._disconnect()
        if self._lock is not None:
            self._lock.close()

    def withdraw(self, now_s: float) -> None:
        """Close as if this start had not been, before anything was given or attached.

        How the last run ended then still counts. Where a state should have been found and was not
        the mark stays: with a lost or damaged record it is all that tells the next start of that.
        """
        with suppress(sqlite3.Error):
            if self._connection is not None and (self.found.checkpoint is not None
                                                 or self.found.why == NOTHING.why):
                self._unmark(self._connection)
        self.close(now_s, clean=False)

    # -- inside -----------------------------------------------------------------------------

    def _unmark(self, connection: sqlite3.Connection) -> None:
        connection.execute("DELETE FROM marks WHERE seq = ?", (self._session,))

    def _take_lock(self) -> Lock | None:
        if not self.path.parent.is_dir() or self.path.is_dir():
            raise BadRecord(f"{self.path}: no record can be kept here; "
                            "name a file in a folder that exists")
        try:
            return Lock(self.path, durable=self._durable)
        except InUse:
            raise Kept(f"{self.path}: another controller keeps this record; "
                       "stop it first, or name another file") from None
        except OSError as error:
            self._give_up(f"the record cannot be written: {error.strerror}")
            return None

    def _start(self, now_s: float, wall_s: float | None) -> None:
        try:
            if self._lock is not None:
                self._open(self._lock, now_s, wall_s)
        except Unreadable as error:
            if error.damaged:
                raise
            self._give_up(str(error))
        except (sqlite3.Error, OSError) as error:
            self._trouble(error, now_s)
            # The numbering of this run hangs on what is in the file: no later try can help.
            self._give_up(self.fault or HELD)
        if self._lost:
            self.found = Found(None, self.fault, False, 1, 0, None)

    def _open(self, lock: Lock, now_s: float, wall_s: float | None) -> None:
        if not self.path.exists() and not is_ours(self.path):
            lock.promise(0)  # so that a file half begun is known to be ours
        damage, renamed = damage_of(self.path), ""
        if damage and self.path.exists() and self.path.stat().st_size:
            renamed = set_aside(self.path)
        connection = self._connection = self._connected()
        connection.execute(f"PRAGMA busy_timeout={START_BUSY_MS}")
        sync_folder(self.path)
        fold(connection)
        number = last_number(connection)
        if damage:
            self.found = Found(None, damage, False, 1, number, None, renamed)
        elif damage is not None:
            self.found = examine(connection, self._boot, now_s, wall_s)
        self.stored, self._file = number, self._file_there()
        self._session = self._mark("start", now_s, wall_s, last_seen_s(connection)[1],
                                   renamed or damage or "")
        try:
            # So that the file itself says "started": a log lost later then shows.
            fold(connection)
        except sqlite3.Error as error:
            if busy(getattr(error, "sqlite_errorname", "")):  # nothing ran: it is no unclean end
                self._unmark(connection)
            raise
        # Last: until the file says "started", the promise to a lost record is all that tells of it.
        lock.promise(number, both=True)
        connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        self._trace_seq = head(connection, "trace")[0]
        self._checkpoint_seq = head(connection, "checkpoints")[0]

    def _drain(self) -> None:
        queue = self._queue
        while queue:
            snapshot, outputs, events, checkpoint = queue.popleft()
            self._ticks.append((snapshot, outputs))
            for event in events:
                self._events.append((event, snapshot.now_s, snapshot.wall_s))
            if checkpoint is not None:
                number = self._events[-1][0].number if self._events else self.stored
                self._state = (checkpoint, number, snapshot.now_s, snapshot.wall_s)
        if len(self._ticks) > TICKS_MAX:
            dropped = len(self._ticks) - TICKS_MAX // 2
            del self._ticks[:dropped]
            self._gap_ticks += dropped
            if self._attempt is not None:
                self._attempt.ticks = max(0, self._attempt.ticks - dropped)
        if len(self._events) > EVENTS_MAX:
            del self._events[EVENTS_MAX:]
            self._give_up("too many events wait to be stored")

    def _due(self, now_s: float) -> bool:
        if self._events or self.fault or self._gap_ticks:
            return True
        ticks = self._ticks  # a whole chunk waits for no more, or it would leave a chunk of one
        return bool(ticks) and (len(ticks) >= CHUNK_TICKS
                                or now_s - ticks[0][0].now_s >= self._batch_s)

    def _write(self, now_s: float) -> None:
        """One transaction: every event that waits, with the state after the last, and the oldest
        ticks; pops them once they are on the disk.

        A state fits no event but its own last one: between two transactions of one backlog a cut
        would leave a record with no state to believe. EVENTS_MAX bounds it.
        """
        connection = self._connection
        assert connection is not None
        events = self._events
        ticks = self._ticks[:CHUNK_TICKS * CHUNKS_A_STEP]
        last = events[-1][0].number if events else self.stored
        connection.execute("BEGIN IMMEDIATE")
        if self._gap_ticks:
            self._mark("gap", now_s, None, None, f"{self._gap_ticks} ticks of the trace are lost")
        if self.fault:
            self._mark("repair", now_s, None, None, self.fault)
        before = event_hash(connection, self.stored) or GENESIS
        for event, then_s, wall_s in events:
            before = insert(connection, "events", (
                event.number, self._session, float(then_s), real(wall_s), float(event.at_s),
                event.kind, to_json(event.data)), before)
        trace_seq, trace_head = head(connection, "trace")
        for start in range(0, len(ticks), CHUNK_TICKS):
            chunk = ticks[start:start + CHUNK_TICKS]
            first, final = chunk[0][0], chunk[-1][0]
            trace_seq += 1
            trace_head = insert(connection, "trace", (
                trace_seq, self._session, float(first.now_s), float(final.now_s),
                real(final.wall_s), len(chunk), encode(chunk)), trace_head)
        if self._state is not None and self._state[1] == last:
            text, _, then_s, wall_s = self._state
            self._checkpoint_seq += 1
            insert(connection, "checkpoints", (self._checkpoint_seq, self._session,
                   float(then_s), real(wall_s), last, text), before)
            connection.execute("DELETE FROM checkpoints WHERE seq <= ?",
                               (self._checkpoint_seq - KEPT_CHECKPOINTS,))
        self._attempt = _Attempt(trace_seq, last, len(events), len(ticks))
        connection.execute("COMMIT")
        self._look_for_file()
        self._confirmed(self._attempt)
        self.fault, self._failures, self._gap_ticks = "", 0, 0
        self._busy_since_s = float("inf")
        self._commits += 1
        if self._commits % FOLD_COMMITS == 0:
            tidy(connection, self._trace_bytes, self._record_bytes,
                 lambda text: self._mark(DROPPED, now_s, None, None, text))

    def _confirmed(self, attempt: _Attempt) -> None:
        """The attempt is on the disk: promise its number, then let go of it."""
        if attempt.number > self.stored and self._lock is not None:
            self._lock.promise(attempt.number)
        self._attempt, self._trace_seq = None, attempt.trace_seq
        del self._events[:attempt.events], self._ticks[:attempt.ticks]
        if self._state is not None and self._state[1] <= attempt.number:
            self._state = None
        self.stored = attempt.number

    def _file_there(self) -> tuple[int, int]:
        found = self.path.stat()
        return found.st_dev, found.st_ino

    def _look_for_file(self) -> None:
        """BadRecord when what is written goes to a file that nobody will find again.

        SQLite looks for that only without a write-ahead log.
        """
        try:
            same = self._file_there() == self._file
        except FileNotFoundError:
            same = False
        if not same:
            raise BadRecord("the record was moved, deleted or replaced while it was kept; put it "
                            "back if you can, then restart the controller")

    def _connected(self) -> sqlite3.Connection:
        connection = self._connect(self.path)
        if not self._durable:
            connection.execute("PRAGMA synchronous=OFF")
        return connection

    def _mark(self, kind: str, now_s: float, wall_s: float | None, ran_s: float | None = None,
              text: str = "") -> int:
        assert self._connection is not None
        seq, before = head(self._connection, "marks")
        insert(self._connection, "marks", (seq + 1, kind, self._boot, float(now_s),
                                           real(wall_s), real(ran_s), text), before)
        return seq + 1

    def _reopen(self) -> None:
        """After trouble: a new connection, everything in the file confirmed anew, then go on."""
        connection = self._connected()
        try:
            # A failed fsync may have left pages that look written and are not. Folding writes
            # every row of the log to another place and asks the disk to confirm that.
            fold(connection)
            there = (head(connection, "trace")[0], last_number(connection))
            self._checkpoint_seq = head(connection, "checkpoints")[0]
            attempt, self._attempt = self._attempt, None
            if there == (self._trace_seq, self.stored):
                pass
            elif attempt is not None and there == (attempt.trace_seq, attempt.number):
                self._attempt = attempt
                self._confirmed(attempt)
            else:
                raise BadRecord("the record was changed by something else while it was written")
        except BaseException:
            connection.close()
            raise
        self._connection = connection
        self._data_version = -1  # it counts per connection, so what was typed meanwhile is unseen

    def _trouble(self, error: Exception, now_s: float) -> None:
        name = getattr(error, "sqlite_errorname", "")
        if busy(name) and self._connection is not None:
            with suppress(sqlite3.Error):
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
            self._attempt = None
            self._busy_since_s = min(self._busy_since_s, now_s)
            if now_s - self._busy_since_s >= BUSY_S:
                self.fault = HELD
            return
        self._disconnect()
        self._failures += not busy(name)
        self._retry_s = now_s + min(RETRY_MAX_S, RETRY_S * 2 ** max(0, self._failures - 1))
        self.fault = words(name, error, self.path.parent)
        if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            self._give_up("the record is damaged; restart the controller")
        elif unconfirmed(name, error):
            self._unconfirmed += 1
            if self._unconfirmed >= UNCONFIRMED_MAX:
                self._give_up("the disk failed to confirm what was written; replace it")

    def _give_up(self, why: str) -> None:
        self._disconnect()
        self.fault = why
        self._lost = True

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(sqlite3.Error):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
            with suppress(sqlite3.Error):
                connection.close()

    def _poll(self) -> None:
        """Look for requests, at most once a second of real time: people type in real time."""
        real_s = time.monotonic()
        if real_s - self._polled_s < POLL_S or self._connection is None:
            return
        self._polled_s = real_s
        self._look_for_file()
        (version,) = self._connection.execute("PRAGMA data_version").fetchone()
        if version != self._data_version:
            self._given.extend(inbox.take(self._connection))
            self._data_version = version
        self._busy_since_s = float("inf")  # what was due is written, and nobody is in the way
