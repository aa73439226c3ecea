"""The guard's rule by itself: its flag, its latches, and the file that both outlive it in."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from esterward.guard import rule
from rule_bench import Bench


@pytest.mark.parametrize("text", [None, "", "{", "[]", "null", '{"version": 1}',
                                  '{"version": 2, "flag": false, "latches": []}',
                                  '{"version": 1, "flag": 0, "latches": []}',
                                  '{"version": 1, "flag": false, "latches": ["invented"]}'])
def test_a_file_that_cannot_be_read_means_set_and_is_written_anew(text: str | None) -> None:
    state = rule.read_file(text)
    assert state.flag and state.unwritten
    assert state.latches == ([] if text is None else ["memory"])


def test_the_latch_of_an_unreadable_file_is_reset_by_hand_like_any_other() -> None:
    bench = Bench(flag=True)
    bench.state = rule.read_file("{")
    bench.message["k2_wanted"] = False
    bench.inputs = replace(bench.inputs, k2_open=True)
    bench.cycle(4)
    assert bench.state.latches == ["memory"]
    bench.press(6.0, "blue")
    assert bench.state.latches == []
    assert json.loads(bench.written[-1])["latches"] == []


def test_the_file_comes_back_as_it_was_written() -> None:
    state = rule.GuardState(flag=False, latches=["e-stop", "probe"])
    again = rule.read_file(rule.file_text(state))
    assert (again.flag, again.latches, again.unwritten) == (False, ["e-stop", "probe"], False)


def test_set_is_reported_only_once_it_is_on_disk() -> None:
    bench = Bench()
    bench.message.update(k1=False, flag=True, k2_wanted=False)
    bench.inputs = replace(bench.inputs, k1_open=True, k2_open=True)
    bench.stores = False
    assert not bench.cycle(20).report.flag
    bench.stores = True
    assert bench.cycle(2).report.flag
    assert json.loads(bench.written[-1])["flag"] is True


def test_the_file_is_never_written_with_k2_closed() -> None:
    bench = Bench()
    bench.message.update(k1=False, flag=True)
    bench.inputs = replace(bench.inputs, k1_open=True, k2_open=False)
    bench.cycle(20)
    assert bench.written == []


def test_silence_sets_the_flag() -> None:
    bench = Bench()
    bench.silent_since_s = bench.now_s - 3.0
    bench.cycle()
    assert bench.state.flag


def test_latches_survive_in_the_file_and_are_reset_one_at_a_time_with_the_cause_gone() -> None:
    bench = Bench()
    bench.inputs = replace(bench.inputs, estop_closed=False, cutout_closed=False)
    bench.cycle()
    bench.message.update(k1=False, k2_wanted=False)
    bench.inputs = replace(bench.inputs, k1_open=True, k2_open=True)
    bench.cycle(4)
    assert json.loads(bench.written[-1])["latches"] == ["e-stop", "cut-out"]
    bench.press(6.0, "blue")
    assert bench.state.latches == ["e-stop", "cut-out"]
    bench.inputs = replace(bench.inputs, estop_closed=True)
    bench.press(6.0, "blue")
    assert bench.state.latches == ["cut-out"]
    bench.inputs = replace(bench.inputs, cutout_closed=True)
    bench.message["k2_wanted"] = True
    assert not bench.cycle(4).enable, "a latch holds although its cause is gone"
    bench.press(6.0, "blue")
    assert bench.cycle(4).enable


def test_only_both_buttons_and_the_controllers_word_together_clear_the_flag() -> None:
    idle = {"k2_wanted": False, "k1": False}

    def fresh() -> Bench:
        bench = Bench(flag=True)
        bench.message.update(idle, flag=True)
        bench.inputs = replace(bench.inputs, k2_open=True)
        bench.cycle(4)
        return bench

    word_alone = fresh()
    word_alone.message["flag"] = False
    word_alone.cycle(80)
    assert word_alone.state.flag
    gesture_alone = fresh()
    gesture_alone.press(6.0, "green", "blue")
    gesture_alone.cycle(80)
    assert gesture_alone.state.flag
    too_late = fresh()
    too_late.press(6.0, "green", "blue")
    too_late.cycle(45)
    too_late.message["flag"] = False
    too_late.cycle(8)
    assert too_late.state.flag
    both = fresh()
    both.press(6.0, "green", "blue")
    both.message["flag"] = False
    assert not both.cycle(4).report.flag
    assert json.loads(both.written[-1])["flag"] is False, "and the file says so too"
