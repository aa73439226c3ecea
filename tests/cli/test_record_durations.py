"""How long a batch took, as `esterward record` tells it: ended, under way, broken off."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from esterward.record.journal import Journal
from esterward.values.events import EVENT_KINDS, Event
from esterward.values.outputs import SAFE
from esterward.values.readings import ProbeReading
from esterward.values.snapshot import Snapshot

Run = Callable[..., Any]
START: list[tuple[str, tuple[Any, ...]]] = [
    ("state_changed", ("idle", "running", "start checks met")),
    ("batch_started", ("harbour lot 3",)), ("stage_started", ("settle", 1))]


class Told:
    """A controller's record by hand, its batch begun 1000 s after switching on."""

    def __init__(self, path: Path, now_s: float) -> None:
        self.journal = Journal(path, boot="boot", now_s=now_s)
        self.number = self.journal.found.last_number

    def tick(self, now_s: float, at_s: float, *events: tuple[str, tuple[Any, ...]],
             oil_c: float = 30.0) -> None:
        rows = []
        for kind, data in events:
            self.number += 1
            rows.append(Event(self.number, at_s, kind,
                              dict(zip(EVENT_KINDS[kind], data, strict=True))))
        self.journal.add(Snapshot(now_s, "boot", True, None, ProbeReading(oil_c, now_s), None,
                                  None, self.journal.stored), SAFE, tuple(rows), "state")
        self.journal.step(now_s)


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ESTERWARD_RECORD", str(tmp_path / "record.sqlite"))
    return tmp_path / "record.sqlite"


def killed(journal: Journal) -> None:
    """Nothing more is written: no stop mark, no rest of the trace."""
    assert journal._connection is not None and journal._lock is not None
    journal._connection.close()
    journal._connection = None
    journal._lock.close()


def lasted(run: Run) -> list[float]:
    """What list and show say of every batch."""
    listed = [row["duration_s"] for row in
              json.loads(run("record", "list", "--json").out)["batches"]]
    shown = [json.loads(run("record", "show", "--batch", str(number), "--json").out)["duration_s"]
             for number in range(1, len(listed) + 1)]
    assert listed == shown
    return listed


def test_a_batch_that_ended_keeps_its_time_over_later_starts(run: Run, path: Path) -> None:
    told = Told(path, 990.0)
    told.tick(1000.0, 0.0, *START)
    told.tick(1120.0, 120.0, ("batch_ended", ("aborted",)))
    told.tick(1500.0, 120.0, ("note", ("looked at",)))
    told.journal.close(1900.0)
    assert lasted(run) == [120.0]
    told = Told(path, 5000.0)  # an idle start counts from its own zero
    told.tick(5001.0, 0.0, ("check_seen", ("fan",)))
    assert lasted(run) == [120.0]
    told.journal.close(5002.0)
    told = Told(path, 6000.0)
    told.tick(6001.0, 0.0, *START)
    told.tick(6061.0, 60.0, ("batch_ended", ("complete",)))
    told.journal.close(6062.0)
    assert lasted(run) == [120.0, 60.0]


def test_a_settling_of_hours_counts_while_it_lasts_with_its_oil(run: Run, path: Path) -> None:
    told = Told(path, 990.0)
    told.tick(1000.0, 0.0, *START, oil_c=44.0)
    for second in range(60, 8 * 3600 + 1, 60):
        told.tick(1000.0 + second, float(second), oil_c=44.0 - second / 3600.0)
    row = run("record", "list").out.splitlines()[1]
    assert "7 h 59 min" in row or "8 h 00 min" in row  # the trace is written once a minute
    shown = json.loads(run("record", "show", "--json").out)
    assert shown["duration_s"] >= 8 * 3600 - 60
    assert [shown["stages"][0][key] for key in ("oil_low_c", "oil_high_c")] == [
        pytest.approx(36.0, abs=0.1), pytest.approx(44.0, abs=0.1)]
    told.journal.close(1000.0 + 8 * 3600 + 5.0)
    assert lasted(run) == [8 * 3600 + 5.0]


def test_a_batch_broken_off_by_a_power_cut_lasted_to_its_last_sample(
    run: Run, path: Path,
) -> None:
    told = Told(path, 990.0)
    told.tick(1000.0, 0.0, *START)
    for second in range(1, 200):
        told.tick(1000.0 + second, float(second))
    killed(told.journal)
    assert lasted(run) == [pytest.approx(199.0, abs=60.0)] and lasted(run)[0] > 130.0
    before = lasted(run)
    told = Told(path, 90_000.0)  # the hours without power are no time of the batch
    assert lasted(run) == before
    told.tick(90_001.0, 150.0, ("state_changed", ("running", "restarting", "a restart")))
    told.journal.close(90_011.0)
    assert lasted(run) == [160.0]


def test_without_a_batch_nothing_lasted(run: Run, path: Path) -> None:
    told = Told(path, 990.0)
    told.tick(1000.0, 0.0, ("check_seen", ("fan",)))
    told.journal.close(9000.0)
    assert lasted(run) == [0.0]


def test_a_damaged_end_of_the_trace_is_refused_by_list_too(run: Run, path: Path) -> None:
    told = Told(path, 990.0)
    told.tick(1000.0, 0.0, *START)
    told.journal.close(1100.0)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE trace SET last_s = 9e9")
    connection.close()
    ran = run("record", "list")
    assert (ran.code, ran.out) == (2, "") and "trace: row 1 is damaged" in ran.err
