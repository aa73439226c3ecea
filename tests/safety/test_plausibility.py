"""Which readings of a probe are believed, reading by reading.

The numbers are the design's own (safety/limits.py); no outside source tells how fast oil in such a
vessel may change between two conversions.
"""

from __future__ import annotations

from math import inf, nan

import pytest

from esterward.safety import limits
from esterward.safety.plausibility import ProbeJudge, age_s, judge, watch_stuck
from esterward.values.readings import NO_READING, ProbeReading

HELD_S = limits.PROBE_STUCK_S


def judged(*values: float | None) -> tuple[ProbeJudge, list[bool]]:
    """One conversion a second, from second 1 on."""
    state = ProbeJudge()
    return state, [judge(state, ProbeReading(c, float(s)), float(s))
                   for s, c in enumerate(values, start=1)]


def test_a_judge_that_saw_nothing_believes_nothing_and_says_so() -> None:
    state = ProbeJudge()
    assert (state.good_c, state.good_at_s, age_s(state, 5.0)) == (None, None, None)
    assert state.why == "no reading yet" and not state.stuck


def test_a_reading_that_never_came_leaves_no_stamp() -> None:
    state = ProbeJudge()
    assert not judge(state, NO_READING, 5.0)
    assert (state.newest_at_s, state.why) == (None, "no reading yet")


def test_a_good_reading_is_believed_with_its_own_stamp_and_ages_from_it() -> None:
    state = ProbeJudge(why="something old")
    assert judge(state, ProbeReading(54.0, 7.25), 8.0)
    assert (state.good_c, state.good_at_s, state.why) == (54.0, 7.25, "")
    assert age_s(state, 9.0) == 1.75


@pytest.mark.parametrize("c", [limits.PROBE_LOW_C, limits.PROBE_HIGH_C])
def test_both_ends_of_the_range_are_believed(c: float) -> None:
    assert judged(c)[1] == [True]


@pytest.mark.parametrize(("c", "words"), [
    (limits.PROBE_LOW_C - 0.0625, "-20.0625 degC is outside -20..125"),
    (limits.PROBE_HIGH_C + 0.0625, "125.062 degC is outside -20..125"),
    (nan, "nan degC is outside"), (inf, "inf degC"), (-inf, "-inf degC")])
def test_what_no_oil_has_is_refused_and_the_last_good_one_ages(c: float, words: str) -> None:
    state, taken = judged(54.0, c)
    assert taken == [True, False] and words in state.why
    assert (state.good_c, age_s(state, 3.0)) == (54.0, 2.0)


def test_a_missing_value_is_refused_in_the_words_of_the_reader() -> None:
    state = ProbeJudge()
    assert not judge(state, ProbeReading(None, 1.0, "the bus is shorted"), 1.0)
    assert state.why == "the bus is shorted"
    assert not judge(state, ProbeReading(None, 2.0), 2.0)
    assert state.why == "no value"


def test_one_conversion_counts_once() -> None:
    state = ProbeJudge()
    reading = ProbeReading(54.0, 1.0)
    assert [judge(state, reading, now_s) for now_s in (1.0, 1.25, 1.5)] == [True, False, False]
    assert not judge(state, ProbeReading(55.0, 0.5), 2.0), "and none from before it"
    assert state.good_c == 54.0


def test_a_refused_conversion_counts_once_too() -> None:
    state = ProbeJudge()
    judge(state, ProbeReading(54.0, 1.0), 1.0)
    step = ProbeReading(70.0, 2.0)
    for _ in range(limits.PROBE_CONFIRM + 2):
        assert not judge(state, step, 2.0)
    assert state.doubts == 1 and state.good_c == 54.0


@pytest.mark.parametrize(("early_s", "taken"), [(0.0, True), (0.1, True), (0.2, False),
                                                (nan, False), (inf, False)])
def test_a_stamp_from_the_future_is_no_reading(early_s: float, taken: bool) -> None:
    state = ProbeJudge()
    assert judge(state, ProbeReading(54.0, early_s), 0.0) is taken
    assert (state.why == "its time stamp is not of this moment") is not taken
    assert judge(state, ProbeReading(54.0, 3.0), 3.0), "and it blocks none that follows"


@pytest.mark.parametrize("step_k", [limits.PROBE_STEP_K, -limits.PROBE_STEP_K])
def test_a_step_that_oil_can_make_is_believed_at_once(step_k: float) -> None:
    assert judged(54.0, 54.0 + step_k)[1] == [True, True]


@pytest.mark.parametrize("step_k", [limits.PROBE_STEP_K + 0.0625, -limits.PROBE_STEP_K - 0.0625])
def test_a_step_is_believed_when_enough_conversions_agree(step_k: float) -> None:
    there_c = 54.0 + step_k
    state, taken = judged(54.0, *[there_c] * limits.PROBE_CONFIRM)
    assert taken == [True, *[False] * (limits.PROBE_CONFIRM - 1), True]
    assert (state.good_c, state.doubts, state.doubted_c) == (there_c, 0, None)


def test_a_refused_step_says_from_where_to_where() -> None:
    state, _ = judged(54.0, 70.0)
    assert state.why == "a step from 54 to 70 degC is not oil"


def test_steps_that_disagree_among_themselves_confirm_nothing() -> None:
    state, taken = judged(54.0, 70.0, 20.0, 70.0, 20.0, 70.0, 20.0)
    assert taken == [True] + [False] * 6 and state.good_c == 54.0


def test_those_that_confirm_may_differ_by_a_step_and_no_more() -> None:
    assert judged(54.0, 70.0, 75.0, 80.0)[1] == [True, False, False, True]
    assert judged(54.0, 70.0, 75.0625, 80.0)[1] == [True, False, False, False]
    assert judged(54.0, 80.0, 75.0, 70.0)[1] == [True, False, False, True]


def test_a_good_reading_in_between_begins_the_count_anew() -> None:
    state, taken = judged(54.0, 70.0, 70.0, 54.0, 70.0, 70.0)
    assert taken == [True, False, False, True, False, False] and state.doubts == 2


def watched(*pairs: tuple[float, float | None, float]) -> ProbeJudge:
    """own value, other value, second."""
    state = ProbeJudge()
    for c, other_c, now_s in pairs:
        judge(state, ProbeReading(c, now_s), now_s)
        watch_stuck(state, other_c, now_s)
    return state


MOVED_K = limits.PROBE_STUCK_K


@pytest.mark.parametrize("away_k", [MOVED_K, -MOVED_K])
def test_a_value_that_repeats_while_the_other_moved_is_stuck(away_k: float) -> None:
    assert watched((54.0, 50.0, 5.0), (54.0, 50.0 + away_k, 5.0 + HELD_S)).stuck


def test_the_others_way_counts_from_its_lowest_to_its_highest() -> None:
    half = MOVED_K / 2.0
    assert watched((54.0, 50.0, 0.0), (54.0, 50.0 - half, 20.0), (54.0, 50.0 + half, 40.0),
                   (54.0, 50.0, HELD_S)).stuck


@pytest.mark.parametrize("pairs", [
    ((54.0, 50.0, 5.0), (54.0, 50.0 + MOVED_K, 4.75 + HELD_S)),
    ((54.0, 50.0, 5.0), (54.0, 50.0 + MOVED_K - 0.0625, 5.0 + HELD_S)),
    ((54.0, 50.0, 5.0), (54.0625, 51.0, 30.0), (54.0625, 51.0 + MOVED_K, 29.75 + HELD_S)),
    ((54.0, 50.0, 5.0), (54.0625, 50.0 + MOVED_K, 5.0 + HELD_S)),
], ids=["too short", "the other hardly moved", "its own minute begins anew", "it moved itself"])
def test_less_than_that_is_not_stuck(pairs: tuple[tuple[float, float | None, float], ...]) -> None:
    assert not watched(*pairs).stuck


def test_what_moved_before_its_own_minute_began_does_not_count() -> None:
    assert not watched((54.0, 40.0, 0.0), (54.0625, 50.0, 5.0), (54.0625, 50.0, 5.0 + HELD_S)).stuck


def test_a_stuck_value_that_moves_again_is_stuck_no_more() -> None:
    pairs = [(54.0, 50.0, 0.0), (54.0, 50.0 + MOVED_K, HELD_S)]
    assert watched(*pairs).stuck
    assert not watched(*pairs, (54.0625, 50.0, HELD_S + 1.0)).stuck


def test_a_stuck_value_that_moves_while_nothing_mixes_is_stuck_no_more() -> None:
    """Then nobody compares; but its latch keeps the mixer off, and could never be reset."""
    state = watched((54.0, 50.0, 0.0), (54.0, 50.0 + MOVED_K, HELD_S))
    assert judge(state, ProbeReading(54.0, HELD_S + 1.0), HELD_S + 1.0) and state.stuck
    assert judge(state, ProbeReading(53.9375, HELD_S + 2.0), HELD_S + 2.0) and not state.stuck
    assert judge(state, ProbeReading(54.0, HELD_S + 3.0), HELD_S + 3.0)
    watch_stuck(state, 50.0 + MOVED_K, HELD_S + 3.0)
    assert not state.stuck, "back where it was, its minute begins anew"


def test_without_the_other_or_without_a_value_nothing_is_said() -> None:
    assert not watched((54.0, None, 0.0), (54.0, None, HELD_S)).stuck
    kept = watched((54.0, 50.0, 0.0), (54.0, 50.0 + MOVED_K, HELD_S), (54.0, None, HELD_S + 1.0))
    assert kept.stuck, "a silent other one takes nothing back"
    state = ProbeJudge()
    watch_stuck(state, 50.0, 0.0)
    assert state.same_since_s is None and not state.stuck
