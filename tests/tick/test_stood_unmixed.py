"""Oil that stood unmixed half reacted is doubtful: said when mixing goes on, and at the check.

That it parts within about half an hour is common practice, no source.
"""

from __future__ import annotations

import pytest

import remote_messages
from esterward.process.mixing import UNMIXED_S
from esterward.process.stages import STEPS
from esterward.status import status_of
from harness import Bench

SAID = "it stood unmixed for {} min: the reaction is doubtful, trust only the check"


def mixing(credit_s: float = 1800.0) -> Bench:
    bench = remote_messages.in_step("mix.run")
    timers = bench.controller.state.process.timers
    timers.credit_s = timers.mixed_s = credit_s
    bench.events.clear()
    assert bench.controller.outputs.mixer
    return bench


def notes(bench: Bench) -> list[str]:
    return [str(e.data["text"]) for e in bench.events if e.kind == "note"]


def held(bench: Bench, seconds: int) -> None:
    """Black, so many seconds without the mixer, and on again."""
    bench.press("black")
    bench.ticks(seconds)
    bench.hold_green()
    bench.ticks(60)
    assert bench.state == "running" and bench.controller.outputs.mixer


def stalled(bench: Bench, seconds: int) -> None:
    """The pump stops proving itself, which latches; it is mended and reset."""
    bench.override["mixer_proof"] = False
    bench.ticks(seconds)
    assert bench.state == "held"
    del bench.override["mixer_proof"]
    bench.press("blue")
    bench.press("blue", seconds=6)
    bench.hold_green()
    bench.ticks(60)
    assert bench.state == "running" and bench.controller.outputs.mixer


def asked(bench: Bench) -> str:
    """The conversion check, asked as it is now."""
    timers = bench.controller.state.process.timers
    timers.credit_s = timers.mixed_s = 3600.0
    bench.ticks(3)
    assert bench.step == "check.ask"
    return status_of(bench.controller, bench.now_s).prompt_text


@pytest.mark.parametrize("how", [held, stalled])
def test_after_more_than_half_an_hour_it_is_said_once_and_at_the_check(how: object) -> None:
    bench = mixing()
    before_s = bench.controller.state.process.timers.credit_s
    how(bench, 2400)  # type: ignore[operator]
    assert notes(bench) == [SAID.format(40)]
    kept_s = bench.controller.state.process.timers.credit_s
    assert before_s < kept_s < before_s + 90.0, "what was earned is kept: decision 015"
    bench.ticks(120)
    assert asked(bench.copy()).startswith("I" + SAID.format(40)[1:] + ". Conversion check (")
    how(bench, 60)  # type: ignore[operator]
    assert notes(bench) == [SAID.format(40)] and SAID.format(40)[1:] in asked(bench)


@pytest.mark.parametrize("how", [held, stalled])
def test_after_less_nothing_is_said(how: object) -> None:
    bench = mixing()
    how(bench, 1700)  # type: ignore[operator]
    assert notes(bench) == [] and asked(bench).startswith("Conversion check (")


def test_two_short_stands_are_no_long_one() -> None:
    bench = mixing()
    held(bench, 1200)
    held(bench, 1200)
    assert notes(bench) == [] and asked(bench).startswith("Conversion check (")


def test_a_hang_counts_in_full_although_it_earns_nothing() -> None:
    bench = mixing()
    bench.press("black")
    bench.tick(dt_s=3600.0)
    timers = bench.controller.state.process.timers
    assert timers.unmixed_s is not None and timers.unmixed_s >= 3600.0


def test_at_the_check_a_stand_is_asked_about_anew() -> None:
    bench = mixing()
    assert asked(bench).startswith("Conversion check (")
    held(bench, 2400)
    assert status_of(bench.controller, bench.now_s).prompt_text.startswith("It stood unmixed for 4")


def test_where_the_pump_rests_at_the_check_because_it_is_warm_the_doubt_is_asked_about() -> None:
    bench = mixing()
    assert asked(bench).startswith("Conversion check (")
    limits = bench.controller.limits
    assert limits is not None
    bench.set_oil(limits.setpoint_max_c + 0.5)
    bench.warms = False
    bench.ticks(900)
    assert not bench.controller.outputs.mixer, "it rests by plan"
    bench.hold_green()  # answers nothing here, but somebody is there
    timers = bench.controller.state.process.timers
    while (timers.unmixed_s or 0.0) < UNMIXED_S - 0.6:
        bench.tick()
        assert status_of(bench.controller, bench.now_s).prompt_text.startswith("Conversion check (")
    bench.buttons["green"] = True
    bench.tick()
    text = status_of(bench.controller, bench.now_s).prompt_text
    assert text.startswith("It stood unmixed for 30 min: the reaction is doubtful")
    bench.buttons["green"] = False
    bench.ticks(5)
    assert bench.step == "check.ask", "a press begun on the old words answers nothing"
    bench.press("green")
    assert bench.step == "settle.first"


def test_the_next_dose_begins_its_own_mixing_and_its_own_doubt() -> None:
    bench = remote_messages.in_step("dose.pour")
    timers = bench.controller.state.process.timers
    timers.unmixed_s, timers.stood_s = None, 2400.0
    bench.press("green")
    assert bench.step == "mix.run" and notes(bench) == []
    assert timers.unmixed_s == timers.stood_s == 0.0


@pytest.mark.parametrize("step", ["heat.warm", "dose.gate", "wash.stir", "dry.run"])
def test_nowhere_else_does_standing_matter(step: str) -> None:
    assert STEPS[step].mixer
    bench = remote_messages.in_step(step)
    bench.press("black")
    bench.ticks(2400)
    assert bench.controller.state.process.timers.unmixed_s == 0.0


def test_no_restart_forgets_a_stand() -> None:
    bench = mixing()
    bench.press("black")
    bench.ticks(1300)
    process = bench.controller.state.process
    process.stood_still(600.0)
    bench = bench.copy()
    bench.controller.restarted("the power went", bench.controller.state.last_event)
    bench.ticks(5)
    bench.hold_green()
    bench.ticks(60)
    assert notes(bench)[-1] == SAID.format(32)


def test_a_stand_nobody_timed_is_doubtful_and_outlives_the_record() -> None:
    bench = mixing()
    bench.controller.state.process.stood_still(None)
    bench.controller.restarted("the power went", bench.controller.state.last_event)
    bench = bench.copy()
    bench.ticks(5)
    bench.controller.state.process.stood_still(5.0)
    bench.hold_green()
    bench.ticks(60)
    assert notes(bench)[-1].startswith("it stood unmixed for how long nobody knows: the reaction")
    assert asked(bench.copy()).startswith("It stood unmixed for how long nobody knows: the reac")
