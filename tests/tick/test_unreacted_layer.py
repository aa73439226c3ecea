"""The unreacted layer of the conversion check: who may tell it, when, and what is made of it."""

from __future__ import annotations

import pytest

import remote_messages
from esterward.chemistry.charge import second_dose
from esterward.process.stages import STEPS
from esterward.status import status_of
from esterward.values.requests import Request
from harness import Bench

ASKED = ("check.ask", "methoxide.second")


def tell(bench: Bench, layer_ml: float, source: str = "local") -> str:
    """Why it was refused, "" when it was taken."""
    bench.events.clear()
    bench.tick((Request(f"t{bench.now_s}", "observe", source, "unreacted_ml", layer_ml),))
    refused = [str(e.data["why"]) for e in bench.events if e.kind == "request_refused"]
    bench.ticks(2)
    return refused[0] if refused else ""


def text(bench: Bench) -> str:
    return status_of(bench.controller, bench.now_s).prompt_text


def dose_for(bench: Bench, layer_ml: float) -> str:
    sheet = bench.controller.sheet
    assert sheet.catalyst is not None and sheet.methanol is not None
    dose = second_dose(layer_ml, sheet.oil_l, sheet.catalyst, sheet.methanol)
    return f"{dose.mass_g:.0f} g of KOH into {dose.methanol_l:.1f} L of methanol"


def second_asked(bench: Bench) -> str:
    """Blue at the check; what is asked for then."""
    bench.press("blue")
    assert bench.step == "methoxide.second"
    bench.ticks(2)
    return text(bench)


def again_at_the_check(bench: Bench) -> None:
    """The second dose goes in and is mixed."""
    bench.controller.state.process.step = "dose.pour"
    bench.ticks(2)
    bench.press("green")
    assert bench.step == "mix.run"
    timers = bench.controller.state.process.timers
    timers.credit_s = timers.mixed_s = 3600.0
    bench.ticks(3)
    assert bench.step == "check.ask"


@pytest.mark.parametrize("step", STEPS)
def test_it_is_taken_at_the_machine_and_where_it_is_asked_for_only(step: str) -> None:
    bench = remote_messages.in_step(step)
    bench.controller.state.process.step = step
    assert "machine only" in tell(bench.copy(), 0.6, "mqtt")
    assert (tell(bench, 0.6) == "") == (step in ASKED)


def test_the_check_says_that_it_makes_the_second_dose_and_how_it_is_told() -> None:
    said = text(remote_messages.in_step("check.ask"))
    assert "layer" in said and "`esterward record add unreacted NUMBER mL`" in said


def test_what_was_told_at_the_check_is_what_the_second_dose_is_asked_for() -> None:
    bench = remote_messages.in_step("check.ask")
    assert tell(bench, 0.6) == ""
    said = second_asked(bench)
    assert f"for a layer of 0.6 mL: {dose_for(bench, 0.6)}. Try it in a jar" in said


def test_untold_it_is_a_trace_and_said_to_be_one() -> None:
    bench = remote_messages.in_step("check.ask")
    said = second_asked(bench)
    assert f"for a trace (0.3 mL), as no layer was told: {dose_for(bench, 0.3)}." in said


def test_more_than_a_quarter_is_said_to_have_another_cause() -> None:
    bench = remote_messages.in_step("check.ask")
    assert tell(bench, 0.75) == "" and "quarter" not in second_asked(bench.copy())
    assert tell(bench, 0.8) == ""
    said = second_asked(bench)
    assert "More than a quarter is unreacted, so something else was wrong" in said
    assert dose_for(bench, 0.8) in said


def test_no_layer_of_an_earlier_check_makes_a_later_dose() -> None:
    bench = remote_messages.in_step("check.ask")
    assert tell(bench, 1.5) == ""
    assert dose_for(bench, 1.5) in second_asked(bench)
    again_at_the_check(bench)
    assert "for a trace" in second_asked(bench.copy())
    assert tell(bench, 0.5) == "" and dose_for(bench, 0.5) in second_asked(bench)
