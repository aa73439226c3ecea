"""The effect checks one judgement at a time: ledger, windows, both sides of every threshold.

Thresholds are worked out here by hand from the shares in the head of safety/effects.py (kept by
hand in test_limits.py). Whole vessels are in test_effects.py and test_effects_by_plant.py.
"""

from __future__ import annotations

from math import inf, nan
from typing import Any

import pytest

from esterward.safety import effects
from esterward.safety.effects import (
    HALF_POWER,
    NO_RESPONSE,
    OVER_RESPONSE,
    WARMING_OFF,
    EffectState,
)

FIRST = [10.0, 8.0, 20.0, 50.0, 60.0, 0.5]  # paid_k, arrived_k, oil_c, on_s, age_s, loss_k
USUAL: dict[str, Any] = {"element_on": True, "oil_c": 20.0, "mixed": True, "power_w": 1863.54,
                         "volume_l": 100.0}  # 0.01 K/s


def after_first(paid: float, arrived: float, rise: float, on: float, age: float,
                loss: float) -> list[float]:
    return [now + then for now, then in zip((paid, arrived, rise, on, age, loss), FIRST,
                                            strict=True)]


def begun(**state: Any) -> EffectState:
    """In the middle of a window, with a verdict that only its end takes away."""
    return EffectState(**{
        "marks": [FIRST], "slow_marks": [FIRST], "half_marks": 2, "slow_code": HALF_POWER,
        "slow_count": 2, "best_share": 0.9, "paid_k": 10.0, "arrived_k": 8.0, "through_k": 9.0,
        "on_s": 50.0, "age_s": 60.0, "verdicts": (HALF_POWER,), **state})


def ended(state: EffectState) -> bool:
    return (state.marks, state.slow_marks, state.half_marks, state.slow_code, state.slow_count,
            state.verdicts) == ([], [], 0, "", 0, ())


def untouched(state: EffectState) -> bool:
    return (state.marks, state.slow_marks, state.half_marks, state.slow_code, state.slow_count,
            state.verdicts) == ([FIRST], [FIRST], 2, HALF_POWER, 2, (HALF_POWER,))


# -- a step ------------------------------------------------------------------------------------


def test_at_first_nothing_was_paid_seen_or_judged() -> None:
    state = EffectState()
    assert (state.paid_k, state.through_k, state.arrived_k, state.on_s, state.age_s, state.loss_k,
            state.off_s, state.best_share, state.off_stored_k, state.off_freed_k) == (0.0,) * 10
    assert ended(state) and state.coldest_c is None and state.off_base_c is None


def test_the_ledger_of_one_step_with_the_element_on() -> None:
    state = begun(off_s=7.0)
    effects.step(state, 2.0, **USUAL, loss_w=186.354)
    # 0.02 K paid; through += (10.02 - 9) * 2 / 92; arrived += (through - 8) * 2 / 62; 0.002 K lost
    assert state.paid_k == pytest.approx(10.02) and state.loss_k == pytest.approx(0.002)
    assert state.through_k == pytest.approx(9.0 + 2.04 / 92.0)
    assert state.arrived_k == pytest.approx(8.0 + (1.0 + 2.04 / 92.0) * 2.0 / 62.0)
    assert (state.on_s, state.off_s, state.age_s) == (52.0, 0.0, 62.0)


def test_the_ledger_of_one_step_with_the_element_off() -> None:
    state = begun(off_s=7.0)
    effects.step(state, 2.0, **{**USUAL, "element_on": False})
    assert (state.paid_k, state.on_s, state.off_s, state.age_s) == (10.0, 50.0, 9.0, 62.0)
    assert state.through_k == pytest.approx(9.0 + 2.0 / 92.0)


def test_without_a_word_there_is_no_loss_and_no_doubt_of_it() -> None:
    state = begun()
    effects.step(state, 2.0, **USUAL)
    assert state.loss_k == 0.0
    now = after_first(2.0, 1.5, 0.1875, 50.0, 50.0, 0.125)  # 0.31 K gained, 0.45 K would be well
    state = EffectState(paid_k=now[0], through_k=now[1], arrived_k=now[1], on_s=now[3],
                        age_s=now[4], loss_k=now[5], slow_marks=[now],
                        marks=[FIRST, *[after_first(1.5, 1.0, 0.1, 40.0, 40.0, 0.1)] * 4])
    assert effects.step(state, 0.0, **{**USUAL, "oil_c": now[2]}) == (NO_RESPONSE,)


@pytest.mark.parametrize(("dt_s", "gap"), [(0.0, False), (5.0, False), (5.0625, True),
                                           (-0.0625, True), (nan, True), (inf, True)])
def test_a_gap_ends_every_window_and_counts_nothing(dt_s: float, gap: bool) -> None:
    state = begun(off_base_c=19.0)
    verdicts = effects.step(state, dt_s, **{**USUAL, "oil_c": None})
    assert ended(state) is gap and untouched(state) is not gap
    assert verdicts == (() if gap else (HALF_POWER,)) and (state.off_base_c is None) is gap
    assert state.age_s == (60.0 if gap else 60.0 + dt_s)


@pytest.mark.parametrize(("name", "value", "known"), [
    ("power_w", 0.0, False), ("power_w", 1e6, False), ("power_w", nan, False),
    ("power_w", 999_999.0, True), ("power_w", 0.5, True), ("volume_l", 0.5, True),
    ("volume_l", 0.0, False), ("volume_l", 1e6, False),
    ("volume_l", nan, False), ("volume_l", 999_999.0, True), ("loss_w", -0.0625, False),
    ("loss_w", 1e6, False), ("loss_w", nan, False), ("loss_w", 0.0, True),
    ("loss_w", 999_999.0, True), ("loss_doubt", 0.9375, False), ("loss_doubt", 100.0, False),
    ("loss_doubt", nan, False), ("loss_doubt", 1.0, True), ("loss_doubt", 99.0, True)])
def test_heat_with_a_figure_that_cannot_be_is_no_response_and_changes_nothing(
    name: str, value: float, known: bool,
) -> None:
    for on in (True, False):
        state = EffectState()
        verdicts = effects.step(state, 1.0, **{**USUAL, name: value, "element_on": on})
        assert verdicts == ((NO_RESPONSE,) if on and not known else ())
        assert (state == EffectState()) is not known


def test_oil_that_is_not_mixed_ends_every_window_and_what_was_best() -> None:
    state = begun(off_base_c=19.0)
    assert effects.step(state, 1.0, **{**USUAL, "mixed": False}) == ()
    assert ended(state) and (state.off_base_c, state.best_share) == (None, 0.0)


@pytest.mark.parametrize(("oil_c", "taken"), [
    (-55.0, True), (-55.0625, False), (90.0, True), (125.0, True), (125.0625, False),
    (None, False), (nan, False)])
@pytest.mark.parametrize("on", [True, False])
def test_what_is_no_temperature_is_passed_over_and_the_verdict_stands(
    oil_c: float | None, taken: bool, on: bool,
) -> None:
    state = EffectState(verdicts=(HALF_POWER,))
    verdicts = effects.step(state, 1.0, **{**USUAL, "oil_c": oil_c, "element_on": on})
    hot = on and oil_c is not None and oil_c > 90.0
    assert verdicts == (() if taken and hot else (HALF_POWER,))
    assert bool(state.marks) is (taken and on and not hot)
    assert state.off_base_c == (oil_c if taken and not on else None)


@pytest.mark.parametrize(("changes", "judged"), [
    ({"oil_c": 90.0}, True), ({"oil_c": 90.0625}, False), ({"swallows": True}, False)])
def test_boiling_water_and_melting_fat_end_the_window_and_begin_none(
    changes: dict[str, Any], judged: bool,
) -> None:
    state = begun()
    effects.step(state, 1.0, **{**USUAL, **changes})
    assert untouched(state) is judged and ended(state) is not judged


def test_with_the_element_on_the_watch_on_its_rest_ends_and_so_does_its_verdict() -> None:
    for verdict, after in (((WARMING_OFF,), ()), ((NO_RESPONSE,), (NO_RESPONSE,))):
        state = EffectState(off_base_c=19.0, verdicts=verdict)
        assert effects.step(state, 1.0, **USUAL) == after and state.off_base_c is None
    state = EffectState(verdicts=(WARMING_OFF,))
    assert effects.step(state, 1.0, **USUAL) == (WARMING_OFF,), "only where it had begun"


@pytest.mark.parametrize(("paid_k", "marks"), [(10.375, 1), (10.3984375, 2)])
def test_a_mark_is_set_each_four_tenths_of_a_kelvin_paid_in(paid_k: float, marks: int) -> None:
    state = begun(paid_k=paid_k, slow_code="", verdicts=())
    effects.step(state, 1.0, **USUAL)
    assert len(state.marks) == marks


@pytest.mark.parametrize(("quick", "slow", "found"), [
    ((), OVER_RESPONSE, (OVER_RESPONSE,)), ((), "", ()),
    ((HALF_POWER,), OVER_RESPONSE, (HALF_POWER,))])
def test_what_the_slow_window_says_stands_where_the_quick_one_is_silent(
    quick: tuple[str, ...], slow: str, found: tuple[str, ...],
) -> None:
    state = begun(paid_k=10.5, slow_code=slow, verdicts=quick)
    assert effects.step(state, 1.0, **USUAL) == found


def test_when_the_element_goes_off_what_is_still_to_come_is_reckoned() -> None:
    state = EffectState(paid_k=10.0, through_k=8.0, arrived_k=8.0, off_freed_k=3.0)
    effects.step(state, 0.0, **{**USUAL, "element_on": False})
    assert (state.off_base_c, state.off_stored_k, state.off_freed_k) == (20.0, 2.5, 0.0)
    effects.step(state, 1.0, **{**USUAL, "element_on": False, "oil_c": 21.25}, loss_w=0.0)
    # 2.5 / 151 has had its time; a quarter of 0.01 K/s may be pump and sun
    assert state.off_freed_k == pytest.approx(2.5 / 151.0)
    assert state.off_base_c == pytest.approx(20.0025) and state.verdicts == (WARMING_OFF,)


def test_loss_makes_up_for_other_heat_by_half_of_what_is_expected_of_it() -> None:
    state = EffectState(off_base_c=20.0)
    effects.step(state, 1.0, **{**USUAL, "element_on": False, "oil_c": 20.5}, loss_w=186.354)
    assert state.off_base_c == pytest.approx(20.002), "0.25 x 0.01 - 0.5 x 0.001"


def test_what_was_judged_of_half_a_minute_ago_no_longer_stands() -> None:
    for off_s, stands in ((28.9375, True), (29.0, False)):
        state = begun(off_s=off_s, off_base_c=20.0)
        effects.step(state, 1.0, **{**USUAL, "element_on": False})
        assert untouched(state) is stands and ended(state) is not stands


# -- the windows -------------------------------------------------------------------------------


def test_a_mark_holds_the_six_sums_and_six_marks_are_kept() -> None:
    state = EffectState(paid_k=1.0, arrived_k=2.0, on_s=4.0, age_s=5.0, loss_k=6.0)
    for _ in range(7):
        state.paid_k += 0.125
        effects._mark(state, 3.0, 1.0)
    assert state.marks[0] == [1.25, 2.0, 3.0, 4.0, 5.0, 6.0] and len(state.marks) == 6
    assert state.slow_marks == [[1.125, 2.0, 3.0, 4.0, 5.0, 6.0]]


def test_the_slow_window_has_four_marks_a_kelvin_apart_and_is_judged_once_it_has() -> None:
    state = EffectState(on_s=1.0, age_s=1.0)
    for paid_k, found in ((0.0, 1), (0.9375, 1), (1.0, 2), (1.9375, 2), (2.0, 3), (3.0, 4),
                          (4.0, 4)):
        state.paid_k, state.arrived_k = paid_k, paid_k / 2.0
        effects._mark(state, 20.0, 1.0)
        assert (len(state.slow_marks), state.slow_count) == (found, max(0, round(paid_k) - 2))
    assert [mark[0] for mark in state.slow_marks] == [1.0, 2.0, 3.0, 4.0]
    assert state.slow_code == HALF_POWER, "nothing came of four kelvin"


def slow(rise: float, *, paid: float = 4.0, arrived: float = 3.0, on: float = 100.0,
         age: float = 100.0, loss: float = 0.0, best: float = 0.0, doubt: float = 1.0,
         count: int = 1) -> EffectState:
    state = EffectState(
        best_share=best, slow_count=count, slow_code=OVER_RESPONSE, slow_marks=[
            FIRST, [0.0] * 6, [0.0] * 6, after_first(paid, arrived, rise, on, age, loss)])
    effects._judge_slow(state, doubt)
    return state


@pytest.mark.parametrize(("rise", "given", "code"), [
    # over 1.31 of the larger of paid and arrived; half of the loss is sure, up to 0.3 of the paid
    (5.25, {}, OVER_RESPONSE), (5.234375, {}, ""),
    (6.5625, {"arrived": 5.0}, OVER_RESPONSE), (6.546875, {"arrived": 5.0}, ""),
    (4.75, {"loss": 1.0}, OVER_RESPONSE), (4.734375, {"loss": 1.0}, ""),
    (4.65625, {"loss": 9.0}, OVER_RESPONSE), (4.625, {"loss": 9.0}, ""),
    # half again the best before, once settled (0.85 has arrived); the loss counts whole
    (4.8125, {"best": 0.8, "arrived": 3.5}, OVER_RESPONSE),
    (4.78125, {"best": 0.8, "arrived": 3.5}, ""),
    (4.8125, {"best": 0.8, "arrived": 3.375}, ""), (4.8125, {"arrived": 3.5}, ""),
    (3.8125, {"best": 0.8, "arrived": 3.5, "loss": 1.0}, OVER_RESPONSE),
    (3.78125, {"best": 0.8, "arrived": 3.5, "loss": 1.0}, ""),
    (3.625, {"best": 0.8, "arrived": 3.5, "loss": 9.0}, OVER_RESPONSE),
    (3.59375, {"best": 0.8, "arrived": 3.5, "loss": 9.0}, ""),
    # under 0.65 of the smaller of both; the loss counts as often as it may be wrong
    (1.9375, {}, HALF_POWER), (1.96875, {}, ""),
    (2.59375, {"arrived": 5.0}, HALF_POWER), (2.609375, {"arrived": 5.0}, ""),
    (0.9375, {"loss": 0.5, "doubt": 2.0}, HALF_POWER), (0.96875, {"loss": 0.5, "doubt": 2.0}, ""),
    (0.734375, {"loss": 9.0}, HALF_POWER), (0.765625, {"loss": 9.0}, ""),
    # once settled and known: under 0.68 of the best before, and only that
    (2.15625, {"best": 0.8, "arrived": 3.5}, HALF_POWER),
    (2.1875, {"best": 0.8, "arrived": 3.5}, ""),
    (2.1875, {"arrived": 3.5}, HALF_POWER),
    (1.9375, {"best": 0.8, "arrived": 3.375}, HALF_POWER)])
def test_the_slow_window_tells_half_and_double_from_a_healthy_rise(
    rise: float, given: dict[str, float], code: str,
) -> None:
    state = slow(rise, **given)  # type: ignore[arg-type]
    assert (state.slow_code, state.slow_count) == (code, 2 if code else 0)
    first = slow(rise, **given, count=0)  # type: ignore[arg-type]
    assert (first.slow_code, first.slow_count) == ("", 1 if code else 0), "said twice in a row"


@pytest.mark.parametrize(("on", "judged"), [(50.0, True), (49.9375, False)])
def test_a_window_in_which_the_element_was_mostly_off_judges_nothing(
    on: float, judged: bool,
) -> None:
    state = slow(5.5, on=on)
    assert (state.slow_code, state.slow_count) == ((OVER_RESPONSE, 2) if judged else ("", 0))
    assert bool(state.slow_marks) is judged


@pytest.mark.parametrize(("rise", "given", "best"), [
    (2.8125, {"arrived": 3.5}, 0.703125), (2.78125, {"arrived": 3.5}, 0.0),
    (3.2, {"arrived": 3.375}, 0.0), (3.2, {"arrived": 3.40625}, 0.8), (5.5, {"arrived": 3.5}, 0.0),
    (3.2, {"arrived": 3.5, "best": 0.75}, 0.8), (3.2, {"arrived": 3.5, "best": 0.9}, 0.9),
    (3.0, {"arrived": 3.5, "loss": 0.2}, 0.8), (2.0, {"arrived": 3.5, "loss": 9.0}, 0.8)])
def test_the_best_settled_and_plainly_whole_share_is_remembered(
    rise: float, given: dict[str, float], best: float,
) -> None:
    assert slow(rise, **given).best_share == pytest.approx(best)  # type: ignore[arg-type]


def quick(rise: float, *, paid: float = 2.0, arrived: float = 1.5, on: float = 50.0,
          age: float = 50.0, loss: float = 0.0, best: float = 0.0, doubt: float = 1.0,
          half_marks: int = 0, verdicts: tuple[str, ...] = (), marks: int = 5) -> EffectState:
    now = after_first(paid, arrived, rise, on, age, loss)
    state = EffectState(
        paid_k=now[0], arrived_k=now[1], on_s=now[3], age_s=now[4], loss_k=now[5],
        marks=[FIRST, *[now] * (marks - 1)], slow_marks=[now], best_share=best,
        half_marks=half_marks, verdicts=verdicts)
    effects._judge(state, now[2], doubt)
    return state


@pytest.mark.parametrize(("rise", "given", "code"), [
    # none: under 0.3 of the smaller of paid and arrived
    (0.4375, {}, NO_RESPONSE), (0.453125, {}, "half"),
    (0.59375, {"arrived": 3.0}, NO_RESPONSE), (0.609375, {"arrived": 3.0}, "half"),
    (0.1875, {"loss": 0.125, "doubt": 2.0}, NO_RESPONSE),
    (0.203125, {"loss": 0.125, "doubt": 2.0}, "half"),
    (-0.015625, {"arrived": 3.0, "loss": 9.0}, NO_RESPONSE),
    (0.015625, {"arrived": 3.0, "loss": 9.0}, "half"),
    # nothing before 0.65 K has arrived, or with fewer than six marks
    (0.0, {"arrived": 0.640625}, ""), (0.0, {"arrived": 0.65625}, NO_RESPONSE),
    (0.0, {"marks": 4}, ""), (0.0, {"marks": 5}, NO_RESPONSE),
    # over: 1.6 of the larger and a quarter kelvin for grain; half of the loss is sure
    (3.453125, {}, OVER_RESPONSE), (3.4375, {}, "well"),
    (4.265625, {"arrived": 2.5}, OVER_RESPONSE), (4.234375, {"arrived": 2.5}, "well"),
    (3.203125, {"loss": 0.5}, OVER_RESPONSE), (3.1875, {"loss": 0.5}, "well"),
    (3.15625, {"loss": 9.0}, OVER_RESPONSE), (3.140625, {"loss": 9.0}, "well"),
    # or 1.5 of the best before, and grain; the loss counts whole
    (2.65625, {"best": 0.8}, OVER_RESPONSE), (2.640625, {"best": 0.8}, "well"),
    (2.15625, {"best": 0.8, "loss": 0.5}, OVER_RESPONSE),
    (2.140625, {"best": 0.8, "loss": 0.5}, "well"),
    (2.0625, {"best": 0.8, "loss": 9.0}, OVER_RESPONSE),
    (2.03125, {"best": 0.8, "loss": 9.0}, "well"),
    (3.265625, {"best": 0.8, "arrived": 2.5}, OVER_RESPONSE),
    (3.234375, {"best": 0.8, "arrived": 2.5}, "well"),
    # half: under 0.6 of the smaller, and where it has done better under 0.68 of that
    (0.890625, {}, "half"), (0.90625, {}, "well"),
    (1.1875, {"arrived": 3.0}, "half"), (1.203125, {"arrived": 3.0}, "well"),
    (1.078125, {"arrived": 3.0, "best": 0.8}, "half"),
    (1.09375, {"arrived": 3.0, "best": 0.8}, "well"),
    (1.015625, {"arrived": 3.0, "best": 0.8, "loss": 0.0625}, "half"),
    (1.03125, {"arrived": 3.0, "best": 0.8, "loss": 0.0625}, "well"),
    (0.484375, {"arrived": 3.0, "best": 0.8, "loss": 9.0}, "half"),
    (0.640625, {"arrived": 3.0, "best": 0.8, "loss": 9.0}, "well"),
    (0.953125, {"best": 0.5}, "well")])
def test_the_quick_window_tells_none_half_and_double_from_a_healthy_rise(
    rise: float, given: dict[str, Any], code: str,
) -> None:
    state = quick(rise, half_marks=1, verdicts=(WARMING_OFF,), **given)
    verdicts = {"": (WARMING_OFF,), "half": (), "well": ()}.get(code, (code,))
    assert (state.verdicts, state.half_marks) == (verdicts, {"half": 2, "well": 0}.get(code, 1))


@pytest.mark.parametrize(("rise", "before", "verdicts", "after"), [
    (0.75, 0, (), (1, ())), (0.75, 1, (), (2, ())), (0.75, 2, (), (3, (HALF_POWER,))),
    (0.75, 3, (HALF_POWER,), (3, (HALF_POWER,))), (0.75, 1, (HALF_POWER,), (2, (HALF_POWER,))),
    (1.5, 3, (HALF_POWER,), (2, (HALF_POWER,))), (1.5, 2, (HALF_POWER,), (1, (HALF_POWER,))),
    (1.5, 1, (HALF_POWER,), (0, ())), (1.5, 0, (HALF_POWER,), (0, ())),
    (1.5, 0, (NO_RESPONSE,), (0, ())), (0.75, 0, (NO_RESPONSE,), (1, ()))])
def test_half_is_said_after_three_marks_and_taken_back_after_as_many(
    rise: float, before: int, verdicts: tuple[str, ...], after: tuple[int, tuple[str, ...]],
) -> None:
    state = quick(rise, half_marks=before, verdicts=verdicts)
    assert (state.half_marks, state.verdicts) == after


@pytest.mark.parametrize(("on", "judged"), [(25.0, True), (24.9375, False)])
def test_a_quick_window_mostly_off_begins_anew_with_the_mark_of_now(
    on: float, judged: bool,
) -> None:
    state = quick(0.0, on=on, verdicts=(HALF_POWER,))
    assert len(state.marks) == (6 if judged else 1)
    assert state.verdicts == ((NO_RESPONSE,) if judged else ())
    assert state.marks[-1] == after_first(2.0, 1.5, 0.0, on, 50.0, 0.0)


# -- off ---------------------------------------------------------------------------------------


def off(oil_c: float, *, dt_s: float = 1.0, rate: float = 0.0, loss: float = 0.0,
        **state: Any) -> EffectState:
    made = EffectState(**{"off_base_c": 20.0, **state})
    effects._judge_off(made, dt_s, oil_c, rate, loss)
    return made


@pytest.mark.parametrize(("oil_c", "before", "verdicts"), [
    (21.0, (), ()), (21.0625, (), (WARMING_OFF,)), (20.5, (WARMING_OFF,), (WARMING_OFF,)),
    (20.4375, (WARMING_OFF,), ()), (20.4375, (HALF_POWER,), (HALF_POWER,)),
    (20.5625, (HALF_POWER,), (HALF_POWER,))])
def test_oil_that_rises_a_kelvin_with_the_element_off_is_told_until_half_of_it_is_gone(
    oil_c: float, before: tuple[str, ...], verdicts: tuple[str, ...],
) -> None:
    assert off(oil_c, verdicts=before).verdicts == verdicts


def test_the_base_falls_with_the_oil_and_rises_with_what_else_may_warm_it() -> None:
    assert off(19.0).off_base_c == 19.0
    assert off(20.5, dt_s=2.0, rate=0.5, loss=0.125).off_base_c == 20.125
    assert off(20.5, rate=0.5, loss=0.5).off_base_c == 20.0, "a loss makes nobody colder"


def test_what_was_stored_comes_over_with_the_slowest_lags_and_may_be_risen_by() -> None:
    state = off(23.5, off_stored_k=15.2, off_freed_k=3.0, dt_s=2.0)
    assert state.off_freed_k == pytest.approx(3.0 + 12.2 * 2.0 / 152.0)
    assert state.verdicts == ()
    assert off(24.25, off_stored_k=15.2, off_freed_k=3.0).verdicts == (WARMING_OFF,)


@pytest.mark.parametrize(("stored_k", "freed_k", "over"), [
    (3.0, 2.98125, True), (3.0, 2.979, False), (0.5, 0.484375, True), (0.5, 0.46875, False)])
def test_once_all_has_come_over_the_oil_may_only_fall(
    stored_k: float, freed_k: float, over: bool,
) -> None:
    state = off(22.5, off_stored_k=stored_k, off_freed_k=freed_k)
    assert (state.off_base_c, state.off_stored_k) == ((22.5, 0.0) if over else (20.0, stored_k))
    assert (state.off_freed_k == 0.0) is over


def test_where_nothing_was_stored_the_base_stays() -> None:
    assert off(20.75).off_base_c == 20.0


def test_a_verdict_of_the_rest_itself_outlives_half_a_minute_of_it() -> None:
    state = off(20.75, off_s=40.0, verdicts=(WARMING_OFF,))
    assert state.verdicts == (WARMING_OFF,)


def test_the_loss_goes_to_a_room_as_cold_as_told_or_as_the_oil_once_was() -> None:
    state = EffectState()
    assert effects.loss_w(state, 5.0, 20.0, None) == 0.0 and state.coldest_c is None
    losses_w = [effects.loss_w(state, 5.0, 20.0, oil_c) for oil_c in (30.0, 18.0, 30.0, 25.0)]
    assert losses_w == [50.0, 0.0, 60.0, 35.0] and state.coldest_c == 18.0
