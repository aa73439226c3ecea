"""A process that keeps a record, for tests that limit, trace or kill it.

    writer.py FILE --events N [--wait] [--file-size BYTES]
        stores N events, one a tick, says {"stored", "fault", "faults"}
    writer.py FILE --events N --say
        the same, and writes "ack NUMBER" to stdout as soon as an event is stored; with
        --careless it waits for no disk, so that a tool can show that it sees the difference
    writer.py FILE --kills N --seed S
        N times: a child process stores events and acknowledges each in shared memory; it is
        killed with SIGKILL at a random moment; then what a start would find is compared with
        what was acknowledged. Says {"kills", "acknowledged", "lost", "doubted", "torn"}.
        With --careless the child acknowledges nine events more than it has, to show the same.

    --bound BYTES: the record is held to about so many, and the trace to half of them.
    --backlog N: every event comes with N that had to wait for the disk, and are stored with it.
"""

from __future__ import annotations

import argparse
import json
import mmap
import os
import random
import resource
import signal
import sys
import time
from pathlib import Path

from esterward.record.journal import Journal
from esterward.record.resume import last_state
from esterward.values.events import Event
from esterward.values.outputs import SAFE
from esterward.values.readings import ProbeReading
from esterward.values.snapshot import Snapshot


def tick(journal: Journal, now_s: float, number: int | None, *, waits: bool = False) -> None:
    """One second, with the event of this number if there is one, which waits to be stored."""
    snapshot = Snapshot(now_s, "boot", True, None, ProbeReading(20.0, now_s), None, None,
                        journal.stored)
    events = () if number is None else (Event(number, now_s, "note", {"text": "x" * 100}),)
    journal.add(snapshot, SAFE, events, None if number is None else f"state of {number}")
    if not waits:
        journal.step(now_s)


def store(path: Path, events: int, wait: bool, say: bool, careless: bool = False,
          backlog: int = 0, bound: int = 0) -> dict[str, object]:
    """Store so many events; wait=True goes on until all are stored or 200 ticks passed."""
    bounds = {"trace_bytes": bound // 2, "record_bytes": bound} if bound else {}
    journal = Journal(path, boot="boot", now_s=0.0, durable=not careless, **bounds)
    now_s, faults, before, number = 0.0, 0, "", 0
    for turn in range(events + (200 if wait else 5)):
        now_s += 1.0
        for _ in range(backlog if turn < events else 0):
            number += 1
            tick(journal, now_s, number, waits=True)
        number += turn < events
        tick(journal, now_s, number if turn < events else None)
        if say:
            os.write(1, f"ack {journal.stored}\n".encode())
        faults += bool(journal.fault) and not before
        before = journal.fault
        if wait and turn >= events and journal.stored == number:
            break
    told = {"stored": journal.stored, "fault": journal.fault, "faults": faults}
    journal.close(now_s)
    return told


def child(path: Path, acknowledged: mmap.mmap, careless: bool, backlog: int) -> None:
    """Store event after event until killed."""
    journal = Journal(path, boot="boot", now_s=0.0)
    number, now_s = journal.found.last_number, 0.0
    while True:
        now_s += 1.0
        for _ in range(backlog):
            number += 1
            tick(journal, now_s, number, waits=True)
        number += 1
        if careless:
            acknowledged[:8] = (number + 9).to_bytes(8, "little")
        tick(journal, now_s, number)
        if not careless:
            acknowledged[:8] = journal.stored.to_bytes(8, "little")
        if number % 7 == 0:
            tick(journal, now_s + 0.5, None)


def kill(path: Path, kills: int, seed: int, careless: bool = False, backlog: int = 0
         ) -> dict[str, int]:
    """Kill a writing child again and again on one record; begin a new one every 25."""
    chance = random.Random(seed)
    acknowledged = mmap.mmap(-1, 8)
    told = {"kills": 0, "acknowledged": 0, "lost": 0, "doubted": 0, "torn": 0}
    for turn in range(kills):
        file = path.with_name(f"{turn // 25}-{path.name}")
        if turn % 25 == 0:
            acknowledged[:8] = bytes(8)
        started = os.fork()
        if not started:
            child(file, acknowledged, careless, backlog)
        if turn % 2:  # however slow the machine, every other one dies after it has stored some
            before, until_s = acknowledged[:8], time.monotonic() + 5.0
            while acknowledged[:8] == before and time.monotonic() < until_s:
                time.sleep(0.001)
        time.sleep(chance.uniform(0.0, 0.05))
        os.kill(started, signal.SIGKILL)
        os.waitpid(started, 0)
        number = int.from_bytes(acknowledged[:8], "little")
        found = last_state(file)
        told["kills"] += 1
        told["acknowledged"] = told["acknowledged"] + (number if turn % 25 == 24 else 0)
        told["lost"] += found.last_number < number
        told["torn"] += found.checkpoint not in (None, f"state of {found.last_number}")
        told["doubted"] += found.checkpoint is None and number > 0
    return told


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("file", type=Path)
    parser.add_argument("--events", type=int, default=0)
    parser.add_argument("--wait", action="store_true")
    parser.add_argument("--say", action="store_true")
    parser.add_argument("--careless", action="store_true")
    parser.add_argument("--file-size", type=int, default=0)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--backlog", type=int, default=0)
    parser.add_argument("--bound", type=int, default=0)
    asked = parser.parse_args()
    if asked.file_size:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (asked.file_size, asked.file_size))
    told: object = (
        kill(asked.file, asked.kills, asked.seed, asked.careless, asked.backlog) if asked.kills
        else store(asked.file, asked.events, asked.wait, asked.say, asked.careless, asked.backlog,
                   asked.bound))
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    main()
