"""Whatever stops a dose, the first words are to close the methoxide valve."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from esterward.status import status_of
from esterward.telemetry.topics import prompt_words
from esterward.values.requests import Request
from harness import Bench
from steps import to_dose_gate


def estop(bench: Bench) -> None:
    bench.override["estop_closed"] = False


def mixer_fault(bench: Bench) -> None:
    bench.override["mixer_proof"] = False


def nobody_there(bench: Bench) -> None:
    safety = bench.controller.state.safety
    safety.presence_age_s, safety.presence_asked_s = 1e6, 300.0


def remote_hold(bench: Bench) -> None:
    bench.tick((Request("h", "hold", "mqtt"),))


def black(bench: Bench) -> None:
    bench.press("black")


def stop(bench: Bench) -> None:
    bench.press("black", seconds=6)


def guard_latch(bench: Bench) -> None:
    bench.guard_changes.update(latches=("probe",), enable=False)
    bench.override["k2_open"] = True


@pytest.mark.parametrize("gate_only", [True, False])
@pytest.mark.parametrize("trouble", [
    estop, mixer_fault, nobody_there, remote_hold, black, stop, guard_latch])
def test_whatever_stops_a_dose_the_first_words_are_the_valve(
    trouble: Callable[[Bench], None], gate_only: bool,
) -> None:
    bench = Bench()
    bench.to_heating()
    to_dose_gate(bench)
    if not gate_only:
        bench.hold_green()
        assert bench.step == "dose.pour"
    assert "Close the methoxide valve" not in status_of(bench.controller, 0.0).prompt_text
    trouble(bench)
    states = set()
    for _ in range(40):
        bench.tick()
        status = status_of(bench.controller, bench.now_s)
        text = status.prompt_text
        if bench.state == "running":
            continue
        states.add(bench.state)
        assert text.startswith("Close the methoxide valve."), (bench.state, text)
        assert prompt_words(status).startswith(text), "and so it is published"
        assert text.count("Close the methoxide valve") == 1
    assert states & {"held", "paused", "stopped", "aborted"}


def test_a_hold_in_another_stage_says_nothing_of_the_valve() -> None:
    bench = Bench()
    bench.to_heating()
    bench.press("black")
    bench.ticks(4)
    assert bench.state == "held"
    assert "valve" not in status_of(bench.controller, bench.now_s).prompt_text
