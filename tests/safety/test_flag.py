"""The methanol flag beside the guard's own: in doubt set, said why, and no trip for a silence."""

from __future__ import annotations

import pytest

from esterward.safety import flag as methanol
from esterward.safety.flag import (
    GUARD_SAYS_SET,
    NOT_FOLLOWED,
    NOT_STORED,
    FlagState,
)
from esterward.safety.limits import FLAG_FOLLOWS_S, FLAG_STORED_S, FLAGS_APART_S
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
    assert step(flag, round(FLAG_STORED_S) + 1, stored=0) == [NOT_STORED]
    assert flag.set and not flag.clear_number


def test_a_guard_that_does_not_follow_a_clearing_is_said_before_the_two_disagree() -> None:
    flag = cleared()
    assert FLAG_FOLLOWS_S < FLAGS_APART_S
    assert step(flag, round(FLAG_FOLLOWS_S) - 1, guard_flag=True) == [] and not flag.set
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


def events(flag: FlagState, *, dt_s: float = 1.0, arming: bool = False, gesture: bool = False,
           stored: int = 0, guard_flag: bool | None = False) -> list[str]:
    """One tick after 20 events of before; gives kind and text of what is noted."""
    log = EventLog(20, 0.0)
    methanol.step(flag, log, dt_s=dt_s, arming=arming, gesture=gesture, evidence="seen",
                  stored=stored, guard_flag=guard_flag)
    return [" ".join((event.kind, *map(str, event.data.values()))) for event in log.events]


def test_unknown_means_set_and_nothing_is_on_its_way() -> None:
    assert FlagState() == FlagState(set=True, number=0, clear_number=0, clear_age_s=0.0,
                                    apart_s=0.0, followed=True)


def test_the_gesture_clears_once_its_event_is_on_disk_and_not_before() -> None:
    flag = FlagState()
    assert events(flag, gesture=True) == ["flag_cleared seen"] and flag.clear_number == 21
    assert events(flag, gesture=True, stored=20) == [] and flag.set, "and is taken down once"
    assert events(flag, stored=21) == [] and not flag.set
    assert not flag.clear_number and not events(flag, gesture=True), "clear is clear"


def test_a_clearing_has_ten_seconds_to_be_stored_from_its_own_gesture_on() -> None:
    for _ in range(2):
        flag = FlagState(clear_age_s=9.0)
        events(flag, gesture=True)
        assert events(flag, dt_s=10.0) == [] and flag.clear_number
        assert events(flag, dt_s=0.25) == ["flag_set", "note " + NOT_STORED]
        assert flag.set and not flag.clear_number


def test_arming_sets_a_clear_flag_once_and_says_by_which_event_it_is_stored() -> None:
    flag = FlagState(set=False)
    assert events(flag, arming=True) == ["flag_set"] and flag.set and flag.number == 21
    assert events(flag, arming=True) == []


def test_arming_overtakes_a_clearing_that_is_stored_in_this_very_moment() -> None:
    flag = FlagState()
    events(flag, gesture=True)
    assert events(flag, arming=True, stored=21) == ["flag_set"]
    assert flag.set and not events(flag, stored=99)


def test_without_a_gesture_or_arming_nothing_changes() -> None:
    for is_set in (True, False):
        flag = FlagState(set=is_set)
        assert events(flag, stored=99) == [] and flag.set is is_set


@pytest.mark.parametrize("guard_flag", [True, None])
def test_a_guard_has_four_seconds_to_follow_and_ten_to_be_heard(guard_flag: bool | None) -> None:
    flag = FlagState(set=False, followed=False)
    limit_s = 10.0 if guard_flag is None else 4.0
    assert events(flag, dt_s=limit_s, guard_flag=guard_flag) == [] and not flag.set
    why = GUARD_SAYS_SET if guard_flag is None else NOT_FOLLOWED
    assert events(flag, dt_s=0.25, guard_flag=guard_flag) == ["flag_set", "note " + why]
    assert (flag.set, flag.apart_s, flag.followed) == (True, 0.0, True)


def test_a_guard_that_says_clear_has_followed_and_its_silence_counts_anew() -> None:
    flag = FlagState(set=False, followed=False)
    events(flag, dt_s=9.0, guard_flag=None)
    events(flag)
    assert flag.followed and flag.apart_s == 0.0
    assert events(flag, dt_s=9.0, guard_flag=None) == []
    assert events(flag, guard_flag=True) == ["flag_set", "note " + GUARD_SAYS_SET]


def test_while_set_what_the_guard_says_changes_nothing_but_a_clear_counts_as_following() -> None:
    flag = FlagState(followed=False, apart_s=3.0)
    assert events(flag, guard_flag=True) == [] and (flag.followed, flag.apart_s) == (False, 0.0)
    assert events(flag, guard_flag=None) == [] and not flag.followed
    assert events(flag, guard_flag=False) == [] and flag.followed


@pytest.mark.parametrize("is_set", [True, False])
def test_a_restart_forgets_a_clearing_on_its_way_and_believes_the_guard_at_once(
    is_set: bool,
) -> None:
    flag = FlagState(set=is_set, number=5, clear_number=7, clear_age_s=2.0, apart_s=3.0,
                     followed=False)
    flag.restarted()
    assert flag == FlagState(set=is_set, number=5)


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
