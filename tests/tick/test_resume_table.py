"""After any loss of power or process, in every step and state: what goes on, what waits for a hand.

Kept by hand: the steps that need neither energy nor a person go on alone, everything else is held
with the outputs off. Proven seconds of mixing and of rest stay, every other proof begins anew.
"""

from __future__ import annotations

import pytest

from esterward.process.stages import STEPS
from esterward.tick import RUNNING_STATES
from harness import Bench

ALONE = {"dewater.stand", "cool.stand", "settle.between", "settle.first", "settle.offer",
         "settle.rest", "wash.stand"}
# Methoxide may be in from dosing on; at the statement it is still asked.
METHANOL = {name for name in STEPS if name.startswith(("dose", "mix", "check", "settle", "drain",
                                                       "wash"))
            or name in ("methoxide.second", "methoxide.share")} - {"dose.approach", "dose.off"}
GOES_ON_IN = {"dose.pour": "dose.gate"}  # the gate to dosing is asked anew


@pytest.fixture(scope="module")
def heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


def left_in(heating: Bench, step: str, state: str = "running") -> Bench:
    """A batch in that step and state whose controller has just been started again."""
    bench = heating.copy()
    process, flag = bench.controller.state.process, step in METHANOL
    process.step, process.state, process.methanol_in = step, state, flag
    bench.controller.state.flag.set = bench.guard.flag = bench.guard.flag_reported = flag
    bench.set_oil(46.0)
    timers = process.timers
    timers.credit_s = timers.mixed_s = timers.heat_off_s = timers.at_target_s = 700.0
    timers.settled_s = 500.0
    bench.controller.restarted("the power went", 0)
    assert timers.credit_s == timers.mixed_s == 700.0 and timers.settled_s == 500.0
    assert timers.heat_off_s == timers.at_target_s == 0.0
    assert bench.controller.state.flag.set is flag
    return bench


def flows(bench: Bench) -> bool:
    out = bench.controller.outputs
    return out.k1 or out.ssr or out.mixer or out.air or out.k2_wanted


@pytest.mark.parametrize("step", STEPS)
def test_every_step_is_held_or_goes_on_alone_and_nothing_flows_without_a_hand(
    step: str, heating: Bench,
) -> None:
    bench = left_in(heating, step)
    assert bench.state == ("running" if step in ALONE else "held")
    for _ in range(60):
        bench.tick()
        assert not flows(bench)
    if step in ALONE:
        assert bench.state == "running"
        return
    process = bench.controller.state.process
    assert (bench.state, bench.step, process.why) == ("held", step, "the power went")
    bench.press("green")
    assert bench.state == "held", "a short press is not enough"
    bench.buttons["green"] = True
    for _ in range(70):
        bench.tick()
        if bench.state == "running":
            break
    assert (bench.state, bench.step) == ("running", GOES_ON_IN.get(step, step))


@pytest.mark.parametrize("state", sorted(set(RUNNING_STATES) - {"running"}))
@pytest.mark.parametrize("step", ["heat.warm", "settle.first"])
def test_what_was_on_its_way_to_another_state_is_held(
    step: str, state: str, heating: Bench,
) -> None:
    assert left_in(heating, step, state).state == "held"


@pytest.mark.parametrize("state", ["idle", "held", "aborted", "stopped", "complete"])
def test_what_stood_stays_as_it_was(state: str, heating: Bench) -> None:
    bench = left_in(heating, "heat.warm", state)
    assert bench.state == state
    assert not any(flows(bench) for _ in range(60) if bench.tick())
