"""A disk in trouble: full, read-only, not confirming. Nothing acknowledged is lost, nothing is
acknowledged that is not stored, and the loop goes on.

Full and read-only disks are real (a small tmpfs) where a file system can be mounted, and a
process with a file size limit everywhere. A failing fsync is real under strace where that can
trace; the connection that breaks at a chosen statement is made here.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ClassVar

import pytest

from esterward.record import inbox
from esterward.record import journal as journal_module
from esterward.record.journal import Journal
from esterward.record.read import read_events, read_marks, read_trace
from esterward.record.resume import last_state
from esterward.record.schema import open_writer

Begin = Callable[..., Any]
TAKEN = ("the record was moved, deleted or replaced while it was kept; put it back if you can, "
         "then restart the controller")
WRITER = Path(__file__).with_name("writer.py")


def _error(name: str) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError(f"made up: {name}")
    error.sqlite_errorname = name
    return error


class Breaking:
    """A connection that fails at the next statement that starts with `at`."""

    at = ""
    name = "SQLITE_IOERR_FSYNC"
    after = False  # fail after the statement has worked, as an fsync that is reported late
    times = 0
    said: ClassVar[list[str]] = []

    def __init__(self, path: Path) -> None:
        self.real = open_writer(path)

    def execute(self, statement: str, *values: Any) -> Any:
        Breaking.said.append(statement)
        if Breaking.times and Breaking.at and statement.startswith(Breaking.at):
            Breaking.times -= 1
            if Breaking.after:
                self.real.execute(statement, *values)
            raise _error(Breaking.name)
        return self.real.execute(statement, *values)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, name)


@pytest.fixture
def breaks() -> Iterator[Callable[..., None]]:
    def breaks(at: str, name: str, *, after: bool = False, times: int = 1) -> None:
        Breaking.at, Breaking.name, Breaking.after, Breaking.times = at, name, after, times
        Breaking.said.clear()

    yield breaks
    Breaking.times = 0


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("name", ["SQLITE_IOERR_FSYNC", "SQLITE_FULL", "SQLITE_IOERR_WRITE",
                                  "SQLITE_READONLY"])
@pytest.mark.parametrize("at", ["BEGIN", "INSERT INTO events", "INSERT INTO trace", "COMMIT"])
def test_a_failed_write_is_told_then_written_again_over_a_new_connection(
        begin: Begin, path: Path, breaks: Any, at: str, name: str, after: bool) -> None:
    feeder = begin(connect=Breaking)
    feeder.tick(2)
    first = feeder.journal._connection
    breaks(at, name, after=after)
    feeder.tick(3)
    assert feeder.journal.stored == 2
    assert feeder.journal.fault
    assert feeder.journal._connection is None
    feeder.tick(1)  # the very next snapshot carries the fault: too early to try again
    assert (feeder.ticks[-1][0].stored, bool(feeder.ticks[-1][0].record_fault)) == (2, True)
    feeder.tick()
    assert (feeder.journal.stored, feeder.journal.fault) == (6, "")
    assert feeder.journal._connection is not first
    feeder.journal.close(feeder.now_s)
    assert list(read_events(path)) == feeder.events
    assert list(read_trace(path)) == feeder.ticks
    assert "repair" in [mark.kind for mark in read_marks(path)]
    assert last_state(path).checkpoint == "state of 6"


def test_after_an_fsync_failed_the_whole_log_is_confirmed_anew_before_anything_is_written(
        begin: Begin, breaks: Any) -> None:
    """What the failed one left may look written and not be: SQLite itself would believe it."""
    feeder = begin(connect=Breaking)
    feeder.tick(2)
    breaks("COMMIT", "SQLITE_IOERR_FSYNC")
    feeder.tick(1)
    Breaking.said.clear()
    feeder.tick()
    feeder.tick()
    folded = Breaking.said.index("PRAGMA wal_checkpoint(TRUNCATE)")
    assert folded < Breaking.said.index("BEGIN IMMEDIATE")
    assert feeder.journal.stored == 3


def test_a_disk_that_fails_to_confirm_three_times_is_not_believed_again(
        begin: Begin, path: Path, breaks: Any) -> None:
    feeder = begin(connect=Breaking)
    feeder.tick(1)
    breaks("COMMIT", "SQLITE_IOERR_FSYNC", times=3)
    for _ in range(60):
        feeder.tick(1)
    assert Breaking.times == 0  # from the fourth try on every write would have worked
    assert feeder.journal.stored == 1
    assert feeder.journal.fault == "the disk failed to confirm what was written; replace it"
    feeder.journal.close(feeder.now_s)
    assert [event.number for event in read_events(path)] == [1]
    assert [mark.kind for mark in read_marks(path)] == ["start"]  # no clean stop is claimed


def test_a_promise_that_is_not_confirmed_counts_as_not_stored(
        begin: Begin, monkeypatch: pytest.MonkeyPatch) -> None:
    feeder = begin()
    feeder.tick(1)

    def fails(handle: int) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr("os.fdatasync", fails)
        feeder.tick(1)
        assert feeder.journal.stored == 1
        assert feeder.journal.fault == (
            "the disk did not confirm what was written: [Errno 5] Input/output error")
    for _ in range(3):
        feeder.tick()
    assert (feeder.journal.stored, feeder.journal.fault) == (2, "")


def test_another_program_holding_the_file_is_a_fault_only_after_five_seconds(
        begin: Begin, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("esterward.record.schema.BUSY_MS", 1)
    monkeypatch.setattr(journal_module, "BUSY_MS", 1)
    feeder = begin()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    faults = []
    for _ in range(8):
        feeder.tick(1)
        faults.append(feeder.journal.fault)
    assert faults == [""] * 5 + ["another program holds the record"] * 3
    assert feeder.journal.backlog == 8
    other.execute("COMMIT")
    other.close()
    feeder.tick()
    assert (feeder.journal.stored, feeder.journal.fault) == (8, "")


def test_to_be_in_the_way_for_an_instant_twice_is_no_fault(
        begin: Begin, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("esterward.record.schema.BUSY_MS", 1)
    monkeypatch.setattr(journal_module, "BUSY_MS", 1)
    monkeypatch.setattr(journal_module, "POLL_S", 0.0)
    feeder = begin()
    feeder.tick(1)
    inbox.post(path, "hold")
    for events in (0, 1):
        other = _held(path, "BEGIN IMMEDIATE")
        feeder.tick(events)
        assert feeder.journal.fault == ""
        other.close()
        for _ in range(20):
            feeder.tick()
    assert len(feeder.journal.take_requests()) == 1 and feeder.journal.stored == 2


def _held(path: Path, how: str) -> sqlite3.Connection:
    """Another program in a transaction: BEGIN and a SELECT to read, BEGIN IMMEDIATE to write."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute(how)
    other.execute("SELECT count(*) FROM events").fetchone()
    return other


def test_a_reader_in_the_way_after_trouble_is_named_and_the_disk_is_not_blamed(
        begin: Begin, breaks: Any, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("esterward.record.schema.BUSY_MS", 1)
    monkeypatch.setattr(journal_module, "BUSY_MS", 1)
    feeder = begin(connect=Breaking)
    feeder.tick(1)
    reader = _held(path, "BEGIN")
    feeder.tick(1)
    breaks("COMMIT", "SQLITE_FULL")
    faults = set()
    for _ in range(40):
        feeder.tick(1)
        faults.add(feeder.journal.fault)
    assert faults == {"the disk with the record is full", "another program holds the record"}
    reader.close()
    for _ in range(2):  # not after ever longer waits: it is no failing disk
        feeder.tick()
    assert (feeder.journal.stored, feeder.journal.fault) == (42, "")


@pytest.mark.parametrize("killed", [False, True])
@pytest.mark.parametrize("how", ["BEGIN", "BEGIN IMMEDIATE"])
def test_a_start_while_another_program_holds_the_record_says_so_and_leaves_nothing_behind(
        begin: Begin, crash: Any, path: Path, monkeypatch: pytest.MonkeyPatch, how: str,
        killed: bool) -> None:
    monkeypatch.setattr(journal_module, "START_BUSY_MS", 1)
    monkeypatch.setattr("esterward.record.schema.BUSY_MS", 1)
    feeder = begin()
    feeder.tick(1)
    if not killed:
        feeder.journal.close(feeder.now_s)
    other = _held(path, how)  # what a kill left in the log is still there
    if killed:
        crash(feeder.journal)
    for now_s in (110.0, 115.0, 120.0, 125.0):
        journal = begin(now_s=now_s).journal
        assert journal.fault == "another program holds the record"
        journal.step(now_s + 1.0)
        journal.close(now_s + 2.0)
    other.close()
    found = begin(now_s=130.0).journal.found
    assert found.checkpoint == "state of 1"
    assert (found.clean, found.unclean_starts) == ((False, 1) if killed else (True, 0))


def test_a_file_damaged_under_a_running_journal_ends_it(begin: Begin, breaks: Any) -> None:
    feeder = begin(connect=Breaking)
    breaks("BEGIN", "SQLITE_CORRUPT")
    for _ in range(40):
        feeder.tick(1)
    assert feeder.journal.stored == 0
    assert feeder.journal.fault == "the record is damaged; restart the controller"


def test_rows_somebody_else_wrote_after_trouble_end_it(
        begin: Begin, path: Path, breaks: Any) -> None:
    feeder = begin(connect=Breaking)
    feeder.tick(2)
    breaks("COMMIT", "SQLITE_FULL")
    feeder.tick(1)
    with sqlite3.connect(path) as connection:
        connection.execute("DELETE FROM events WHERE number = 2")
    connection.close()
    for _ in range(10):
        feeder.tick(1)
    assert feeder.journal.stored == 2
    assert feeder.journal.fault == (
        "the record was changed by something else while it was written")


def test_memory_stays_bounded_while_nothing_can_be_stored(
        begin: Begin, path: Path, breaks: Any) -> None:
    feeder = begin(connect=Breaking)
    breaks("COMMIT", "SQLITE_FULL", times=10**9)
    feeder.tick(1)
    for _ in range(6000):
        feeder.tick()
    assert len(feeder.journal._ticks) <= journal_module.TICKS_MAX
    assert feeder.journal.backlog == 1
    breaks("", "")
    for _ in range(60):
        feeder.tick()
    assert (feeder.journal.stored, feeder.journal.fault) == (1, "")
    feeder.journal.close(feeder.now_s)
    kept = list(read_trace(path))
    assert kept == feeder.ticks[-len(kept):]
    (gap,) = [mark.text for mark in read_marks(path) if mark.kind == "gap"]
    assert gap == f"{len(feeder.ticks) - len(kept)} ticks of the trace are lost"


# -- real disks --------------------------------------------------------------------------------

@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A tmpfs of 1 MiB."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)],
        capture_output=True).returncode == 0
    if not mounted:
        pytest.skip("a small file system cannot be mounted here (needs root)")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def _fill(place: Path, leave: int) -> Path:
    """A file that leaves so many bytes free."""
    ballast = place / "ballast"
    statistics = shutil.disk_usage(place)
    ballast.write_bytes(bytes(max(0, statistics.free - leave)))
    return ballast


def test_a_disk_that_fills_up_at_any_write_loses_nothing_and_recovers(
        small_disk: Path, feeder: Any) -> None:
    faults = set()
    for leave in range(0, 480 * 1024, 16 * 1024):
        path = small_disk / "record.sqlite"
        fed = feeder(Journal(path, boot="b", now_s=100.0))
        fed.tick(1)
        ballast = _fill(small_disk, leave)
        for _ in range(30):
            fed.tick(1, checkpoint=f"{fed.number + 1:>2} " + "x" * 2000)
            on_disk = [event.number for event in read_events(path)]
            assert len(on_disk) >= fed.journal.stored, leave
        faults.add(fed.journal.fault)
        assert bool(fed.journal.fault) == (fed.journal.stored < fed.number), leave
        ballast.unlink()
        for _ in range(35):
            fed.tick()
        assert (fed.journal.stored, fed.journal.fault) == (31, ""), leave
        fed.journal.close(fed.now_s)
        assert list(read_events(path)) == fed.events, leave
        assert list(read_trace(path)) == fed.ticks, leave
        for file in small_disk.iterdir():
            file.unlink()
    assert "the disk with the record is full" in faults
    assert "" in faults


def test_a_start_on_a_full_disk_is_told_and_believes_nothing(
        small_disk: Path, feeder: Any) -> None:
    path = small_disk / "record.sqlite"
    fed = feeder(Journal(path, boot="b", now_s=100.0))
    fed.tick(1)
    fed.journal.close(fed.now_s)
    _fill(small_disk, 0)
    journal = Journal(path, boot="b", now_s=200.0)
    assert journal.fault == "the disk with the record is full"
    assert journal.found.checkpoint is None
    fed = feeder(journal, 200.0)
    for _ in range(5):
        fed.tick(1)
    assert journal.stored == 0
    journal.close(fed.now_s)
    assert [event.number for event in read_events(path)] == [1]


def test_a_start_on_a_read_only_disk_is_told_and_reading_still_works(
        small_disk: Path, feeder: Any) -> None:
    path = small_disk / "record.sqlite"
    fed = feeder(Journal(path, boot="b", now_s=100.0))
    fed.tick(2)
    fed.journal.close(fed.now_s)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    journal = Journal(path, boot="b", now_s=200.0)
    assert journal.fault == "the record cannot be written: Read-only file system"
    assert journal.found.checkpoint is None
    journal.add(*fed.ticks[-1], (), None)
    journal.step(201.0)
    assert journal.stored == 0
    assert [event.number for event in read_events(path)] == [1, 2]
    journal.close(202.0)


def _writer(path: Path, *options: str, before: tuple[str, ...] = ()) -> dict[str, Any]:
    done = subprocess.run([*before, sys.executable, str(WRITER), str(path), *options],
                          capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr[-2000:]
    told: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return told


def test_a_process_that_may_write_no_more_goes_on_and_keeps_what_it_acknowledged(
        path: Path) -> None:
    told = _writer(path, "--events", "200", "--file-size", "60000")
    assert told["fault"].startswith("the record cannot be written")
    assert 0 < told["stored"] < 200
    assert last_state(path).last_number >= told["stored"]
    assert [event.number for event in read_events(path)][:told["stored"]] == list(
        range(1, told["stored"] + 1))


def _can_trace() -> bool:
    return shutil.which("strace") is not None and subprocess.run(
        ["strace", "-f", "-e", "trace=fdatasync", "true"], capture_output=True).returncode == 0


def _traced(path: Path, turn: int) -> tuple[dict[str, Any], str]:
    """What the writer told, and the call that was made to fail."""
    if not _can_trace():
        pytest.skip("strace is not installed or may not trace here")
    log = path.with_name("calls")
    told = _writer(path, "--events", "12", "--wait", before=(
        "strace", "-f", "-qq", "-y", "-o", str(log), "-e", "trace=fdatasync,fsync",
        "-e", f"inject=fdatasync:error=EIO:when={turn}"))
    (failed,) = [line for line in log.read_text().splitlines() if "INJECTED" in line]
    return told, failed


@pytest.mark.parametrize("turn", range(1, 16))
def test_an_fsync_that_really_fails_at_the_start_leaves_nothing_acknowledged(
        path: Path, turn: int) -> None:
    told, failed = _traced(path, turn)
    if f"<{path.parent}>" in failed:
        # SQLite goes on when the folder is not confirmed; the start then syncs it itself.
        assert (told["stored"], told["fault"]) == (12, "")
        return
    assert told["stored"] == 0
    assert str(told["fault"]).startswith(("the record cannot be written", "the disk did not "
                                          "confirm what was written"))


@pytest.mark.parametrize("turn", range(17, 42, 2))
def test_an_fsync_that_really_fails_once_is_told_and_made_good(path: Path, turn: int) -> None:
    # The start takes 16 of them, each event two: the log's and the lock file's.
    told, _ = _traced(path, turn)
    assert told["faults"] == 1
    assert (told["stored"], told["fault"]) == (12, "")
    assert [event.number for event in read_events(path)] == list(range(1, 13))
    assert last_state(path).checkpoint == "state of 12"


@pytest.mark.parametrize("how", ["deleted", "replaced", "by a copy of it"])
def test_a_record_that_is_taken_away_counts_nothing_as_stored_any_more(
    how: str, begin: Begin, path: Path,
) -> None:
    feeder = begin()
    feeder.tick(3)
    assert (feeder.journal.stored, feeder.journal.fault) == (3, "")
    copy = path.with_name("copy")
    shutil.copy(path, copy)
    path.unlink()
    if how == "replaced":
        path.write_bytes(b"")
    elif how != "deleted":
        copy.rename(path)
    feeder.tick(2)
    assert (feeder.journal.stored, feeder.journal.fault) == (3, TAKEN)
    feeder.journal.close(feeder.now_s)


def test_a_record_taken_away_just_before_the_end_raises_nothing(begin: Begin, path: Path) -> None:
    feeder = begin()
    feeder.tick(1)
    feeder.tick(2, step=False)
    path.unlink()
    feeder.journal.close(feeder.now_s)
    again = begin()
    assert again.journal.found.checkpoint is None and again.journal.found.why


def test_that_the_record_was_taken_away_is_seen_at_rest(
    begin: Begin, path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(journal_module, "POLL_S", 0.0)
    feeder = begin()
    feeder.tick(1)
    path.unlink()
    feeder.tick()
    assert feeder.journal.fault == TAKEN
