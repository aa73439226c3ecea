"""The methanol flag beside the guard's own: in doubt set, said why, and no trip for a silence."""

from __future__ import annotations

import pytest

from esterward.safety import flag as methanol
from esterward.safety.flag import CLEAR_S, FOLLOW_S, NOT_FOLLOWED, NOT_STORED, FlagState
from esterward.safety.limits import FLAGS_APART_S
from esterward.values.events import EventLog
from harness import Bench


def step(flag: FlagState, seconds: int = 1, *, arming: bool = False, gesture: bool = False,
         stored: int = 10**6, guard_flag: bool | None = False) -> list[str]:
    """So many ticks of a second; gives the notes."""
    log = EventLog(flag.number + flag.clear_number, 0.0)
    for _ in range(seconds):
        methanol.step(flag, log, dt_s=1.0, arming=arming, gesture=gesture, evidence="seen",
                      stored=stored, guard_flag=guard_flag)
    return [str(event.data["text"]) for event in log.events if event.kind == "note"]


def cleared() -> FlagState:
    """Cleared here; the guard has not been heard since."""
    flag = FlagState()
    step(flag, gesture=True, guard_flag=True)
    step(flag, guard_flag=True)
    assert not flag.set
    return flag


def test_a_clearing_that_cannot_be_stored_leaves_the_flag_set_and_says_why() -> None:
    flag = FlagState()
    step(flag, gesture=True, stored=0)
    assert step(flag, round(CLEAR_S) + 1, stored=0) == [NOT_STORED]
    assert flag.set and not flag.clear_number


def test_a_guard_that_does_not_follow_a_clearing_is_said_before_the_two_disagree() -> None:
    flag = cleared()
    assert FOLLOW_S < FLAGS_APART_S
    assert step(flag, round(FOLLOW_S) - 1, guard_flag=True) == [] and not flag.set
    assert step(flag, 1, guard_flag=True) == [NOT_FOLLOWED] and flag.set


def test_a_guard_that_followed_and_says_set_is_believed_at_once() -> None:
    flag = cleared()
    step(flag)
    assert not flag.set
    assert len(step(flag, guard_flag=True)) == 1 and flag.set


@pytest.mark.parametrize("followed", [True, False])
def test_a_guard_not_heard_for_ten_seconds_counts_as_one_that_says_set(followed: bool) -> None:
    flag = cleared()
    step(flag, guard_flag=False if followed else None)
    flag.apart_s = 0.0
    assert step(flag, 10, guard_flag=None) == [] and not flag.set
    assert len(step(flag, guard_flag=None)) == 1 and flag.set


def test_arming_overtakes_a_clearing_that_is_on_its_way_to_the_disk() -> None:
    flag = FlagState()
    step(flag, gesture=True, stored=0)
    assert flag.clear_number
    step(flag, arming=True)
    assert flag.set and not flag.clear_number
    step(flag, 5, arming=True)
    assert flag.set, "and nothing of it is left"


def test_a_controller_that_hung_for_three_seconds_meets_a_question_and_no_disagreement() -> None:
    bench = Bench()
    bench.to_heating()
    for _ in range(3):
        bench.now_s += 1.0
        bench.guard_cycles()
    assert bench.guard.flag
    bench.ticks(12)
    assert bench.controller.state.flag.set
    assert "guard-disagrees" not in bench.controller.state.safety.latches


def test_a_press_the_guard_did_not_see_clears_neither_flag_and_trips_nothing() -> None:
    bench = Bench()
    bench.ticks(3)
    bench.guard_changes["flag"] = True  # whatever it made of the press
    bench.press("green", "blue", seconds=6)
    bench.ticks(10)
    safety = bench.controller.state.safety
    assert bench.controller.state.flag.set and safety.latches == []
    assert NOT_FOLLOWED in [event.data.get("text") for event in bench.events]
    assert bench.controller.state.process.asked == "washed"
