"""A flag set by a silence or a restart over hot oil trips; a person looks, answers, goes on.

At 1120 m the trip with the flag set is at 57.1 degC, and dewatering is warmer than that.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.guard import rule
from esterward.status import status_of
from esterward.values.readings import OPTIONAL_INPUTS
from esterward.values.requests import Request
from harness import BATCH, REACTOR, Bench, heating_bench

HOT = {"dewater.warm": 59.8, "dewater.stand": 59.8, "dewater.boil": 105.0, "cool.stand": 90.0,
       "heat.warm": 58.5, "dry.run": 62.0, "dry.ask": 62.0}


@pytest.fixture(scope="module")
def heating() -> Bench:
    bench = Bench(batch=replace(BATCH, dewater="settle"))
    bench.to_heating()
    return bench


def hot(heating: Bench, step: str) -> Bench:
    bench = heating.copy()
    bench.controller.state.process.step = step
    bench.set_oil(HOT[step])
    bench.ticks(2)
    assert (bench.state, bench.step) == ("running", step)
    assert bench.controller.state.safety.latches == bench.guard.latches == []
    return bench


def guard_starts(bench: Bench) -> None:
    """Its first cycle is before the controller's first message."""
    bench.guard = rule.read_file(rule.file_text(bench.guard))
    message, bench.message = bench.message, None
    bench.guard_cycles(0.25)
    bench.message = message
    bench.ticks(20)


def controller_starts(bench: Bench) -> None:
    bench.controller = bench.copy().controller
    bench.controller.restarted("power came back", bench.controller.state.last_event)
    bench.now_s += 6.0
    bench.guard_cycles()
    bench.ticks(20)


def estop_too(bench: Bench) -> None:
    """What a person does when a trip sounds that nobody can explain."""
    guard_starts(bench)
    bench.override["estop_closed"] = False
    bench.ticks(15)
    del bench.override["estop_closed"]
    bench.ticks(3)
    assert bench.controller.state.safety.latches == ["over-trip", "e-stop"]


DOUBTS = {"guard": guard_starts, "controller": controller_starts, "e-stop": estop_too}


def do_what_is_asked(bench: Bench, seconds: float = 120.0) -> list[str]:
    """Follow the words of the status with hands alone until it runs; gives what was asked."""
    asked, end_s = [], bench.now_s + seconds
    while bench.now_s < end_s and (bench.state != "running" or bench.guard.latches):
        status = status_of(bench.controller, bench.now_s)
        asked.append(status.prompt)
        if status.prompt == "washed":
            bench.press("green", "blue", seconds=6)
        elif status.prompt == "latch":
            bench.press("blue", seconds=6)
        else:
            bench.hold_green()
        bench.ticks(2)
    return asked


@pytest.mark.parametrize("doubt", DOUBTS)
@pytest.mark.parametrize("step", HOT)
def test_a_doubt_over_hot_oil_is_answered_at_once_and_not_after_hours_of_cooling(
    step: str, doubt: str, heating: Bench,
) -> None:
    bench = hot(heating, step)
    DOUBTS[doubt](bench)
    safety, flag = bench.controller.state.safety, bench.controller.state.flag
    assert flag.set and bench.guard.flag, "in doubt set"
    assert safety.latches[:1] == ["over-trip"] and bench.guard.latches[:1] == ["over-limit"]
    assert bench.state in ("held", "aborted") and not bench.controller.outputs.k2_wanted
    text = status_of(bench.controller, bench.now_s).prompt_text
    assert text.startswith("The oil is at or above the trip limit.")
    assert "Is all methanol out of the vessel?" in text and "answer this first" in text
    bench.press("green")
    bench.press("blue", seconds=6)
    assert flag.set and safety.latches[:1] == ["over-trip"], "half the gesture is none"
    asked = do_what_is_asked(bench)
    assert asked[:2] == ["washed", "latch"] and asked.count("washed") == 1, asked
    assert not flag.set and not bench.guard.flag
    assert safety.latches == bench.guard.latches == []
    assert (bench.state, bench.step) == ("running", step)
    bench.ticks(20)
    assert (bench.state, bench.controller.state.safety.latches) == ("running", [])


def test_oil_over_the_limit_without_methanol_too_stays_tripped_after_the_answer(
    heating: Bench,
) -> None:
    bench = hot(heating, "dewater.boil")
    guard_starts(bench)
    bench.set_oil(114.0)
    bench.press("green", "blue", seconds=6)
    bench.ticks(3)
    assert not bench.controller.state.flag.set
    bench.press("blue", seconds=6)
    assert bench.controller.state.safety.latches[:1] == ["over-trip"]
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt == "latch" and "methanol" not in status.prompt_text
    assert not bench.controller.outputs.k2_wanted


@pytest.mark.parametrize("step", ["mix.run", "dry.run"])
def test_from_the_dose_to_the_statement_the_flag_is_the_truth_and_nothing_asks(
    step: str, heating: Bench,
) -> None:
    bench = heating.copy()
    bench.controller.state.process.step, bench.controller.state.process.methanol_in = step, True
    bench.controller.state.flag.set = bench.guard.flag = True
    bench.set_oil(58.5)
    bench.ticks(20)
    assert bench.controller.state.safety.latches == ["over-trip"] and bench.state == "held"
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt == "latch" and "Is all methanol" not in status.prompt_text
    bench.press("green", "blue", seconds=6)
    bench.ticks(5)
    assert bench.controller.state.flag.set and bench.guard.flag


def test_a_bridged_second_cut_out_that_a_doubt_latched_is_answered_too() -> None:
    bench = heating_bench(OPTIONAL_INPUTS)
    bench.set_oil(54.0)
    bench.override["cutout2_closed"] = False  # the key bridges it while nothing is in
    bench.ticks(5)
    guard_starts(bench)
    assert bench.controller.state.safety.latches == ["cut-out-2"] and bench.state == "held"
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt == "washed" and "record reset cut-out-2 --why TEXT" in status.answers
    bench.press("green", "blue", seconds=6)
    bench.ticks(3)
    bench.press("blue", seconds=6)
    assert bench.controller.state.safety.latches == ["cut-out-2"], "it is one for a typed reason"
    bench.tick((Request("w", "reset", "local", "cut-out-2", text="bridged by its key"),))
    assert do_what_is_asked(bench) and bench.state == "running"
    assert not bench.controller.state.flag.set


def test_in_idle_too_a_latch_that_does_not_wait_for_the_flag_is_reset_first() -> None:
    bench = Bench()
    bench.ticks(3)
    assert status_of(bench.controller, bench.now_s).prompt == "washed"
    bench.override["estop_closed"] = False
    bench.ticks(3)
    del bench.override["estop_closed"]
    bench.ticks(3)
    assert status_of(bench.controller, bench.now_s).prompt == "latch"
    bench.press("green", "blue", seconds=6)
    bench.ticks(3)
    assert bench.controller.state.flag.set, "what is shown is what is answered"
    bench.press("blue", seconds=6)
    bench.ticks(3)
    assert status_of(bench.controller, bench.now_s).prompt == "washed"
    bench.press("green", "blue", seconds=6)
    bench.ticks(3)
    assert not bench.controller.state.flag.set


def test_a_first_start_without_any_limit_is_told_to_answer_the_question_first() -> None:
    bench = Bench(replace(REACTOR, altitude_m=None))
    bench.ticks(5)
    status = status_of(bench.controller, bench.now_s)
    assert bench.controller.state.safety.latches == ["over-trip"] and status.prompt == "washed"
    bench.press("green", "blue", seconds=6)
    bench.ticks(2)
    bench.press("blue", seconds=6)
    bench.ticks(2)
    assert bench.controller.state.safety.latches == bench.guard.latches == []


@pytest.mark.parametrize("step", ["dewater.stand", "cool.stand", "fill.check", "dose.off"])
def test_a_row_that_wants_no_heat_and_trips_nothing_goes_on_with_the_doubt_unasked(
    step: str, heating: Bench,
) -> None:
    bench = heating.copy()
    bench.set_oil(56.0)
    bench.controller.state.process.step = step
    guard_starts(bench)
    asked = bench.controller.state.process.asked
    assert bench.controller.state.flag.set and asked != "washed"
    bench.press("black")
    bench.ticks(4)
    assert bench.state == "held" and bench.controller.state.process.asked == "washed"
