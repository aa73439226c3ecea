"""Ticks and events to record, and a journal on a fresh file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from esterward.record.journal import Journal
from esterward.values.events import Event
from esterward.values.messages import GuardReport
from esterward.values.outputs import Outputs
from esterward.values.readings import NO_READING, Inputs, ProbeReading
from esterward.values.snapshot import Snapshot

WALL_S = 1.8e9


class Feeder:
    """Feeds a journal as the loop does: one tick a second, an event when told."""

    def __init__(self, journal: Journal, now_s: float = 100.0, wall_s: float | None = WALL_S
                 ) -> None:
        self.journal, self.now_s, self.wall_s = journal, now_s, wall_s
        self.number = journal.found.last_number
        self.ticks: list[tuple[Snapshot, Outputs]] = []
        self.events: list[Event] = []

    def tick(self, events: int = 0, *, checkpoint: str | None = None, step: bool = True) -> None:
        """One second with so many new events; their checkpoint is "state of N"."""
        self.now_s += 1.0
        wall_s = None if self.wall_s is None else self.wall_s + self.now_s
        probe = ProbeReading(20.0 + self.now_s % 7 / 16, self.now_s - 0.3)
        guard = GuardReport(int(self.now_s), self.now_s - 0.1, "boot", Inputs(k1_open=True),
                            NO_READING, True, (), True, 60.5, None, "hash")
        snapshot = Snapshot(self.now_s, "boot", True, wall_s, probe, None, guard,
                            self.journal.stored, self.journal.fault)
        outputs = Outputs(k1=int(self.now_s) % 3 == 0)
        new = tuple(Event(self.number + 1 + i, self.now_s - 100.0, "note", {"text": f"{i}"})
                    for i in range(events))
        self.number += events
        if events and checkpoint is None:
            checkpoint = f"state of {self.number}"
        self.journal.add(snapshot, outputs, new, checkpoint)
        self.ticks.append((snapshot, outputs))
        self.events += new
        if step:
            self.journal.step(self.now_s)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


@pytest.fixture
def feeder() -> type[Feeder]:
    return Feeder


@pytest.fixture
def begin(path: Path) -> Iterator[Callable[..., Feeder]]:
    """begin() opens the record as a start would; what is still open at the end is closed."""
    opened: list[Journal] = []

    def begin(*, boot: str = "boot", now_s: float = 100.0, wall_s: float | None = WALL_S,
              **options: object) -> Feeder:
        journal = Journal(path, boot=boot, now_s=now_s,
                          wall_s=None if wall_s is None else wall_s + now_s,
                          **options)  # type: ignore[arg-type]
        opened.append(journal)
        return Feeder(journal, now_s, wall_s)

    yield begin
    for journal in opened:
        crash(journal)


def crash(journal: Journal) -> None:
    """End a journal as a killed process does: nothing more is written, the lock is free."""
    connection, journal._connection = journal._connection, None
    if connection is not None:
        connection.close()  # folds the log, as the next start would; writes no stop mark
    if journal._lock is not None:
        journal._lock.close()


@pytest.fixture(name="crash")
def _crash() -> Callable[[Journal], None]:
    return crash
