"""The record keeps within its bound: what goes, what stays, and that it is told (hazards F-82)."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from esterward.record import account, resume
from esterward.record.journal import Journal
from esterward.record.read import (
    read_documents,
    read_dropped,
    read_events,
    read_marks,
    read_rows,
    read_trace,
    unmoved,
)
from esterward.record.resume import damage_of, last_state
from esterward.values.events import Event
from esterward.values.outputs import SAFE
from esterward.values.readings import ProbeReading
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot
from harness import Bench

TRACE, RECORD = 120_000, 300_000
SLACK = 60_000  # what ten commits write between two looks, and the pages of the other tables


class Days:
    """Batches in a record of a small bound: an event a second, the same files with each."""

    def __init__(self, path: Path, now_s: float = 0.0, **options: Any) -> None:
        self.journal = Journal(path, boot="b", now_s=now_s, durable=False,
                               **{"trace_bytes": TRACE, "record_bytes": RECORD} | options)
        self.path, self.now_s, self.number = path, now_s, self.journal.found.last_number
        self.largest = 0

    def say(self, kind: str, **data: Any) -> None:
        self.now_s += 1.0
        self.number += 1
        event = Event(self.number, self.now_s, kind, data)
        snapshot = Snapshot(self.now_s, "b", True, None, ProbeReading(20.0, self.now_s), None, None,
                            self.journal.stored)
        self.journal.add(snapshot, SAFE, (event,), f"state of {self.number}")
        self.journal.step(self.now_s)
        self.largest = max(self.largest, self.path.stat().st_size)

    def batch(self, name: str, notes: int, *, ends: bool = True) -> None:
        self.say("note", text="before the start")
        self.journal.attach({"reactor.toml": "the same for ever"})
        self.journal.attach({"sheet": json.dumps({"oil_l": len(name), "of": name})})
        self.say("batch_started", batch=name)
        for _ in range(notes):
            self.say("note", text="x" * 100)
        if ends:
            self.say("batch_ended", state="complete")

    def close(self) -> None:
        self.journal.close(self.now_s)


def test_old_batches_go_whole_and_oldest_first_and_the_others_keep_their_numbers(
        path: Path) -> None:
    days = Days(path)
    for turn in range(1, 13):
        days.batch(f"batch {turn}", 200)
    days.close()
    assert days.largest < RECORD + SLACK
    gone = read_dropped(path)
    assert 0 < gone.batches < 11
    assert gone.events == 203 * gone.batches
    kept = account.batches(read_rows(path))
    told = [account.account(number, rows, list(read_marks(path)), list(read_documents(path)))
            for number, rows in enumerate(kept, gone.batches + 1)]
    assert [(one["number"], one["batch"]) for one in told] == [
        (turn, f"batch {turn}") for turn in range(gone.batches + 1, 13)]
    assert all(one["sheet"]["of"] == one["batch"] for one in told)
    assert (damage_of(path), last_state(path).checkpoint) == ("", "state of 2436")


def test_of_the_documents_only_those_go_that_another_replaced(path: Path) -> None:
    days = Days(path)
    for turn in range(1, 13):
        days.batch(f"batch {turn}", 200)
    days.journal.attach({"reactor.toml": "the same for ever"})
    days.close()
    kept = list(read_documents(path))
    assert [(one.number, one.text) for one in kept if one.name == "reactor.toml"] == [
        (1, "the same for ever")]
    # Also the sheet that was the last one when the events still kept began.
    assert [one.text[-4:-2].strip() for one in kept if one.name == "sheet"] == [
        str(turn) for turn in range(read_dropped(path).batches, 13)]


def test_a_batch_under_way_is_kept_whole_and_the_trace_makes_room_for_it(path: Path) -> None:
    days = Days(path)
    days.batch("ended", 300)
    days.batch("long", 3000, ends=False)
    days.close()
    assert read_dropped(path).events == 303
    assert [event.kind for event in read_events(path)][:2] == ["note", "batch_started"]
    assert path.stat().st_size > RECORD  # else it was not tried
    assert 0 < len(list(read_trace(path))) < 3000
    assert (damage_of(path), last_state(path).checkpoint) == ("", f"state of {days.number}")


def test_without_room_for_the_log_of_it_nothing_is_dropped_and_the_trace_gives_way(
        path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It would fill the disk, and that is a fault that takes the heat."""
    free: list[int] = []

    def usage(where: str) -> Any:
        assert Path(where) == path
        free.append(500_000 + 203 * 100)
        return SimpleNamespace(free=free[-1])

    monkeypatch.setattr("esterward.record.dropping.disk_usage", usage)
    days = Days(path)
    for turn in range(1, 13):
        days.batch(f"batch {turn}", 200)
        assert days.journal.fault == ""
    days.close()
    assert free and read_dropped(path).events == 0
    assert len(list(read_trace(path))) < 2436 / 2
    assert (damage_of(path), last_state(path).checkpoint) == ("", "state of 2436")


def test_many_events_leave_the_trace_its_own_share(path: Path) -> None:
    days = Days(path, record_bytes=10**9)
    days.batch("long", 2000, ends=False)
    days.close()
    # A tick of its own with every event, 200 bytes of file each; measured 120 kB.
    assert TRACE / 2 < 200 * len(list(read_trace(path))) < TRACE * 2


def _floods(bench: Bench, kind: str, second: int) -> tuple[Request, ...]:
    if kind == "e-stop":
        bench.override["estop_closed"] = second % 2 == 0
        return ()
    return (Request(f"a{second}", "observe", "mqtt", "glycerol_l", 1.0),)


@pytest.mark.parametrize("kind", ["e-stop", "observe"])
def test_a_flood_at_rest_keeps_within_the_bound(path: Path, kind: str) -> None:
    """A loose wire of the e-stop, and another program that tells a reading each second."""
    bench = Bench()
    bench.to_idle_ready()
    begun = bench.controller.state.last_event
    days = Days(path)
    for second in range(2400):
        requests = _floods(bench, kind, second)
        bench.stores = True
        decision = bench.tick(requests)
        days.journal.add(bench.snapshot(), decision.outputs, decision.events,
                         json.dumps(bench.controller.to_plain()) if decision.checkpoint else None)
        days.journal.step(bench.now_s)
        days.largest = max(days.largest, path.stat().st_size)
    days.journal.close(bench.now_s)
    last = bench.controller.state.last_event
    assert last - begun > 3000
    assert days.largest < RECORD + SLACK
    assert read_dropped(path).events > begun
    assert damage_of(path) == "" and last_state(path).last_number == last


# -- what hangs on the mark ---------------------------------------------------------------------

def _dropped_once(path: Path) -> Days:
    days = Days(path)
    for turn in range(1, 13):
        days.batch(f"batch {turn}", 200)
    assert read_dropped(path).events
    return days


def _change(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement)


@pytest.mark.parametrize("statement", [
    "DELETE FROM events WHERE number = (SELECT min(number) FROM events)",
    "UPDATE events SET data = '{}' WHERE number = (SELECT min(number) FROM events)",
    "DELETE FROM documents WHERE seq = (SELECT min(seq) FROM documents)",
    "DELETE FROM marks WHERE kind = 'dropped'",
    "UPDATE marks SET text = '{}' WHERE kind = 'dropped'",
    "UPDATE marks SET text = replace(text, '\"events\": ', '\"events\": 1') "
    "WHERE kind = 'dropped'",
])
def test_damage_where_the_rows_begin_is_found_and_the_record_goes_on(
        path: Path, statement: str) -> None:
    _dropped_once(path).close()
    _change(path, statement)
    assert last_state(path).checkpoint is None and damage_of(path)
    days = Days(path, now_s=9000.0)
    assert days.journal.found.renamed and days.journal.found.checkpoint is None
    for _ in range(3):
        days.say("note", text="went on")
    days.close()
    assert damage_of(path) == ""
    assert last_state(path).checkpoint == f"state of {days.number}"


def test_rows_after_the_dropped_ones_are_carried_out_of_a_record_damaged_elsewhere(
        path: Path) -> None:
    days = _dropped_once(path)
    days.close()
    kept = list(read_events(path))
    _change(path, f"UPDATE events SET data = '{{}}' WHERE number = {days.number}")
    again = Days(path, now_s=9000.0)
    assert again.journal.found.renamed
    again.close()
    assert list(read_events(path)) == kept[:-1]


def test_a_record_that_lost_its_end_after_rows_were_dropped_is_not_believed(path: Path) -> None:
    _dropped_once(path).close()
    _change(path, "DELETE FROM checkpoints")
    _change(path, "DELETE FROM events")
    assert "the record has lost events: 2436 were on the disk" in resume.damage_of(path)


def test_what_is_read_while_old_rows_are_dropped_is_read_anew(path: Path) -> None:
    days = Days(path)
    for turn in range(1, 6):
        days.batch(f"batch {turn}", 200)
    looks = []

    def look() -> int:
        rows = read_rows(path)
        first = next(rows).event.number
        looks.append(first)
        if len(looks) == 1:
            for turn in range(7):  # meanwhile
                days.batch(f"more {turn}", 200)
        list(rows)
        return first

    first, gone = unmoved(path, look)
    assert len(looks) == 2 and first == gone.events + 1 > 1
    days.close()
