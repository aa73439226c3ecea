"""A fitted barometer, dead or not there yet, ends neither program: strict limits, and told."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from esterward.chemistry import boiling
from esterward.cli.guard import guard
from esterward.cli.run import run
from esterward.cli.run_beside import Terminal
from esterward.cli.trouble import WELL_S, Trouble
from esterward.guard import process
from esterward.guard.process import Guard
from esterward.loop import Loop
from esterward_sim.bench_pins import SharedBoard

CONFIG = Path(__file__).parents[2] / "firmware/config"
MISSING = "0 files in_pressure_input are there, one is needed"


@pytest.fixture
def said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """What the program says, in a folder with a reactor that has a barometer."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "esterward-bench")
    monkeypatch.delenv("ESTERWARD_RECORD", raising=False)
    SharedBoard(tmp_path / "board", create=True)
    monkeypatch.setenv("ESTERWARD_BENCH", str(tmp_path / "board"))
    text = (CONFIG / "reactor.toml").read_text("utf-8")
    Path("reactor.toml").write_text(text.replace("barometer = false", "barometer = true"), "utf-8")
    for name in ("rt", "st", "w1", "iio"):
        Path(name).mkdir()
    lines: list[str] = []
    monkeypatch.setattr(Terminal, "say", lambda self, text: lines.append(text))
    monkeypatch.setattr(process, "say_on_stderr", lines.append)
    yield lines


def looks(go_on: Callable[[], bool], barometer: Any) -> None:
    """Until the worker has looked for the sensor, and then some."""
    for _ in range(2000):
        assert barometer.read(time.monotonic()) is None
        assert go_on()
        if barometer.fault:
            break
        time.sleep(0.002)
    for _ in range(20):
        assert go_on()


def test_the_controller_starts_all_the_same_with_strict_limits_and_says_so_once(
    said: list[str], monkeypatch: pytest.MonkeyPatch,
) -> None:
    def some(loop: Loop, go_on: Callable[[], bool]) -> None:
        loop.look()
        looks(go_on, loop.ports.barometer)
        altitude_m = loop.controller.reactor.altitude_m
        assert altitude_m is not None
        assert loop.controller.limits == boiling.limits(altitude_m)

    monkeypatch.setattr(Loop, "run", some)
    done = CliRunner().invoke(run, ["--runtime", "rt", "--w1", "w1", "--iio", "iio"])
    assert done.exit_code == 0, done.output
    (told,) = [line for line in said if line.startswith("barometer: ")]
    assert MISSING in told and "the limits are those without one" in told


def test_the_guard_starts_all_the_same_with_strict_limits_and_says_so_once(
    said: list[str], monkeypatch: pytest.MonkeyPatch,
) -> None:
    def some(guard: Guard, go_on: Callable[[], bool]) -> None:
        guard.cycle(guard.clock.now_s())
        looks(go_on, guard.barometer)
        assert guard.config.altitude_m is not None
        assert guard.state.limits == boiling.limits(guard.config.altitude_m)

    monkeypatch.setattr(Guard, "run", some)
    assert CliRunner().invoke(guard, ["--prepare", "--config", "guard.json"]).exit_code == 0
    done = CliRunner().invoke(guard, ["--config", "guard.json", "--runtime", "rt", "--state", "st",
                                      "--w1", "w1", "--iio", "iio"])
    assert done.exit_code == 0, done.output
    (told,) = [line for line in said if line.startswith("barometer: ")]
    assert MISSING in told and "the limits are those without one" in told


def test_trouble_is_said_when_it_begins_changes_and_is_over_and_not_at_every_try() -> None:
    lines: list[str] = []
    trouble = Trouble("link", "look at it.", lines.append)
    now_s = 0.0
    for fault in ("", "refused", "refused", "", "refused", "no answer", "refused", ""):
        now_s += 5.0
        trouble.look(fault, now_s)
    assert lines == ["link: refused; look at it.", "link: no answer; look at it."]
    trouble.look("", now_s + WELL_S)
    trouble.look("", now_s + 2.0 * WELL_S)
    assert lines[2:] == ["link: well again."]
    trouble.look("refused", now_s + 3.0 * WELL_S)
    assert lines[3:] == ["link: refused; look at it."]
