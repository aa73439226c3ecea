"""The guard's rule by itself: which readings of probe B it believes, and for how long."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from esterward.chemistry import boiling
from esterward.guard import rule
from esterward.values.readings import ProbeReading
from rule_bench import REACTOR, Bench


@pytest.mark.parametrize("c", [None, math.nan, math.inf, -math.inf, -20.01, 125.01, 57.0])
def test_an_unbelievable_probe_b_is_bridged_for_less_than_five_seconds(
    c: float | None,
) -> None:
    bench = Bench()
    bench.cycle()
    bench.c = c
    seconds_on = 0.0
    while bench.cycle().enable:
        seconds_on += 0.25
        assert seconds_on <= 4.25
        if c == 57.0 and seconds_on >= 1.0:
            break  # three agreeing conversions after a step are believed
    assert c == 57.0 or bench.state.latches == ["probe"]


def test_a_probe_that_stands_still_in_time_is_stale() -> None:
    bench = Bench()
    bench.probe = ProbeReading(50.0, bench.now_s)
    assert bench.cycle(17).enable
    assert not bench.cycle(1).enable


def test_one_stamp_of_probe_b_from_the_future_does_not_deafen_the_guard_to_the_next() -> None:
    bench = Bench()
    bench.probe = ProbeReading(54.0, bench.now_s + 3600.0)
    bench.cycle(4)
    assert bench.state.good_c == 50.0, "not believed"
    bench.probe = None
    assert bench.cycle(40).enable and bench.state.latches == []


def believed(*readings: float) -> float | None:
    """What the guard holds for true after these conversions, from 50 degC."""
    bench = Bench()
    for c in readings:
        bench.c = c
        bench.cycle()
    return bench.state.good_c


def test_a_step_is_believed_once_three_conversions_agree_and_never_when_they_do_not() -> None:
    assert believed(50.0, 55.0) == 55.0
    bench = Bench()
    for _ in range(rule.PROBE_CONFIRM - 1):
        bench.c = 55.125
        bench.cycle()
        assert bench.state.good_c == 50.0
    bench.cycle()
    assert bench.state.good_c == 55.125
    bench = Bench()
    for c in (60.0, 70.0, 60.0, 70.0, 60.0, 70.0):
        bench.c = c
        bench.cycle()
    assert bench.state.good_c == 50.0


def test_one_wild_conversion_seen_in_many_cycles_confirms_nothing_three_that_agree_do() -> None:
    bench = Bench()
    bench.probe = ProbeReading(57.0, bench.now_s + 0.25)
    bench.cycle(12)
    assert bench.state.good_c == 50.0
    bench.probe, bench.c = None, 57.0
    bench.cycle()
    assert bench.state.good_c == 50.0
    bench.cycle()
    assert bench.state.good_c == 57.0


@pytest.mark.parametrize(("c", "taken"), [
    (-20.0, True), (-20.0625, False), (125.0, True), (125.0625, False), (math.nan, False)])
def test_the_ends_of_the_believable_range_belong_to_it(c: float, taken: bool) -> None:
    state = rule.GuardState()
    rule._take_probe(state, ProbeReading(c, 10.0), 10.0)
    assert (state.good_c == c) is taken


@pytest.mark.parametrize(("correction_k", "enable"), [(1.0, False), (0.4, True), (-1.0, True)])
def test_a_correction_of_probe_b_counts_towards_its_limit_and_only_upward(
    correction_k: float, enable: bool,
) -> None:
    bench = Bench(replace(REACTOR, probe_b_correction_k=correction_k))
    bench.c = boiling.CLEAR_GUARD_TRIP_C - 0.5
    assert bench.cycle(4).enable is enable
    assert bench.state.latches == ([] if enable else ["over-limit"])
