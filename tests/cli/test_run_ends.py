"""How `esterward run` ends when it must not: the guard is told and the record says so."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from esterward.cli.run import run
from esterward.guard.link import GuardSocket
from esterward.hardware.probes import ReaderStuck
from esterward.loop import Loop
from esterward.record.inbox import machine_boot
from esterward.record.journal import Journal
from esterward.record.read import read_marks
from esterward.record.resume import Found, last_state
from esterward.state import ControllerState
from esterward.values.events import Event
from esterward.values.outputs import SAFE
from esterward.values.plain import to_plain
from esterward.values.readings import NO_READING
from esterward.values.snapshot import Snapshot
from esterward_sim.bench_pins import BenchPin, SharedBoard

CONFIG = Path(__file__).parents[2] / "firmware/config"
RECORD = Path("record.sqlite")


@pytest.fixture
def guard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[GuardSocket]:
    """The guard's end of the socket, in a folder in which `esterward run` may start."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "esterward-bench")
    monkeypatch.setenv("ESTERWARD_BENCH", str(tmp_path / "board"))
    SharedBoard(tmp_path / "board", create=True)
    shutil.copy(CONFIG / "reactor.toml", "reactor.toml")
    Path("rt").mkdir()
    made = GuardSocket(Path("rt/guard.sock"))
    yield made
    made.close()


def ends(monkeypatch: pytest.MonkeyPatch, guard: GuardSocket, what: Callable[[], object],
         *more: str) -> Any:
    """A run whose third look does what instead."""
    looks = iter(range(100))
    look = Loop.look

    def instead(loop: Loop) -> object:
        guard.step()
        return what() if next(looks) == 2 else look(loop)

    with monkeypatch.context() as patched:
        patched.setattr(Loop, "look", instead)
        return CliRunner().invoke(run, ["--runtime", "rt", "--record", str(RECORD), *more])


def fails(error: Exception) -> Callable[[], object]:
    def raising() -> object:
        raise error
    return raising


def found() -> Found:
    return last_state(RECORD, boot=machine_boot(), now_s=time.monotonic(), wall_s=time.time())


def test_a_mistake_of_the_program_is_no_clean_stop_and_a_second_counts_as_two(
    guard: GuardSocket, monkeypatch: pytest.MonkeyPatch,
) -> None:
    for turn in (1, 2):
        done = ends(monkeypatch, guard, fails(KeyError("a mistake")))
        assert done.exit_code == 1 and "this is a mistake of the program" in done.output
        assert (found().clean, found().unclean_starts) == (False, turn)
        assert json.loads(found().checkpoint or "")["process"]["state"] == "idle", "all is kept"
    assert {mark.kind for mark in read_marks(RECORD)} == {"start"}


def test_a_refused_start_leaves_no_mark_and_hides_no_unclean_end(
    guard: GuardSocket, monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = (CONFIG / "batch.toml").read_text("utf-8")
    Path("other.toml").write_text(text.replace('"120 L"', '"100 L"'), "utf-8")
    state = ControllerState()
    state.process.state = "held"
    journal = Journal(RECORD, boot=machine_boot(), now_s=time.monotonic())
    journal.attach({"batch.toml": text})
    now = Snapshot(time.monotonic(), "b", True, None, NO_READING, None, None, 0)
    journal.add(now, SAFE, (Event(1, 0.0, "note", {"text": ""}),), json.dumps(to_plain(state)))
    journal.close(now.now_s, clean=False)
    for _ in range(2):
        done = ends(monkeypatch, guard, fails(KeyError("it was not refused")), "--batch",
                    "other.toml")
        assert done.exit_code == 2 and "is not finished" in done.output
        assert (found().clean, found().unclean_starts) == (False, 1)
    assert [mark.kind for mark in read_marks(RECORD)] == ["start"]


def test_a_probe_that_hangs_ends_it_in_good_order(
    guard: GuardSocket, monkeypatch: pytest.MonkeyPatch,
) -> None:
    done = ends(monkeypatch, guard, fails(ReaderStuck("probe A: 3 reads did not return")))
    assert done.exit_code == 1 and "ending so that a new process can try" in done.output
    assert [mark.kind for mark in read_marks(RECORD)] == ["start", "stop"]
    assert found().clean


def test_a_line_that_cannot_be_driven_low_is_told_to_the_guard_too_and_nothing_is_called_off(
    guard: GuardSocket, monkeypatch: pytest.MonkeyPatch,
) -> None:
    drive, counts = BenchPin._set_state, []

    def broken(pin: BenchPin, level: Any) -> None:
        if pin._bcm == 17:
            raise OSError(5, "the line's chip does not answer")
        drive(pin, level)

    def breaks() -> None:
        heard = guard.step()
        counts.append(heard and heard.count)
        BenchPin._set_state = broken  # type: ignore[method-assign]

    try:
        done = ends(monkeypatch, guard, breaks)
    finally:
        BenchPin._set_state = drive  # type: ignore[method-assign]
    assert done.exit_code == 1
    assert "may still be on; switch off at the isolator" in done.output
    assert "every output is off" not in done.output
    assert "Traceback" not in done.output and "mistake of the program" not in done.output
    heard = guard.step()
    assert heard is not None and heard.count == counts[0] + 1, "it said goodbye"
    assert not found().clean
