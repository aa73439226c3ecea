"""Guard and controller as real processes: whatever is done to one of them, energy ends.

Each rig is drying: `esterward run` has element, mixer and air on through real pins and sockets.
Deadlines are asserted on the bench's own stamps (CLOCK_MONOTONIC): 3.0 s for a process that is
killed, stopped or hangs, 0.5 s for an input opened at the guard, 5 s for a probe.
TRIES rigs of a kind run side by side; a long run sets ESTERWARD_TRIES (see docs).
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from bench_rig import HURT, LOADS, Rig, until

TRIES = int(os.environ.get("ESTERWARD_TRIES", "3"))
AT_ONCE = int(os.environ.get("ESTERWARD_AT_ONCE", "10"))
PROCESS_S = 3.0
INPUT_S = 0.5
# From the fault; the last good conversion began before it, and its age is what counts.
PROBE_S = 5.0


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path / "rig") as made:
        yield made


def side_by_side(tmp_path: Path, story: Callable[[Rig, Any], float], cases: list[Any]
                 ) -> list[float]:
    """Each case on a drying rig of its own; what each story returned, in seconds."""
    def one(number: int) -> float:
        with Rig(tmp_path / f"rig{number}") as rig:
            rig.dry()
            time.sleep(number / len(cases))  # spread over the second between two ticks
            return story(rig, cases[number])

    with ThreadPoolExecutor(AT_ONCE) as pool:
        return list(pool.map(one, range(len(cases))))


def process_of(rig: Rig, who: str) -> subprocess.Popen[str]:
    process = rig.guard if who == "guard" else rig.controller
    assert process is not None
    return process


def dead(rig: Rig) -> float:
    """When the last of the loads went off, after all of them are off."""
    rig.wait("k2", False)
    return max(rig.wait(what, False) for what in LOADS)


def one_cause_after_it_goes_on(rig: Rig, who: str) -> None:
    """Its reader and its socket stood still too: nothing stale may be taken for a fault."""
    process_of(rig, who).send_signal(signal.SIGCONT)
    cause = "alarm slow" if who == "controller" else "alarm guard-silent"
    rig.said(cause, seconds=20.0)
    rig.said("held: ", seconds=20.0)
    time.sleep(1.0)
    kept = json.loads((rig.folder / "state/guard-state.json").read_text("utf-8"))
    assert kept["latches"] == (["silent"] if who == "controller" else []), rig.logs()
    told = (rig.folder / "run.log").read_text("utf-8")
    after = told[told.index(cause):]
    assert len(re.findall(r"alarm [\w-]+ \(", after)) == 1, after


@pytest.mark.parametrize("how", sorted(HURT))
def test_a_process_that_is_killed_stopped_or_hung_ends_all_energy(
    tmp_path: Path, how: str,
) -> None:
    def story(rig: Rig, who: str) -> float:
        at_s = time.monotonic()
        process_of(rig, who).send_signal(HURT[how])
        off_s = dead(rig) - at_s
        if (how, who) == ("hung", "controller"):  # its own leases, whatever the guard does
            lines_s = [rig.wait(f"line {name}", False) for name in ("k1", "mixer", "air")]
            off_s = max(off_s, max(lines_s) - at_s)
        time.sleep(0.5)
        assert not any(rig.level(what) for what in LOADS), "and nothing comes back"
        if how == "stopped":
            one_cause_after_it_goes_on(rig, who)
        return off_s

    who = ["guard", "controller"] * TRIES
    took_s = side_by_side(tmp_path, story, who)
    print(f"{how}: {TRIES} tries each, slowest guard {max(took_s[::2]):.2f} s, "
          f"controller {max(took_s[1::2]):.2f} s")
    assert max(took_s) <= PROCESS_S


def test_an_input_that_opens_ends_the_element_and_drops_the_enable(tmp_path: Path) -> None:
    def story(rig: Rig, command: dict[str, Any]) -> float:
        at_s = time.monotonic()
        rig.tell(**command)
        off_s = max(rig.wait("element", False), rig.wait("line enable", False)) - at_s
        rig.wait("k2", False)
        return off_s

    took_s = side_by_side(tmp_path, story, [
        {"set": ["estop_pressed", True]}, {"fault": "estop_wire"}, {"fault": "cutout_open"},
        {"fault": "level_low"}])
    assert max(took_s) <= INPUT_S


def test_a_probe_without_values_ends_energy_in_five_seconds(tmp_path: Path) -> None:
    def story(rig: Rig, case: tuple[str, str]) -> float:
        at_s = time.monotonic()
        rig.tell(probe=case)
        if case[0] == "b":
            return dead(rig) - at_s
        # The controller's probe alone says nothing against the mixer: it runs on for a while.
        return max(rig.wait(what, False) for what in ("element", "air")) - at_s

    cases = [(which, mode) for which in ("a", "b") for mode in ("empty", "blocked")]
    took_s = dict(zip(cases, side_by_side(tmp_path, story, cases), strict=True))
    print("; ".join(f"probe {which} {mode}: {s:.2f} s" for (which, mode), s in took_s.items()))
    assert min(took_s.values()) > 2.0
    assert max(took_s.values()) <= PROBE_S


def test_a_stop_signal_is_obeyed_at_once_with_every_output_low(tmp_path: Path) -> None:
    def story(rig: Rig, case: tuple[str, signal.Signals]) -> float:
        who, number = case
        process = process_of(rig, who)
        at_s = time.monotonic()
        process.send_signal(number)
        off_s = rig.wait("line enable" if who == "guard" else "line k1", False) - at_s
        dead(rig)
        interrupted = who == "controller" and number == signal.SIGINT
        assert process.wait(10.0) == (130 if interrupted else 0)
        return off_s

    took_s = side_by_side(tmp_path, story, [
        (who, number) for who in ("guard", "controller")
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)])
    assert max(took_s) <= INPUT_S


def test_three_blocked_reads_of_probe_a_end_the_controller_with_outputs_low(rig: Rig) -> None:
    rig.dry()
    rig.tell(probe=["a", "blocked"])
    assert rig.controller is not None and rig.controller.wait(25.0) == 1
    assert "reads did not return" in rig.logs() and "every output is off" in rig.logs()
    assert not any(rig.level(f"line {name}") for name in ("k1", "mixer", "air", "lamp", "horn"))


def test_three_blocked_reads_end_the_guard_and_it_starts_again_after_mending(rig: Rig) -> None:
    rig.dry()
    rig.tell(probe=["b", "blocked"])
    assert rig.guard is not None and rig.guard.wait(25.0) == 1
    assert "reads did not return" in rig.logs()
    rig.tell(probe=["b", "live"])
    rig.start_guard()
    until(lambda: "keeps K2 open" in rig.logs().rsplit("so that a new process", 1)[-1],
          "the guard did not come back")
    assert not rig.level("k2")


def test_a_guard_that_was_stopped_and_goes_on_does_not_close_k2_again(rig: Rig) -> None:
    rig.dry()
    assert rig.guard is not None and rig.controller is not None
    rig.guard.send_signal(signal.SIGSTOP)
    rig.wait("k2", False)
    rig.controller.kill()
    time.sleep(2.5)
    seen = len(rig.changes)
    rig.guard.send_signal(signal.SIGCONT)
    rig.wait("line enable", False)
    time.sleep(1.0)
    assert not any(change["what"] == "k2" and change["level"] for change in rig.changes[seen:])


def test_a_second_guard_is_refused_before_it_touches_a_pin(rig: Rig) -> None:
    rig.dry()
    first = rig.guard
    second = rig.start_guard()
    assert second.wait(20.0) == 75
    assert "already running" in rig.logs()
    rig.guard = first
    assert rig.level("element")


def test_a_restarted_guard_still_has_its_latch_and_its_flag_set(rig: Rig) -> None:
    rig.dry()
    rig.tell(set=["estop_pressed", True])
    rig.wait("k2", False)
    until(lambda: "e-stop" in (rig.folder / "state/guard-state.json").read_text("utf-8"),
          "the latch was not written")
    rig.tell(set=["estop_pressed", False])
    assert rig.guard is not None
    rig.guard.kill()
    rig.guard.wait(10.0)
    # Heard in its first cycle already, the controller would vouch for a clear flag.
    process_of(rig, "controller").send_signal(signal.SIGSTOP)
    rig.start_guard()
    until(lambda: "methanol flag set; latched: e-stop" in rig.logs(), "no word of the latch")
    process_of(rig, "controller").send_signal(signal.SIGCONT)
    time.sleep(1.0)
    assert not rig.level("line enable")
