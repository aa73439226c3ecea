"""esterward record, as a person types it, and the page it prints."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from esterward.record.journal import Journal
from esterward.values.events import EVENT_KINDS, Event
from esterward.values.outputs import SAFE
from esterward.values.readings import ProbeReading
from esterward.values.snapshot import Snapshot

Run = Callable[..., Any]
NOON_S = 1_804_334_400.0  # 2027-03-06 12:00 UTC, a wall clock label

SHEET = {"oil_l": 120.0, "titration": {"mean_ml": 3.0}, "ffa_percent": 1.58,
         "catalyst": {"kind": "KOH", "mass_g": 1293.4}, "methanol": {"volume_l": 24.0},
         "setpoint_c": 55.0, "ceiling": {"alarm_c": 56.46}}
STORY: list[tuple[float, str, tuple[Any, ...]]] = [
    (0, "batch_started", ("harbour lot 3",)),
    (0, "state_changed", ("idle", "running", "start checks met")),
    (0, "stage_started", ("heat", 1)),
    (60, "alarm_raised", ("probe-stale", "warning", "Probe A is silent.", "Look at its plug.")),
    (90, "alarm_acknowledged", ("probe-stale",)),
    (120, "alarm_returned", ("probe-stale",)),
    (600, "observation", ("titration_ml", 3.0, "local", "with green held")),
    (660, "observation", ("wash_ph", 7.5, "mqtt", False)),
    (700, "request_refused", ("m-1", "it is too old")),
    (1800, "stage_ended", ("heat", 1, 0.0, "done")),
    (1800, "stage_started", ("dose", 1)),
    (1801, "prompt_opened", ("dose_gate", "Open the gate to dosing?")),
    (1830, "prompt_answered", ("dose_gate", "gate opened")),
    (1830, "flag_set", ()),
    (1900, "latched", ("e-stop", True)),
    (1900, "guard_latched", ("e-stop",)),
    (1900, "state_changed", ("running", "held", "e-stop")),
    (1999, "guard_reset", ("e-stop", 2)),
    (2000, "latch_reset", ("e-stop", 1)),
    (2500, "stage_ended", ("dose", 1, 1800.0, "done")),
    (2500, "stage_started", ("wash", 2)),
    (2600, "flag_cleared", ("clear water, pH of the tap",)),
    (2700, "note", ("cloth changed",)),
    (2700, "latched", ("lid", True)),
    (2700, "latch_reset", ("lid", 0)),
]


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    monkeypatch.delenv("ESTERWARD_RECORD", raising=False)
    monkeypatch.chdir(tmp_path)
    yield
    monkeypatch.undo()
    time.tzset()


def tell(path: Path, *, wall: bool = True, ended: bool = False, name: str = "harbour lot 3",
         sheet: bool = True) -> None:
    """Record the story: batch seconds are boot seconds less 1000."""
    start_s = 1000.0
    wall_s = NOON_S - start_s if wall else None
    journal = Journal(path, boot="boot", now_s=900.0,
                      wall_s=None if wall_s is None else wall_s + 900.0)
    number = journal.found.last_number
    story = [*STORY, *([(2800, "batch_ended", ("complete",))] if ended else [])]
    for at_s, kind, data in story:
        number += 1
        if kind == "batch_started":
            data = (name,)
            if sheet:
                journal.attach({"sheet": json.dumps(SHEET)})
        now_s = start_s + at_s
        event = Event(number, float(at_s), kind, dict(zip(EVENT_KINDS[kind], data, strict=True)))
        probe = ProbeReading(round(20.0 + at_s / 100, 2), now_s)
        snapshot = Snapshot(now_s, "boot", True, None if wall_s is None else wall_s + now_s,
                            probe, None, None, journal.stored)
        journal.add(snapshot, SAFE, (event,), f"state {number}")
        journal.step(now_s)
    journal.close(start_s + 2900.0, None if wall_s is None else wall_s + start_s + 2900.0)


PAGE = """\
Batch 1: harbour lot 3 - not ended, nobody runs it (last held)
Sat 6 Mar 2027 12:00, not ended (48 min)

Batch sheet
  oil                 120 L
  titration, mean     3.00 mL
  free fatty acids    1.58 %
  KOH                 1293 g
  methanol            24.00 L
  setpoint            55.0 degC
  ceiling             56.4 degC

Stages
  stage               began                    took    oil, degC  outcome
  heat                Sat 6 Mar 12:00        30 min    20.6-38.0  done
  add methoxide       Sat 6 Mar 12:30        12 min    38.0-45.0  done
  wash (2)            Sat 6 Mar 12:41                  46.0-47.0  not ended

Told
  Sat 6 Mar 12:10   one titration reading, mL of titrant per sample: 3 mL (typed
                    at the machine; counts with green held)
  Sat 6 Mar 12:11   pH of the drained wash water: 7.5 pH (sent from afar; does
                    not count)

Methanol flag
  Sat 6 Mar 12:30   set
  Sat 6 Mar 12:43   cleared: clear water, pH of the tap

Alarms
  Sat 6 Mar 12:01   probe-stale (warning): Probe A is silent. acknowledged Sat 6
                    Mar 12:01; gone Sat 6 Mar 12:02.

Latches
  Sat 6 Mar 12:31   e-stop (first out): reset Sat 6 Mar 12:33, 1 of this cause
                    so far
  Sat 6 Mar 12:31   guard: e-stop: reset Sat 6 Mar 12:33, 2 of this cause so far
  Sat 6 Mar 12:45   lid (first out): reset Sat 6 Mar 12:45, not counted, no
                    batch under way

Holds and ends
  Sat 6 Mar 12:00   idle to running: start checks met
  Sat 6 Mar 12:31   running to held: e-stop

Answers
  Sat 6 Mar 12:30   gate opened: Open the gate to dosing?

Refused
  Sat 6 Mar 12:11   it is too old

Notes
  Sat 6 Mar 12:45   cloth changed

Controller
  Sat 6 Mar 11:58   started
  Sat 6 Mar 12:48   stopped cleanly
"""


def test_show_gives_the_whole_account_in_words(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    ran = run("record", "show")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == PAGE


def test_without_a_clock_times_count_from_the_start(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path, wall=False)
    out = run("record", "show", str(path)).out
    assert "no trusted clock, so times count from the start of the batch" in out
    assert "  +0:31:40   e-stop (first out): reset +0:33:20" in out
    assert "Mar" not in out
    assert json.loads(run("record", "show", str(path), "--json").out)["started"] is None


def test_a_clock_found_late_dates_what_happened_before(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    journal = Journal(path, boot="boot", now_s=0.0)
    for number, (now_s, wall_s) in enumerate([(100.0, None), (3700.0, NOON_S)], 1):
        event = Event(number, now_s, *(("batch_started", {"batch": "x"}) if number == 1 else
                                       ("note", {"text": "clock set"})))
        journal.add(Snapshot(now_s, "boot", True, wall_s, ProbeReading(None, 0.0, "x"), None,
                             None, 0), SAFE, (event,), "state")
        journal.step(now_s)
    journal.close(3800.0)
    assert "Sat 6 Mar 2027 11:00, not ended" in run("record", "show", str(path)).out


def test_json_carries_the_same_account_with_unknown_as_null(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    told = json.loads(run("record", "show", str(path), "--json").out)
    assert (told["batch"], told["state"], told["ended"]) == ("harbour lot 3", "held", None)
    assert told["started"] == "2027-03-06T12:00:00+00:00"
    assert told["sheet"]["catalyst"]["mass_g"] == 1293.4
    assert told["stages"][1] == {
        "stage": "dose", "repeat": 1, "started_s": 1800.0, "ended_s": 2500.0,
        "started": "2027-03-06T12:30:00+00:00", "ended": "2027-03-06T12:41:40+00:00",
        "outcome": "done", "oil_low_c": 38.01, "oil_high_c": 45.0}
    assert [(row["code"], row["first_out"], row["reset_s"], row["resets"])
            for row in told["latches"]] == [("e-stop", True, 2000.0, 1),
                                            ("guard: e-stop", False, 1999.0, 2),
                                            ("lid", True, 2700.0, 0)]
    assert [row["flag"] for row in told["flag"]] == ["set", "cleared"]


@pytest.mark.parametrize(("gone", "told"), [
    (True, "started; the record is gone, but its lock file is there"),
    (False, "started; the damaged record before it is kept as record.sqlite.damaged-1")])
def test_a_start_says_what_became_of_the_record_before_it(
    run: Run, tmp_path: Path, gone: bool, told: str,
) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    if gone:
        path.unlink()
    else:
        path.write_bytes(b"x" * 8192)
    tell(path, name="after it")
    assert told in " ".join(run("record", "show", str(path)).out.split())


def test_a_batch_that_broke_off_does_not_last_until_the_end_of_the_next(
    run: Run, tmp_path: Path,
) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    journal = Journal(path, boot="boot", now_s=10_000.0)
    last = journal.found.last_number
    for number, (now_s, kind, data) in enumerate((
            (10_001.0, "note", {"text": "waits"}), (10_100.0, "batch_started", {"batch": "next"}),
            (90_000.0, "note", {"text": "late"})), last + 1):
        event = Event(number, now_s - 10_000.0, kind, data)
        journal.add(Snapshot(now_s, "boot", True, None, ProbeReading(20.0, now_s), None, None,
                             journal.stored), SAFE, (event,), "state")
        journal.step(now_s)
    journal.close(90_001.0)
    first, second = json.loads(run("record", "list", str(path), "--json").out)["batches"]
    assert (first["batch"], second["batch"]) == ("harbour lot 3", "next")
    assert first["duration_s"] < 3600.0 and second["duration_s"] > 79_000.0


def test_a_batch_keeps_its_own_sheet_when_the_next_one_was_only_named(
    run: Run, tmp_path: Path,
) -> None:
    path = tmp_path / "record.sqlite"
    tell(path, ended=True)
    for now_s, number in ((5000.0, 0), (6000.0, 1)):  # without, and with an event before it begins
        journal = Journal(path, boot="boot", now_s=now_s)
        journal.attach({"sheet": json.dumps(SHEET | {"oil_l": now_s})})
        found = journal.found.last_number
        events = (Event(found + 1, 0.0, "note", {"text": "waits"}),) * number
        journal.add(Snapshot(now_s, "boot", True, None, ProbeReading(20.0, now_s), None, None,
                             journal.stored), SAFE, events, "state" if events else None)
        journal.step(now_s)
        journal.close(now_s + 1.0)
        told = json.loads(run("record", "show", str(path), "--batch", "1", "--json").out)
        assert told["sheet"]["oil_l"] == SHEET["oil_l"]


def test_list_and_batch_number_choose_among_several(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path, ended=True, name="first")
    tell(path, name="second", sheet=False)
    rows = run("record", "list", str(path)).out.splitlines()
    assert rows == ["     began                     took  state      batch",
                    "  1  Sat 6 Mar 2027 12:00       47 min  done       first",
                    "  2  Sat 6 Mar 2027 12:00       48 min  not ended  second"]
    short = json.loads(run("record", "list", str(path), "--json").out)["batches"]
    assert [(row["number"], row["state"]) for row in short] == [(1, "complete"), (2, "held")]
    assert run("record", "show", str(path)).out.startswith("Batch 2: second")
    assert run("record", "show", str(path), "--batch", "1").out.startswith("Batch 1: first - done")
    ran = run("record", "show", str(path), "--batch", "3")
    assert (ran.code, ran.err) == (2, "--batch 3: the record holds batches 1 to 2; "
                                      "esterward record list names them.\n")


@pytest.mark.parametrize("wall", [True, False])
def test_a_batch_is_called_held_or_running_only_while_somebody_holds_the_record(
        run: Run, tmp_path: Path, wall: bool) -> None:
    path = tmp_path / "record.sqlite"
    tell(path, name="broken off", wall=wall)
    tell(path, name="first", ended=True, wall=wall)
    tell(path, name="second", wall=wall)

    def said() -> tuple[list[str], list[str], list[bool | None]]:
        return ([row.split("min  ")[1][:9].strip()
                 for row in run("record", "list").out.splitlines()[1:]],
                [run("record", "show", "--batch", number).out.splitlines()[0].partition(" - ")[2]
                 for number in "123"],
                [row["controlled"] for row in json.loads(
                    run("record", "list", "--json").out)["batches"]])

    left = "not ended, nobody runs it (last held)"
    assert said() == (["not ended", "done", "not ended"], [left, "done (complete)", left],
                      [False, None, False])
    journal = Journal(path, boot="boot", now_s=5000.0)
    assert said() == (["not ended", "done", "held"], [left, "done (complete)", "held"],
                      [False, None, True])
    journal.close(5001.0)


def test_events_lists_every_event_once(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    told = json.loads(run("record", "show", str(path), "--events", "--json").out)["events"]
    assert [row["number"] for row in told] == list(range(1, len(STORY) + 1))
    assert [row["kind"] for row in told] == [kind for _, kind, _ in STORY]
    out = run("record", "show", str(path), "--events").out
    assert "   14  Sat 6 Mar 12:30  flag set: \n" not in out
    assert "   14  Sat 6 Mar 12:30  flag set\n" in out


def test_no_line_is_wider_than_a_page(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path, name="a very long name of a lot " * 8)
    for arguments in (["show"], ["show", "--events"], ["list"]):
        for line in run("record", *arguments).out.splitlines():
            assert len(line) <= 80, line


def test_the_place_comes_from_the_environment_when_no_file_is_named(
        run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "elsewhere.sqlite"
    tell(path)
    monkeypatch.setenv("ESTERWARD_RECORD", str(path))
    assert run("record", "show").out.startswith("Batch 1")


def _another_database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE stamps (place TEXT)")
    connection.close()


def _newer(path: Path) -> None:
    tell(path)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 9")
    connection.close()


def _flipped(path: Path) -> None:
    tell(path)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE events SET data = '{}' WHERE number = 3")
    connection.close()


def _cut(path: Path) -> None:
    tell(path)
    path.write_bytes(path.read_bytes()[:9000])


@pytest.mark.parametrize("command", [["show"], ["show", "--json"], ["list"],
                                     ["show", "--events"]])
@pytest.mark.parametrize(("make", "why"), [
    (lambda path: None, "there is no such record; name its file, or set ESTERWARD_RECORD."),
    (lambda path: path.mkdir(), "this is not a file; name the record itself."),
    (lambda path: path.touch(), "the file is empty; no batch was recorded in it."),
    (lambda path: path.write_text("to do\n" * 999), "this is not a record of esterward; name "
                                                    "the record of a batch instead."),
    (lambda path: path.write_bytes(b"SQLite format 3\0" + bytes(84)), ""),
    (_another_database, "this database was not written by esterward; name the record of a batch "
                        "instead."),
    (_newer, "the record has format 9, written by a newer esterward; this one reads format 1; "
             "use that version, or another file."),
    (_flipped, "the record is damaged (events: row 3 is damaged); the next start of the "
               "controller sets it aside and keeps what came before."),
    (_cut, "name another or a whole copy of it."),
])
def test_a_bad_file_gets_one_sentence_and_exit_2(
        run: Run, tmp_path: Path, command: list[str], make: Callable[[Path], None],
        why: str) -> None:
    path = tmp_path / "some.sqlite"
    make(path)
    before = path.read_bytes() if path.is_file() else None
    ran = run("record", command[0], str(path), *command[1:])
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.count("\n") == 1
    assert str(path) in ran.err
    assert ran.err.endswith(f"{why}\n")
    assert before == (path.read_bytes() if path.is_file() else None)


def test_reading_leaves_no_file_behind_and_changes_none(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    run("record", "show", str(path))
    run("record", "list", str(path))
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before


def test_a_record_is_read_while_a_controller_writes_it(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    journal = Journal(path, boot="boot", now_s=5000.0)
    number = journal.found.last_number
    for second in range(40):
        event = Event(number + 1 + second, 4000.0 + second, "note", {"text": "n"})
        journal.add(Snapshot(5000.0 + second, "boot", True, None, ProbeReading(20.0, 0.0), None,
                             None, 0), SAFE, (event,), "state")
        journal.step(5000.0 + second)
        assert journal.stored == number + 1 + second
        if second % 10 == 0:
            shown = json.loads(run("record", "show", str(path), "--events", "--json").out)
            assert shown["events"][-1]["number"] == journal.stored
    journal.close(5100.0)


def test_show_works_as_a_process_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    tell(path)
    done = subprocess.run([sys.executable, "-c", "from esterward.cli import main; main()",
                           "record", "show", str(path)], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == PAGE


def test_the_commands_tell_what_of_the_record_is_no_longer_kept(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    for name in ("first", "second", "third"):
        tell(path, ended=True, name=name)
    journal = Journal(path, boot="boot", now_s=9000.0, record_bytes=40_000)
    for turn in range(10):  # the first fold lets the oldest go
        at_s, number = 9001.0 + turn, journal.found.last_number + 1 + turn
        journal.add(Snapshot(at_s, "boot", True, None, ProbeReading(20.0, at_s), None, None, 0),
                    SAFE, (Event(number, at_s, "note", {"text": "x" * 400}),), "{}")
        journal.step(at_s)
    journal.close(9100.0)
    ended = len(STORY) + 1
    rows = run("record", "list", str(path)).out.splitlines()
    assert [row.split()[0] for row in rows[1:-1]] == ["2", "3"]
    assert rows[-1] == ("No longer kept, so that the record stays small: batch 1, "
                        f"events 1 to {ended}.")
    told = json.loads(run("record", "list", str(path), "--json").out)
    assert told["dropped"] == {"batches": 1, "events": ended}
    assert run("record", "show", str(path)).out.startswith("Batch 3: third - done")
    assert run("record", "show", str(path), "--batch", "2").out.startswith("Batch 2: second")
    ran = run("record", "show", str(path), "--batch", "1")
    assert (ran.code, ran.err) == (2, "--batch 1: the record holds batches 2 to 3; esterward "
                                      f"record list names them. {rows[-1]}\n")
