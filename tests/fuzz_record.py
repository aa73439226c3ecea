"""The record as a surface: chunks of its trace, and its files with pieces of the input in them."""

from __future__ import annotations

import json
import tempfile
import zlib
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import Any, Final

from esterward.record import resume, schema, trace
from esterward.record.journal import Journal
from esterward.values.events import Event
from esterward.values.messages import GuardReport
from esterward.values.outputs import SAFE, Outputs
from esterward.values.readings import NO_READING, Inputs, ProbeReading
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot
from fuzz_types import Fault, fault_of

MOST_TICKS: Final = 60
TABLES: Final = ("marks", "events", "documents", "trace")
EVERY: Final = 32  # inputs; a start writes and costs ten times a look


def snapshot_at(now_s: float, stored: int = 0) -> Snapshot:
    return Snapshot(now_s, "b1", True, 1.8e9 + now_s, ProbeReading(20.0, now_s), None, None, stored)


# -- a chunk of the trace -----------------------------------------------------------------------


def _number(name: str, kind: Any) -> Fault | None:
    """Any number, as it was seen; -inf is the age of a reading that never came."""
    if kind is float:
        return lambda value: "" if type(value) in (int, float) else f"{name} {value!r}"
    return None


tick_fault: Final = fault_of(tuple[Snapshot, Outputs], _number, "tick")


def trace_chunk(folder: Path) -> Callable[[bytes], None]:
    """Refused, or as many ticks as it claims, each field what the values' annotations say."""
    def take(data: bytes) -> None:
        try:
            ticks = trace.decode(zlib.compress(data, 1))
        except ValueError:
            return
        assert 1 <= len(ticks) <= MOST_TICKS and len(ticks) == json.loads(data)[1]
        for tick in ticks:
            wrong = tick_fault(tick)
            assert not wrong, f"read as a tick: {wrong}"

    return take


def chunk_seeds() -> tuple[bytes, ...]:
    """Two equal ticks without a guard, and three with all that a tick can have."""
    plain = Snapshot(1.0, "b1", True, None, ProbeReading(20.0, 1.0), 90.0, None, 0)
    asked = (Request("a1", "observe", "mqtt", "oil_l", 120.0), Request("a2", "hold", "local"))
    full = [
        (Snapshot(at_s, "b1", at_s < 3.0, 1.8e9, NO_READING if at_s == 2.0
                  else ProbeReading(54.0, at_s), 90.25,
                  GuardReport(int(4 * at_s), at_s, "b2", Inputs(level_wet=at_s > 1.0),
                              ProbeReading(54.5, at_s), True, ("lid", "k1"), True, 60.0, 88.5,
                              "d1"), 7, "", asked if at_s == 3.0 else (), False),
         Outputs(k1=at_s > 2.0))
        for at_s in (1.0, 2.0, 3.0)]
    return tuple(zlib.decompress(trace.encode(ticks)) for ticks in ([(plain, SAFE)] * 2, full))


# -- the files of a record ------------------------------------------------------------------------


@dataclass(frozen=True)
class Good:
    """A record as files beside each other, the rows in it and its saved states, oldest first."""

    files: dict[str, bytes]  # by what follows the record's name
    rows: dict[str, list[tuple[Any, ...]]]
    states: tuple[str, ...]


def _rows(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    with closing(schema.open_reader(path)) as connection:
        return {table: connection.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()
                for table in TABLES}


def _files(path: Path) -> dict[str, bytes]:
    return {end: beside.read_bytes() for end in ("", "-wal", ".lock")
            if (beside := path.with_name(path.name + end)).exists()}


@cache
def good_records() -> tuple[Good, ...]:
    """A record as a power cut leaves it, with a log, the same closed cleanly, and one whose oldest
    batch was dropped."""
    return *_good(), _good(record_bytes=1)[1]


def _good(**bounds: int) -> tuple[Good, Good]:
    kinds = {1: {"batch": "lot 1"}, 3: {"state": "complete"}}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.sqlite"
        journal = Journal(path, boot="b1", now_s=0.0, wall_s=1.8e9, **bounds)
        journal.attach({"sheet": '{"oil_l":60.0}'})
        journal.attach({"sheet": '{"oil_l":120.0}'})
        for number in range(1, 13):
            kind = {1: "batch_started", 3: "batch_ended"}.get(number, "note")
            event = Event(number, float(number), kind, kinds.get(
                number, {"text": f"number {number}"}))
            journal.add(snapshot_at(10.0 * number, journal.stored), SAFE, (event,),
                        f'{{"state":{number}}}')
            journal.step(10.0 * number)
        states = tuple(f'{{"state":{number}}}' for number in (10, 11, 12))
        cut = Good(_files(path), _rows(path), states)
        assert "-wal" in cut.files and len(cut.files["-wal"]) > 4096
        journal.close(130.0, 1.8e9 + 130.0)
        closed = Good(_files(path), _rows(path), states)
        assert (closed.rows["events"][0][0] > 1) == bool(bounds), "what should go went"
        return cut, closed


def journal_file(folder: Path) -> Callable[[bytes], None]:
    """Pieces of the input in the files of a good record; now and then a controller starts on it."""
    path = folder / "record.sqlite"
    looked = 0

    def take(data: bytes) -> None:
        nonlocal looked
        rng = Random(data)
        good = rng.choice(good_records())
        for leftover in folder.iterdir():
            leftover.unlink()
        files = _damaged(good.files, data, rng)
        for end, content in files.items():
            path.with_name(path.name + end).write_bytes(content)
        promised = files.get(".lock") == good.files[".lock"]
        looked += 1
        try:
            found = resume.last_state(path, boot="b2", now_s=500.0)
        except schema.BadRecord as error:
            _refusal(error, promised)
        else:
            _believed(found, good, promised)
        if looked % EVERY == 0:
            _start(path, good, promised)

    return take


def _damaged(files: dict[str, bytes], data: bytes, rng: Random) -> dict[str, bytes]:
    found = {end: bytearray(content) for end, content in files.items()}
    for _ in range(rng.randrange(1, 6)):
        where = rng.choices(("", "-wal", ".lock"), (8, 4, 1))[0]
        image = found.get(where, found[""])
        at = rng.randrange(100) if rng.random() < 0.1 else rng.randrange(len(image))
        piece = data[:rng.randrange(1, 64)] or b"\x00"
        image[at:at + len(piece)] = piece
    if rng.random() < 0.2:
        image = found[rng.choice(sorted(found))]
        del image[rng.randrange(len(image)):]
    if rng.random() < 0.05:
        found.pop(rng.choice(sorted(found)))
    return {end: bytes(content) for end, content in found.items()}


def _refusal(error: schema.BadRecord, promised: bool) -> None:
    """Only what may not be ours is refused: nothing beside it, or a version that is not ours."""
    assert not promised or "reads format" in str(error), f"refused our own: {error}"


def _believed(found: resume.Found, good: Good, promised: bool) -> None:
    if found.checkpoint is None:
        assert found.why
    else:
        newest = good.states[-1:] if promised else good.states
        assert found.checkpoint in newest, "a damaged state was believed"


def _start(path: Path, good: Good, promised: bool) -> None:
    """As `esterward run` does: what is kept is as it was written, and the record goes on."""
    try:
        journal = Journal(path, boot="b2", now_s=500.0, wall_s=1.8e9 + 500.0)
    except schema.BadRecord as error:
        _refusal(error, promised)
        return
    try:
        assert not journal.fault, f"no start on it: {journal.fault}"
        found = journal.found
        _believed(found, good, promised)
        number = found.last_number + 1
        event = Event(number, 501.0, "note", {"text": "went on"})
        journal.add(snapshot_at(501.0, journal.stored), SAFE, (event,), '{"state":"new"}')
        journal.step(501.0)
        assert (journal.stored, journal.fault) == (number, ""), "the record does not go on"
    finally:
        journal.close(502.0)
    assert resume.last_state(path).checkpoint == '{"state":"new"}', "the new row is not there"
    kept = _rows(path)
    for table, own in (("marks", 2), ("events", 1), ("documents", 0), ("trace", 1)):
        rows = kept[table][:len(kept[table]) - own]
        were = good.rows[table]
        first = were.index(rows[0]) if table == "trace" and rows else 0
        assert rows == were[first:first + len(rows)], f"{table}: not as it was written"
    assert kept["events"][-1][0] == number and "went on" in kept["events"][-1][6]
