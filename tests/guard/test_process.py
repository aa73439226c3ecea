"""The guard's shell with real devices on mock pins, a real socket and a clock by hand."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from esterward.guard import process, rule
from esterward.guard.link import ControllerSocket, GuardSocket
from esterward.guard.prepared import prepare
from esterward.hardware import pins
from esterward.values.messages import ControllerReport, GuardReport
from esterward.values.reactor import Reactor
from esterward.values.readings import ProbeReading

REACTOR = Reactor(altitude_m=1120.0, probe_a_id="28-a", probe_b_id="28-b", digest="d1")


class Hand:
    """A clock by hand; slip_s is how much goes by between reading and acting."""

    def __init__(self) -> None:
        self.time_s, self.boot, self.slip_s = 100.0, "b", 0.0

    def now_s(self) -> float:
        now_s, self.time_s = self.time_s, self.time_s + self.slip_s
        return now_s

    def wall_s(self) -> float | None:
        return None

    def wait(self, until_s: float) -> None:
        self.time_s = max(self.time_s, until_s)


class Good:
    """A probe that is always fresh."""

    def __init__(self) -> None:
        self.c: float | None = 50.0

    def read(self, now_s: float) -> ProbeReading:
        return ProbeReading(self.c, now_s)


class Bench:
    """One guard, its pins, and the controller's end of the socket."""

    def __init__(self, tmp_path: Path) -> None:
        self.clock, self.probe = Hand(), Good()
        self.factory = MockFactory()
        self.prepared = prepare(REACTOR)
        beat, switches = process.open_lines(self.factory, self.prepared)
        self.said: list[str] = []
        self.file = tmp_path / process.STATE_FILE
        self.guard = process.Guard(
            self.prepared.rule, clock=self.clock, switches=switches, beat=beat, probe=self.probe,
            barometer=None, link=GuardSocket(tmp_path / "guard.sock"), state_file=self.file,
            say=self.said.append)
        self.controller = ControllerSocket(tmp_path / "guard.sock")
        self.want = {"k1": False, "k2_wanted": True, "flag": True}
        self.speaks = True
        for name in ("estop_closed", "level_wet", "cutout_closed", "k1_open"):
            self.drive(name, True)
        self.follow = True
        self.report: GuardReport | None = None

    def drive(self, name: str, level: bool) -> None:
        pin = self.factory.pin(f"GPIO{self.prepared.inputs[name]}")
        (pin.drive_high if level else pin.drive_low)()

    def level(self, name: str) -> bool:
        return bool(self.factory.pin(f"GPIO{pins.LINES[name].bcm}").state)

    def cycle(self, count: int = 1) -> rule.GuardDecision:
        for _ in range(count):
            if self.follow:
                self.drive("k2_open", not self.level("enable"))
            self.clock.time_s += 0.25
            for _ in range(3):
                self.guard.switches.poll()
            if self.speaks:
                state = self.guard.state
                kpa = state.limits.p_eff_kpa if state.limits else None
                self.controller.send(ControllerReport(
                    1, self.clock.time_s, "b", trip_c=57.0, pressure_kpa=kpa, hash="d1",
                    **self.want), self.clock.time_s)
            decision = self.guard.cycle(self.clock.time_s)
            self.report = self.controller.take(self.clock.time_s) or self.report
        return decision

    def close(self) -> None:
        self.controller.close()
        self.guard.link.close()
        self.guard.beat.close()
        self.guard.switches.close()
        self.factory.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.close()


def test_a_first_start_keeps_k2_open_until_the_flag_is_on_disk(bench: Bench) -> None:
    bench.cycle(2)
    assert json.loads(bench.file.read_text("utf-8")) == {
        "version": 1, "flag": True, "latches": []}
    bench.cycle(4)
    assert bench.level("enable") and bench.report is not None and bench.report.flag


def test_every_completed_cycle_gives_one_edge(bench: Bench) -> None:
    seen = []
    for _ in range(6):
        bench.cycle()
        seen.append(bench.level("beat"))
    assert seen == [True, False, True, False, True, False]


def test_an_exception_inside_a_cycle_gives_no_edge_and_ends_with_everything_low(
    bench: Bench, monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench.cycle(6)
    assert bench.level("enable")
    before = bench.level("beat")

    def fail(*_: Any, **__: Any) -> None:
        raise RuntimeError("doubt")

    monkeypatch.setattr(rule, "step", fail)
    with pytest.raises(RuntimeError):
        bench.cycle()
    assert bench.level("beat") is before
    with pytest.raises(RuntimeError):
        bench.guard.run(lambda: True)
    assert not bench.level("enable") and not bench.level("beat")


def test_an_opened_input_drops_the_enable_in_the_cycle_that_sees_it(bench: Bench) -> None:
    bench.cycle(6)
    assert bench.level("enable")
    bench.drive("cutout_closed", False)
    bench.cycle()
    assert not bench.level("enable")
    assert bench.said[-1] == "keeps K2 open; methanol flag set; latched: cut-out"


def test_a_silent_controller_loses_the_enable_after_two_seconds(bench: Bench) -> None:
    bench.cycle(6)
    bench.speaks = False
    bench.cycle(8)
    assert bench.level("enable")
    bench.cycle()
    assert not bench.level("enable")


def test_a_decision_that_comes_late_is_thrown_away(bench: Bench) -> None:
    """Stopped between reading and acting, then gone on: what was seen is old."""
    bench.cycle(6)
    before = bench.level("beat")
    real = rule.step

    def slow(*args: Any, **kwargs: Any) -> rule.GuardDecision:
        decision = real(*args, **kwargs)
        bench.clock.time_s += 60.0
        return decision

    bench.guard.cycle.__globals__["rule"].step, restore = slow, real
    try:
        bench.cycle()
    finally:
        bench.guard.cycle.__globals__["rule"].step = restore
    assert not bench.level("enable") and bench.level("beat") is before


def test_what_a_late_cycle_latched_is_written_by_the_next_although_the_one_before_wrote(
    bench: Bench, monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench.cycle(6)
    bench.drive("estop_closed", False)
    bench.cycle(2)
    assert json.loads(bench.file.read_text("utf-8"))["latches"] == ["e-stop"]
    real = rule.step

    def slow(*args: Any, **kwargs: Any) -> rule.GuardDecision:
        bench.clock.time_s += 0.6
        return real(*args, **kwargs)

    with monkeypatch.context() as late:
        late.setattr(rule, "step", slow)
        bench.drive("cutout_closed", False)
        bench.cycle()
    bench.cycle()
    assert json.loads(bench.file.read_text("utf-8"))["latches"] == ["e-stop", "cut-out"]


def test_a_flag_file_that_cannot_be_read_means_set_and_is_latched(tmp_path: Path) -> None:
    (tmp_path / process.STATE_FILE).write_bytes(b"\xff\xfe{")
    state = process.read_state(tmp_path / process.STATE_FILE)
    assert state.flag and state.latches == ["memory"]
    (tmp_path / process.STATE_FILE).unlink()
    (tmp_path / process.STATE_FILE).mkdir()
    assert process.read_state(tmp_path / process.STATE_FILE).flag


def test_no_flag_file_means_set_without_a_latch(tmp_path: Path) -> None:
    state = process.read_state(tmp_path / "nothing")
    assert state.flag and state.latches == []


def test_a_write_that_fails_keeps_k2_open_says_so_and_is_tried_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch,
) -> None:
    real, tries = process.write_state, []

    def fail(path: Path, text: str) -> None:
        tries.append(text)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(process, "write_state", fail)
    bench.cycle(16)
    assert not bench.level("enable") and len(tries) == 1
    assert any("No space left" in line and "K2 stays open" in line for line in bench.said)
    monkeypatch.setattr(process, "write_state", real)
    bench.cycle(24)
    assert bench.level("enable") and bench.file.exists()


def test_the_file_is_whole_or_old_when_a_write_fails_half_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / process.STATE_FILE
    process.write_state(path, "old")

    def fail(handle: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(OSError, match="Input/output"):
        process.write_state(path, "new")
    assert path.read_text("ascii") == "old"


def test_latches_survive_the_process(bench: Bench) -> None:
    bench.cycle(6)
    bench.drive("estop_closed", False)
    bench.cycle(4)
    assert process.read_state(bench.file).latches == ["e-stop"]


def test_run_polls_twenty_times_a_second_cycles_four_and_leaves_low(bench: Bench) -> None:
    polls, cycles = [], []
    poll, cycle = bench.guard.switches.poll, bench.guard.cycle

    def polled() -> None:
        polls.append(1)
        poll()

    def cycled(now_s: float) -> rule.GuardDecision:
        cycles.append(now_s)
        return cycle(now_s)

    bench.guard.switches.poll = polled  # type: ignore[method-assign]
    bench.guard.cycle = cycled  # type: ignore[method-assign]
    end_s = bench.clock.time_s + 10.0
    bench.guard.run(lambda: bench.clock.time_s < end_s)
    assert len(polls) == pytest.approx(200, abs=2)
    assert len(cycles) == pytest.approx(40, abs=1)
    assert not bench.level("enable") and not bench.level("beat")


def test_a_start_with_everything_closed_latches_nothing(bench: Bench) -> None:
    """The first polls say nothing yet; they must not read as a pressed e-stop."""
    end_s = bench.clock.time_s + 2.0
    bench.guard.run(lambda: bench.clock.time_s < end_s)
    assert bench.guard.state.latches == [] and bench.guard.state.count > 4


def test_the_supervisor_is_told_of_each_cycle(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    import socket

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        end_s = bench.clock.time_s + 1.1
        bench.guard.run(lambda: bench.clock.time_s < end_s)
        heard = []
        try:
            while True:
                heard.append(ear.recv(200))
        except BlockingIOError:
            pass
    assert heard[0] == b"READY=1\nWATCHDOG=1" and heard[-1] == b"STOPPING=1"
    assert heard.count(b"WATCHDOG=1") == len(heard) - 2 == 4


def test_a_guard_whose_every_cycle_is_late_feeds_no_watchdog(
    bench: Bench, monkeypatch: pytest.MonkeyPatch,
) -> None:
    told: list[tuple[str, ...]] = []
    monkeypatch.setattr(process, "tell_supervisor", lambda *lines: told.append(lines))
    real = rule.step

    def slow(*args: Any, **kwargs: Any) -> rule.GuardDecision:
        bench.clock.time_s += 0.6
        return real(*args, **kwargs)

    monkeypatch.setattr(rule, "step", slow)
    end_s = bench.clock.time_s + 10.0
    bench.guard.run(lambda: bench.clock.time_s < end_s)
    assert told == [("STOPPING=1",)] and bench.guard.state.count > 4
