"""A probe or a controller with gap after gap, none of them long: told once, no flicker."""

from __future__ import annotations

from typing import Any

import pytest

from esterward.process.prompts import PROMPTS
from esterward.safety.gaps import Gaps
from esterward.values.readings import ProbeReading
from harness import Bench
from steps import to_dose_gate

GAPS = {"probe_a": "probe-a-slow", "probe_b": "probe-b-slow"}
WAITS = "both probes reading without gaps"


@pytest.fixture(scope="module")
def gate() -> Bench:
    """At the dosing gate, its question open."""
    bench = Bench()
    bench.to_heating()
    to_dose_gate(bench)
    bench.press("green")  # somebody is there
    assert bench.controller.state.process.asked == "dose_gate"
    return bench


@pytest.fixture(scope="module")
def rest() -> Bench:
    """Hot oil stands and cools: nothing is wanted."""
    bench = Bench()
    bench.to_idle_ready()
    bench.set_oil(55.4)
    process = bench.controller.state.process
    process.step, process.state, process.asked = "cool.stand", "running", ""
    bench.ticks(20)
    assert bench.step == "cool.stand" and bench.controller.state.safety.alarms == {}
    return bench


def slow(bench: Bench, which: str, seconds: int, each_s: int = 8) -> None:
    """A reading each so many seconds."""
    for second in range(seconds):
        if second % each_s == 0:
            setattr(bench, which, ProbeReading(round(bench.oil_c * 16) / 16, bench.now_s + 1.0))
        bench.tick()
    setattr(bench, which, None)


def said(bench: Bench, since: int, kind: str) -> list[Any]:
    return [event.data.get("code") or event.data.get("prompt")
            for event in bench.events[since:] if event.kind == kind]


def test_a_probe_read_each_eight_seconds_is_told_once_and_no_question_flickers(
    gate: Bench,
) -> None:
    bench = gate.copy()
    since = len(bench.events)
    slow(bench, "probe_a", 600)
    process = bench.controller.state.process
    assert said(bench, since, "alarm_raised") == ["probe-a-slow"]
    assert said(bench, since, "alarm_returned") == said(bench, since, "prompt_opened") == []
    assert len(bench.events) - since <= 3
    assert (bench.state, bench.step, process.asked) == ("running", "dose.gate", "")
    assert bench.controller.outputs.mixer and bench.controller.state.safety.latches == []
    assert WAITS in PROMPTS["dose_gate"].instead.format_map(bench.controller.words())
    bench.ticks(205)
    assert said(bench, since, "alarm_returned") == ["probe-a-slow"]
    assert said(bench, since, "prompt_opened") == ["dose_gate"], "once, when all is forgotten"
    assert len(bench.events) - since <= 5


@pytest.mark.parametrize("which", GAPS)
def test_at_rest_a_slow_probe_is_told_within_a_minute_and_nothing_is_held(
    which: str, rest: Bench,
) -> None:
    bench = rest.copy()
    since = len(bench.events)
    slow(bench, which, 60)
    assert list(bench.controller.state.safety.alarms) == [GAPS[which]]
    assert bench.controller.outputs.horn
    slow(bench, which, 600)
    assert said(bench, since, "alarm_raised") == [GAPS[which]]
    assert said(bench, since, "alarm_returned") == []
    assert bench.state == "running" and bench.controller.state.safety.latches == []


@pytest.mark.parametrize("each_s", [2, 3, 4])
def test_a_reading_each_four_seconds_or_oftener_is_no_gap(each_s: int, rest: Bench) -> None:
    bench = rest.copy()
    slow(bench, "probe_a", 300, each_s)
    safety = bench.controller.state.safety
    assert safety.alarms == {} and safety.gaps_a == Gaps()


@pytest.mark.parametrize("which", GAPS)
@pytest.mark.parametrize("gone_s", [1, 5, 9, 50])
def test_a_probe_gone_once_for_less_than_a_minute_is_not_told_at_rest(
    which: str, gone_s: int, rest: Bench,
) -> None:
    bench = rest.copy()
    slow(bench, which, gone_s, 1000)
    bench.ticks(10)
    assert bench.controller.state.safety.alarms == {}


@pytest.mark.parametrize("what", ["gap of A", "gap of B", "no reading of B"])
def test_the_gate_waits_for_either_probe_and_says_so(what: str, gate: Bench) -> None:
    bench = gate.copy()
    safety, process = bench.controller.state.safety, bench.controller.state.process
    if what == "no reading of B":  # here: the guard itself has one
        safety.probe_b.good_at_s = None
        bench.guard_changes["probe_b"] = ProbeReading(None, bench.now_s + 0.5, "lost")
    else:
        setattr(safety, "gaps_" + what[-1].lower(), Gaps(2.0))
    bench.tick()
    assert process.asked == ""
    assert bench.controller.words()["dose_waits"] == WAITS
    bench.hold_green()
    assert bench.step == "dose.gate"
    bench.guard_changes.clear()
    bench.ticks(45)
    assert process.asked == "dose_gate"


@pytest.mark.parametrize("each_s", [3.0, 20.0])
def test_a_controller_late_on_and_on_is_told_once_with_nothing_energised(
    each_s: float, rest: Bench,
) -> None:
    bench = rest.copy()
    since = len(bench.events)
    for _ in range(round(600.0 / each_s)):
        bench.tick(dt_s=each_s)
    assert said(bench, since, "alarm_raised") == ["controller-late"]
    assert said(bench, since, "alarm_returned") == [] and bench.controller.outputs.horn
    assert bench.state == "running" and bench.controller.state.safety.latches == []
    assert len(bench.events) - since <= 5
    bench.ticks(210)
    assert said(bench, since, "alarm_returned") == ["controller-late"]
    assert said(bench, since, "alarm_raised") == ["controller-late"]


@pytest.mark.parametrize("gap_s", [2.25, 60.0, 86400.0])
def test_a_controller_late_once_is_not_told_at_rest(gap_s: float, rest: Bench) -> None:
    bench = rest.copy()
    bench.tick(dt_s=gap_s)
    bench.ticks(60)
    assert bench.controller.state.safety.alarms == {}
