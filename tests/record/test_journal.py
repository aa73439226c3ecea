"""The journal on a healthy disk: what is stored when, and what a start finds again."""

from __future__ import annotations

import fcntl
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from esterward.record import inbox, lock
from esterward.record.journal import Journal
from esterward.record.read import (
    read_documents,
    read_events,
    read_marks,
    read_rows,
    read_trace,
)
from esterward.record.resume import last_state
from esterward.record.schema import BadRecord
from esterward.values.ports import Record

Begin = Callable[..., Any]


def test_a_fresh_record_finds_nothing_and_says_so(begin: Begin) -> None:
    found = begin().journal.found
    assert (found.checkpoint, found.clean, found.last_number) == (None, True, 0)
    assert found.why == "no batch was recorded here yet"


def test_the_journal_is_the_record_the_loop_asks_for(begin: Begin) -> None:
    record: Record = begin().journal
    assert (record.stored, record.fault) == (0, "")


def test_an_event_is_stored_by_the_next_step_and_not_before(begin: Begin, path: Path) -> None:
    feeder = begin()
    feeder.tick(2, step=False)
    assert feeder.journal.stored == 0
    assert list(read_events(path)) == []
    feeder.journal.step(feeder.now_s)
    assert feeder.journal.stored == 2
    assert list(read_events(path)) == feeder.events


def test_ticks_without_events_are_written_once_a_minute(begin: Begin, path: Path) -> None:
    feeder = begin()
    for _ in range(59):
        feeder.tick()
    assert list(read_trace(path)) == []
    feeder.tick()
    assert list(read_trace(path)) == feeder.ticks
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT ticks FROM trace").fetchall() == [(60,)]


def test_the_whole_trace_comes_back_in_order_and_equal(begin: Begin, path: Path) -> None:
    feeder = begin()
    for second in range(500):
        feeder.tick(second % 37 == 5)
    feeder.journal.close(feeder.now_s)
    assert repr(list(read_trace(path))) == repr(feeder.ticks)
    assert list(read_events(path)) == feeder.events


def test_the_same_ticks_make_the_same_rows(begin: Begin, path: Path, feeder: Any,
                                           tmp_path: Path) -> None:
    def rows(file: Path) -> list[Any]:
        journal = Journal(file, boot="boot", now_s=100.0)
        fed = feeder(journal)
        for second in range(200):
            fed.tick(second % 50 == 1)
        journal.close(fed.now_s)
        with sqlite3.connect(file) as connection:
            found = [connection.execute(f"SELECT * FROM {table}").fetchall()
                     for table in ("marks", "events", "checkpoints", "trace")]
        connection.close()
        return found

    assert rows(path) == rows(tmp_path / "again.sqlite")


def test_a_start_after_a_clean_stop_finds_the_last_state(begin: Begin, path: Path) -> None:
    feeder = begin()
    feeder.tick(3)
    feeder.tick(checkpoint="later state")
    feeder.journal.close(feeder.now_s, 1.8e9)
    found = begin(now_s=160.0).journal.found
    assert (found.checkpoint, found.why, found.clean) == ("later state", "", True)
    assert (found.last_number, found.unclean_starts, found.outage_s) == (3, 0, 58.0)
    assert last_state(path).checkpoint == "later state"


def test_a_start_after_a_crash_finds_the_state_of_the_last_stored_event(
        begin: Begin, crash: Any) -> None:
    feeder = begin()
    feeder.tick(3)
    feeder.tick(checkpoint="never written")
    crash(feeder.journal)
    found = begin(now_s=160.0).journal.found
    assert (found.checkpoint, found.clean, found.unclean_starts) == ("state of 3", False, 1)


def test_numbers_go_on_over_a_restart(begin: Begin, path: Path) -> None:
    first = begin()
    first.tick(4)
    first.journal.close(first.now_s)
    second = begin(boot="next")
    assert second.journal.stored == 4
    second.tick(2)
    assert [event.number for event in read_events(path)] == [1, 2, 3, 4, 5, 6]
    assert [row.session for row in read_rows(path)] == [1, 1, 1, 1, 3, 3]


def test_events_without_their_checkpoint_leave_nothing_to_believe(
        begin: Begin, path: Path) -> None:
    feeder = begin()
    feeder.tick(1)
    feeder.journal.add(*feeder.ticks[-1], (feeder.events[0].__class__(2, 1.0, "note", {}),), None)
    feeder.journal.step(feeder.now_s)
    feeder.journal.close(feeder.now_s)
    found = last_state(path)
    assert found.checkpoint is None
    assert found.why == "the last saved state is of event 1, the last event is 2"


def test_backlog_counts_the_events_that_wait(begin: Begin) -> None:
    feeder = begin()
    for _ in range(30):
        feeder.tick()
    assert feeder.journal.backlog == 0
    feeder.tick(2, step=False)
    for _ in range(7):
        feeder.tick(step=False)
    assert feeder.journal.backlog == 2
    feeder.journal.step(feeder.now_s)
    assert feeder.journal.backlog == 0


def test_all_events_that_wait_are_stored_in_one_transaction_with_the_state_after_them(
        begin: Begin, path: Path) -> None:
    """A cut between two of them would leave events without their state: nothing to believe."""
    feeder = begin(durable=False)
    feeder.tick(1)
    for _ in range(99):
        feeder.tick(100, step=False)
    feeder.tick(10_100)
    assert (feeder.journal.stored, feeder.journal.backlog) == (20_001, 0)
    assert last_state(path).checkpoint == "state of 20001"


def test_a_second_controller_is_refused_and_changes_nothing(begin: Begin, path: Path) -> None:
    feeder = begin()
    feeder.tick(1)
    with pytest.raises(BadRecord, match="another controller keeps this record"):
        Journal(path, boot="other", now_s=0.0)
    assert [mark.kind for mark in read_marks(path)] == ["start"]
    feeder.tick(1)
    assert feeder.journal.stored == 2


def test_the_lock_is_free_after_a_stop(begin: Begin, path: Path) -> None:
    feeder = begin()
    assert lock.in_use(path)
    feeder.journal.close(feeder.now_s)
    assert not lock.in_use(path)


def test_a_folder_that_does_not_exist_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadRecord, match="name a file in a folder that exists"):
        Journal(tmp_path / "no" / "record.sqlite", boot="b", now_s=0.0)
    with pytest.raises(BadRecord, match="name a file in a folder that exists"):
        Journal(tmp_path, boot="b", now_s=0.0)


def test_a_loop_of_restarts_adds_one_row_a_boot(begin: Begin, path: Path, crash: Any) -> None:
    for boot in range(10):
        feeder = begin(boot=f"boot {boot}", now_s=20.0)
        feeder.journal.attach({"sheet": "{}"})
        for _ in range(5):
            feeder.tick()
        crash(feeder.journal)
    assert [mark.kind for mark in read_marks(path)] == ["start"] * 10
    assert [document.name for document in read_documents(path)] == ["sheet"]
    assert list(read_trace(path)) == []


def test_a_changed_document_is_kept_beside_the_old_one(begin: Begin, path: Path) -> None:
    feeder = begin()
    feeder.journal.attach({"batch": "a"})
    feeder.tick(1)
    feeder.journal.attach({"batch": "b"})
    assert [(d.text, d.number) for d in read_documents(path)] == [("a", 0), ("b", 1)]


def test_the_oldest_of_the_trace_goes_when_it_grows_too_big_and_the_rest_stays_readable(
        begin: Begin, path: Path) -> None:
    feeder = begin(trace_bytes=120_000, durable=False)
    for second in range(30_000):
        feeder.tick(second % 3000 == 0)
    feeder.journal.close(feeder.now_s)
    kept = list(read_trace(path))
    assert 0 < len(kept) < len(feeder.ticks)
    assert kept == feeder.ticks[-len(kept):]
    assert list(read_events(path)) == feeder.events
    assert path.stat().st_size < 300_000
    assert last_state(path).checkpoint == f"state of {feeder.number}"


# -- what is typed at the machine -------------------------------------------------------------

def _post(path: Path, code: str) -> str:
    """Hand a request over from a process of its own."""
    program = ("import sys; from esterward.record.inbox import post; "
               f"print(post(sys.argv[1], {code}))")
    done = subprocess.run([sys.executable, "-c", program, str(path)], check=True,
                          capture_output=True, text=True)
    return done.stdout.strip()


def test_a_request_from_another_process_is_given_once(begin: Begin, path: Path,
                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("esterward.record.journal.POLL_S", 0.0)
    feeder = begin()
    identity = _post(path, "'observe', name='titration_ml', value=3.0")
    assert feeder.journal.take_requests() == ()
    feeder.journal.step(feeder.now_s)
    (request,) = feeder.journal.take_requests()
    assert (request.id, request.kind, request.source, request.name, request.value) == (
        identity, "observe", "local", "titration_ml", 3.0)
    feeder.journal.step(feeder.now_s)
    assert feeder.journal.take_requests() == ()
    assert inbox.answer(path, identity, wait_s=0.0) == ("given", "")


@pytest.mark.parametrize("gone", [False, True])
def test_a_start_withdrawn_leaves_no_trace_but_where_the_record_was_lost_the_doubt(
        begin: Begin, path: Path, gone: bool) -> None:
    feeder = begin()
    feeder.tick(1)
    feeder.journal.close(feeder.now_s)
    if gone:
        for file in (path, path.with_name(path.name + "-wal")):
            file.unlink(missing_ok=True)
    begin().journal.withdraw(200.0)
    found = last_state(path)
    assert (found.clean, found.checkpoint) == ((False, None) if gone else (True, "state of 1"))


def test_a_request_typed_while_the_record_is_opened_anew_is_taken(
        begin: Begin, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("esterward.record.journal.POLL_S", 0.0)
    feeder = begin()
    feeder.tick(1)
    feeder.journal._trouble(OSError(5, "Input/output error"), feeder.now_s)
    identity = inbox.post(path, "observe", name="titration_ml", value=3.0)
    for _ in range(3):
        feeder.tick()
    assert [request.id for request in feeder.journal.take_requests()] == [identity]


def test_a_request_taken_is_not_given_again_after_a_crash(
        begin: Begin, path: Path, crash: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("esterward.record.journal.POLL_S", 0.0)
    feeder = begin()
    inbox.post(path, "reset", name="e-stop", text="released")
    feeder.journal.step(feeder.now_s)
    crash(feeder.journal)
    again = begin()
    again.journal.step(again.now_s)
    assert again.journal.take_requests() == ()


@pytest.mark.parametrize(("boot", "age_s", "given"), [
    ("", 0.0, True), ("", 590.0, True), ("", 610.0, False), ("", -5.0, False),
    ("another boot", 0.0, False)])
def test_a_reset_counts_ten_minutes_and_only_in_the_same_boot(
        begin: Begin, path: Path, monkeypatch: pytest.MonkeyPatch, boot: str, age_s: float,
        given: bool) -> None:
    feeder = begin()
    identity = inbox.post(path, "reset", name="e-stop", text="released")
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE inbox SET now_s = now_s - ?", (age_s,))
        if boot:
            connection.execute("UPDATE inbox SET boot = ?", (boot,))
    connection.close()
    feeder.journal.step(feeder.now_s)
    assert len(feeder.journal.take_requests()) == given
    assert inbox.answer(path, identity, wait_s=0.0)[0] == ("given" if given else "too late")


def test_rows_no_command_of_ours_wrote_are_not_given(begin: Begin, path: Path) -> None:
    feeder = begin()
    for kind in ("observe", "energise"):
        identity = inbox.post(path, "observe", name="oil_l", value=100.0)
        with sqlite3.connect(path) as connection:
            connection.execute("UPDATE inbox SET kind = ?, text = ? WHERE id = ?",
                               (kind, "x" * 999, identity))
        connection.close()
    feeder.journal.step(feeder.now_s)
    assert feeder.journal.take_requests() == ()
    assert inbox.answer(path, identity, wait_s=0.0)[0] == "unreadable"


def test_too_many_waiting_requests_are_refused(begin: Begin, path: Path) -> None:
    begin()
    for _ in range(inbox.MAX_WAITING):
        inbox.post(path, "hold")
    with pytest.raises(BadRecord, match="nobody takes them"):
        inbox.post(path, "hold")


def test_a_request_can_be_withdrawn_until_it_is_taken(begin: Begin, path: Path) -> None:
    feeder = begin()
    first, second = inbox.post(path, "hold"), inbox.post(path, "hold")
    assert inbox.withdraw(path, first)
    feeder.journal.step(feeder.now_s)
    assert [request.id for request in feeder.journal.take_requests()] == [second]
    assert not inbox.withdraw(path, second)
    assert inbox.answer(path, first, wait_s=0.0) == ("", "")


def test_a_lock_file_taken_away_by_a_refused_start_is_not_the_one_that_is_held(
    path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    flock, taken = fcntl.flock, []

    def as_the_other_ends(handle: int, how: int) -> None:
        if not taken:
            taken.append(handle)
            lock.lock_path(path).unlink()
        flock(handle, how)

    monkeypatch.setattr(fcntl, "flock", as_the_other_ends)
    held = lock.Lock(path)
    assert taken and lock.in_use(path), "else a second controller would find no lock"
    held.promise(0)
    held.close()
    assert lock.lock_path(path).stat().st_size > 0 and not lock.in_use(path)
