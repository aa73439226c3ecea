"""Drying and stirring take the time in which something dries or stirs, and no other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.status import status_of
from esterward.values.readings import OPTIONAL_INPUTS
from harness import BATCH, Bench, heating_bench

FULL, SMALL = OPTIONAL_INPUTS, ()
SHORT = replace(BATCH, dry_min=5.0, wash_stir_min=5.0)


def worked(bench: Bench) -> float:
    return bench.controller.state.process.timers.worked_s


def begun(step: str, fitted: tuple[str, ...], flag: bool = False) -> Bench:
    bench = heating_bench(fitted).copy(batch=SHORT)
    process, state = bench.controller.state.process, bench.controller.state
    bench.set_oil(44.0)
    process.step = "settle.rest"
    bench.ticks(6)
    state.flag.set = process.methanol_in = bench.guard.flag = flag
    process.step, process.timers.step_s, process.timers.worked_s = step, 0.0, 0.0
    bench.warms = True
    bench.ticks(6)
    assert bench.controller.outputs.mixer
    return bench


@pytest.mark.parametrize("flag", [False, True])
@pytest.mark.parametrize("fitted", [FULL, SMALL])
@pytest.mark.parametrize(("step", "after"), [("dry.run", "dry.ask"), ("wash.stir", "wash.stand")])
def test_on_every_rig_it_ends_by_itself_with_and_without_heat(
    step: str, after: str, fitted: tuple[str, ...], flag: bool,
) -> None:
    bench = begun(step, fitted, flag)
    assert bench.controller.outputs.k1 == (step == "dry.run" and not flag)
    bench.ticks(285)
    assert bench.step == step
    bench.ticks(15)
    assert bench.step == after


@pytest.mark.parametrize("step", ["dry.run", "wash.stir"])
def test_an_open_lid_dries_nothing_and_stirs_nothing(step: str) -> None:
    bench = begun(step, FULL)
    before_s, left_s = worked(bench), status_of(bench.controller, bench.now_s).left_s
    bench.override["lid_closed"] = False
    bench.ticks(900)
    assert (bench.state, bench.step) == ("running", step) and worked(bench) <= before_s + 2.0
    assert "lid" in bench.controller.state.safety.alarms, "and it is told what is missing"
    shown_s = status_of(bench.controller, bench.now_s).left_s
    assert left_s is not None and shown_s == pytest.approx(left_s, abs=2.0)
    bench.override["lid_closed"] = True
    bench.ticks(345)
    assert bench.step != step, "shut again it goes on from there"


def test_what_comes_again_takes_its_whole_time_again() -> None:
    bench = begun("dry.run", SMALL)
    bench.ticks(300)
    assert bench.step == "dry.ask"
    bench.press("blue")
    assert bench.step == "dry.run" and worked(bench) < 5.0
