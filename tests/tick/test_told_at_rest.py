"""With nothing energised: what ends the way on by button, or a wait, is told all the same."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from esterward.process.prompts import PROMPTS
from esterward.safety.flag import NOT_STORED
from esterward.safety.gaps import Gaps
from esterward.safety.interlocks import INTERLOCKS
from esterward.values.readings import ProbeReading
from esterward.values.requests import Request
from harness import Bench
from steps import to_dose_gate, to_sheet


def _silent(bench: Bench) -> None:
    bench.guard_at_s = bench.now_s


def _unwritten(bench: Bench) -> None:
    bench.record_fault = "the disk with the record is full"


def _supply_low(bench: Bench) -> None:
    bench.supply_low = True


def _gone(which: str) -> Callable[[Bench], None]:
    def make_bad(bench: Bench) -> None:
        setattr(bench, which, ProbeReading(None, bench.now_s + 0.5, "unplugged"))
    return make_bad


def _gap_after_gap(counter: str) -> Callable[[Bench], None]:
    """So much of it as is told; how it comes to that: test_gap_after_gap.py."""
    return lambda bench: setattr(bench.controller.state.safety, counter, Gaps(10.0, True))


TOLD = {"guard-silent": _silent, "record": _unwritten, "probe-a": _gone("probe_a"),
        "probe-b": _gone("probe_b"), "supply-low": _supply_low,
        "probe-a-slow": _gap_after_gap("gaps_a"), "probe-b-slow": _gap_after_gap("gaps_b"),
        "controller-late": _gap_after_gap("gaps_ticks")}


WARM_C = {"cool.stand": 55.4, "settle.first": 40.0, "wash.statement": 30.0}


def at_rest(step: str) -> Bench:
    """In idle, or in a step that wants nothing, warm enough to stay there."""
    bench = Bench()
    bench.ticks(3)
    if step == "cool.stand":
        bench.to_idle_ready()  # with the flag clear
    if step != "idle":
        bench.set_oil(WARM_C[step])
        bench.controller.state.process.step = step
        bench.controller.state.process.state = "running"
        bench.controller.state.process.asked = ""
    bench.ticks(20)
    assert bench.controller.state.safety.alarms == {}
    assert step in ("idle", bench.step)
    return bench


@pytest.mark.parametrize("step", ["idle", "cool.stand", "settle.first"])
@pytest.mark.parametrize("code", TOLD)
def test_it_is_told_with_the_horn_and_nothing_is_held(code: str, step: str) -> None:
    bench = at_rest(step)
    before = bench.state
    TOLD[code](bench)
    bench.ticks(75)
    safety = bench.controller.state.safety
    assert list(safety.alarms) == [code] and bench.controller.outputs.horn
    assert bench.state == before and safety.latches == [], "a wait goes on"


def test_while_the_record_stores_nothing_no_stage_begins_but_a_wait_goes_on() -> None:
    bench = at_rest("settle.first")
    _unwritten(bench)
    timers = bench.controller.state.process.timers
    timers.settled_s = bench.batch.settle_h * 3600.0 - 30.0
    bench.ticks(60)
    assert timers.settled_s > bench.batch.settle_h * 3600.0
    assert bench.step.startswith("settle.") and bench.state == "running"
    bench.press("green")
    assert bench.step.startswith("settle.")
    bench.record_fault = ""
    bench.ticks(2)
    assert bench.step == "drain.last", "and goes on once it does"


@pytest.mark.parametrize("broken", ["says so", "is silent"])
def test_while_the_record_stores_nothing_no_batch_begins_and_it_is_said(broken: str) -> None:
    bench = Bench()
    bench.to_idle_ready()
    if broken == "says so":
        _unwritten(bench)
        bench.ticks(12)
    else:
        bench.stores = False
        bench.press("blue")
        bench.tick((Request("r", "acknowledge", "local"),))
        bench.ticks(12)
    bench.hold_green()
    bench.ticks(6)
    assert bench.state == "idle"
    assert "the record cannot store" in str(
        [event for event in bench.events if event.kind == "note"][-1].data["text"])


@pytest.mark.parametrize("code", TOLD)
def test_without_its_row_nobody_would_be_told(code: str) -> None:
    bench = at_rest("cool.stand").copy(tuple(row for row in INTERLOCKS if row.code != code
                                             or row.when in ("energised", "heating")))
    TOLD[code](bench)
    bench.ticks(75)
    assert bench.controller.state.safety.alarms == {}


def test_the_washed_statement_ends_only_once_the_guard_too_has_cleared_its_flag() -> None:
    bench = at_rest("wash.statement")
    bench.guard_changes["flag"] = True
    bench.press("green", "blue", seconds=6)
    assert not bench.controller.state.flag.set, "cleared here"
    bench.ticks(1)
    assert bench.step == "wash.statement" and bench.controller.state.process.asked == "washed"
    bench.guard_changes.clear()
    bench.ticks(2)
    assert bench.step == "dry.run"


def test_a_clearing_in_idle_that_is_not_stored_says_why_and_raises_the_alarm() -> None:
    bench = Bench()
    bench.ticks(3)
    bench.stores = False
    bench.press("green", "blue", seconds=6)
    bench.ticks(15)
    assert NOT_STORED in [event.data.get("text") for event in bench.events]
    assert "record" in bench.controller.state.safety.alarms and bench.controller.outputs.horn


def test_not_yet_dries_without_heat_and_still_wet_asks_for_the_methanol_again() -> None:
    bench = at_rest("wash.statement")
    bench.level_wet = True
    bench.press("green")  # somebody is there
    bench.controller.state.process.methanol_in = True
    bench.press("blue")
    assert bench.step == "dry.run" and bench.controller.state.flag.set
    bench.ticks(30)
    assert not bench.controller.outputs.k1
    bench.controller.state.process.step = "dry.ask"
    bench.ticks(3)
    bench.press("blue")
    bench.ticks(3)
    assert (bench.step, bench.controller.state.process.asked) == ("dry.statement", "washed")
    bench.press("green", "blue", seconds=6)
    bench.ticks(5)
    assert bench.step == "dry.run" and not bench.controller.state.flag.set
    assert not bench.controller.state.process.methanol_in
    bench.controller.state.process.step = "dry.ask"
    bench.ticks(3)
    bench.press("blue")
    assert bench.step == "dry.run", "with the flag clear wet means only wet"


def test_a_gate_answered_but_not_stored_lapses_when_its_question_closes() -> None:
    bench = Bench()
    bench.to_heating()
    to_dose_gate(bench)
    bench.stores = False
    bench.press("green", seconds=2)
    assert bench.controller.state.process.gate_number and bench.step == "dose.gate"
    bench.override["mixer_proof"] = False
    bench.tick()
    assert bench.controller.state.process.asked == ""
    del bench.override["mixer_proof"]
    bench.tick()
    assert bench.controller.state.process.asked == "dose_gate", "asked again"
    bench.stores = True
    bench.ticks(5)
    assert bench.step == "dose.gate", "the answer of before does not open it"


def test_a_blue_press_begun_before_an_alarm_neither_acknowledges_it_nor_says_no() -> None:
    bench = Bench()
    bench.to_heating()
    to_sheet(bench)
    bench.buttons["blue"] = True
    bench.ticks(2)
    bench.controller.state.safety.record_fault_s = 9.9
    bench.record_fault = "the disk with the record is full"
    bench.ticks(2)
    assert bench.controller.state.safety.alarms
    bench.buttons["blue"] = False
    bench.ticks(2)
    assert not any(entry.acknowledged for entry in bench.controller.state.safety.alarms.values())
    bench.press("blue")
    assert all(entry.acknowledged for entry in bench.controller.state.safety.alarms.values())


def test_a_question_is_not_asked_anew_by_what_changes_none_of_its_words() -> None:
    bench = Bench()
    bench.ticks(3)
    opened = bench.kinds().count("prompt_opened")
    assert bench.controller.state.process.asked in PROMPTS
    bench.tick((Request("g", "observe", "local", "glycerol_l", 2.0),))
    bench.ticks(3)
    assert bench.kinds().count("prompt_opened") == opened
