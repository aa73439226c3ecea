"""A step in which something is weighed or poured, after a stop: part may be done already."""

from __future__ import annotations

import pytest

from esterward.status import status_of
from harness import Bench

ASKED = {
    "methoxide.dissolve": "It was broken off: look at the container and weigh what is left",
    "methoxide.share": "It was broken off: look at the container and weigh what is left",
    "methoxide.second": "It was broken off: look at the container and weigh what is left",
    "wash.water": "It was broken off: up to all 13 L may be in already, add only what is missing."}


@pytest.fixture(scope="module")
def heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


def shown(bench: Bench) -> str:
    return status_of(bench.controller, bench.now_s).prompt_text


def asking(heating: Bench, step: str) -> Bench:
    bench = heating.copy()
    bench.controller.restarted("", bench.controller.state.last_event)  # every output is off
    bench.set_oil(40.0)
    bench.ticks(5)
    process, methanol = bench.controller.state.process, step == "wash.water"
    bench.controller.state.flag.set = bench.guard.flag = bench.guard.flag_reported = methanol
    process.state, process.step, process.methanol_in = "running", step, methanol
    bench.ticks(5)
    return bench


def test_who_comes_back_from_a_pause_has_broken_nothing_off(heating: Bench) -> None:
    bench = heating.copy()
    safety = bench.controller.state.safety
    safety.presence_age_s, safety.presence_asked_s = 3600.0, 300.0
    bench.ticks(20)
    assert bench.state == "paused"
    bench.press("green")
    bench.ticks(70)
    assert bench.state == "running" and not bench.controller.state.process.interrupted


@pytest.mark.parametrize("step", ASKED)
@pytest.mark.parametrize("how", ["blackout", "black"])
def test_what_may_be_in_already_is_said_until_the_step_is_over(
    step: str, how: str, heating: Bench,
) -> None:
    bench = asking(heating, step)
    assert "broken off" not in shown(bench)
    if how == "black":
        bench.press("black")
    else:
        bench.controller.restarted("the power went", bench.controller.state.last_event)
    bench.ticks(15)
    assert bench.state == "held"
    bench.hold_green()
    bench.ticks(70)
    assert (bench.state, bench.step) == ("running", step)
    assert shown(bench).startswith(ASKED[step])
    bench.press("green")
    bench.ticks(3)
    assert bench.step != step and not bench.controller.state.process.interrupted
