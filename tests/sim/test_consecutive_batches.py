"""Consecutive rehearsals in one record: what the first learnt of the vessel, the second tries."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from esterward.record.journal import Journal
from esterward.record.read import newest, read_rows
from esterward.record.schema import BadRecord
from esterward.values.events import Event
from esterward.values.outputs import SAFE
from esterward.values.readings import NO_READING
from esterward.values.snapshot import Snapshot
from esterward_sim.continued import earlier
from samples import SMALLEST_BATCH

TOP = Path(__file__).parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "both.sqlite"


def rehearse(path: Path) -> Any:
    """A batch that a person stops soon after the oil was warm: the heater has learnt by then."""
    path.with_name("batch.toml").write_text(SMALLEST_BATCH + '[dewater]\nmethod = "none"\n')
    done = subprocess.run(
        [sys.executable, "-c", "from esterward.cli import main; main()", "rehearse", "batch.toml",
         "--reactor", str(TOP / "firmware/config/reactor.toml"), "--record", path.name, "--json",
         "--fault", "black_stuck@methoxide+30"],
        cwd=path.parent, capture_output=True, text=True, timeout=500.0)
    told = json.loads(done.stdout)
    assert told["state"] == "stopped", done.stderr
    return told


def test_the_second_batch_of_a_record_starts_from_what_the_first_learnt(path: Path) -> None:
    first = rehearse(path)
    lesson = newest(path, "vessel_learnt")
    assert isinstance(lesson, dict) and 0.005 < lesson["rate_k_s"] < 0.03
    second = rehearse(path)
    rows = list(read_rows(path))
    notes = [str(row.event.data["text"]) for row in rows if row.event.kind == "note"]
    assert notes == ["heater: starts from what an earlier batch learnt, as a guess"]
    assert [row.event.number for row in rows] == list(range(1, len(rows) + 1))
    assert [row.wall_s for row in rows] == sorted(row.wall_s or 0.0 for row in rows)
    entered_s = {step: [row.event.at_s for row in rows if row.event.kind == "step_started"
                        and row.event.data["step"] == step]
                 for step in ("heat.warm", "methoxide.sheet")}
    warm_s = [end_s - start_s for start_s, end_s in zip(*entered_s.values(), strict=True)]
    assert len(warm_s) == 2 and warm_s[1] < 1.005 * warm_s[0]
    peaks_c = [told["peak_oil_c"] for told in (first, second)]
    assert max(peaks_c) < first["setpoint_c"] + 0.3


def begun(path: Path, boot: str, *events: Event) -> None:
    journal = Journal(path, boot=boot, now_s=0.0)
    snapshot = Snapshot(1.0, boot, True, None, NO_READING, None, None, 0)
    journal.add(snapshot, SAFE, events, "state" if events else None)
    journal.close(2.0)


@pytest.mark.parametrize(("boot", "events", "words"), [
    ("5c2f", (), "never goes among real batches"),
    ("rehearsal-1", (Event(1, 0.0, "batch_started", {"batch": "lot"}),), "did not end"),
])
def test_a_record_of_real_batches_or_of_an_unended_one_takes_no_rehearsal(
    path: Path, boot: str, events: tuple[Event, ...], words: str,
) -> None:
    begun(path, boot, *events)
    before = path.read_bytes()
    with pytest.raises(BadRecord, match=words):
        earlier(path)
    assert path.read_bytes() == before


def test_the_newest_event_of_a_kind_is_found_as_it_stands(path: Path) -> None:
    begun(path, "rehearsal-1", Event(1, 0.0, "note", {"text": "one"}),
          Event(2, 0.0, "note", {"text": "two"}), Event(3, 0.0, "check_seen", {"check": "lid"}))
    assert newest(path, "note") == {"text": "two"}
    assert newest(path, "vessel_learnt") is None
    assert earlier(path).learnt is None
