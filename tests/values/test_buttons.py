"""Presses to gestures: each gesture once, nothing from half-seen presses."""

from __future__ import annotations

import pytest

from esterward.values.buttons import (
    BLACK_HELD,
    BLACK_SHORT,
    BLUE_HELD,
    BLUE_SHORT,
    GREEN_BLUE,
    GREEN_HELD,
    GREEN_SHORT,
    HELD_S,
    Buttons,
)

Line = list[tuple[float, bool | None, bool | None, bool | None]]


def play(*presses: tuple[str, float, float], until_s: float = 20.0,
         gap: tuple[float, float] | None = None) -> list[str]:
    """Quarter-second readings of presses (button, from, to); a gap is not known."""
    buttons, found = Buttons(), []
    for quarter in range(int(until_s * 4)):
        now_s = quarter / 4
        if gap is not None and gap[0] <= now_s < gap[1]:
            found += buttons.step(now_s, None, None, None)
            continue
        down = {name for name, start, end in presses if start <= now_s < end}
        found += buttons.step(now_s, "green" in down, "black" in down, "blue" in down)
    return found


@pytest.mark.parametrize(("button", "seconds", "gesture"), [
    ("green", 0.5, GREEN_SHORT), ("green", 1.75, GREEN_SHORT), ("green", 2.25, GREEN_HELD),
    ("black", 4.75, BLACK_SHORT), ("black", 5.25, BLACK_HELD),
    ("blue", 4.75, BLUE_SHORT), ("blue", 5.25, BLUE_HELD), ("green", 15.0, GREEN_HELD),
])
def test_the_length_decides_and_each_press_means_one_thing(button: str, seconds: float,
                                                           gesture: str) -> None:
    assert play((button, 1.0, 1.0 + seconds)) == [gesture]


def test_both_for_five_seconds_is_a_gesture_of_its_own() -> None:
    assert play(("green", 1.0, 6.75), ("blue", 1.25, 6.5)) == [GREEN_BLUE]


def test_both_but_too_short_means_nothing() -> None:
    assert play(("green", 1.0, 5.5), ("blue", 1.25, 6.0)) == []


def test_a_green_hold_that_already_counted_does_not_become_the_clearing_gesture() -> None:
    assert play(("green", 1.0, 12.0), ("blue", 4.0, 12.0)) == [GREEN_HELD]


def test_a_second_short_press_within_two_seconds_is_a_slip() -> None:
    assert play(("green", 1.0, 1.5), ("green", 2.0, 2.5)) == [GREEN_SHORT]
    assert play(("green", 1.0, 1.5), ("green", 4.0, 4.5)) == [GREEN_SHORT, GREEN_SHORT]


def test_a_button_that_was_down_at_the_first_look_means_nothing_until_it_was_up() -> None:
    assert play(("green", 0.0, 8.0)) == []
    assert play(("green", 0.0, 1.0), ("green", 3.0, 3.5)) == [GREEN_SHORT]


def test_a_press_with_a_gap_in_the_readings_is_forgotten() -> None:
    assert play(("green", 1.0, 6.5), gap=(2.0, 2.5)) == []
    assert play(("blue", 1.0, 6.5), gap=(4.0, 6.75)) == []


def test_a_press_begun_before_a_question_opened_means_nothing_for_green_and_blue() -> None:
    buttons, found = Buttons(), []
    for quarter in range(80):
        now_s = quarter / 4
        down = 1.0 <= now_s < 7.5
        found += buttons.step(now_s, down, down and now_s >= 5.0, False)
        if now_s == 2.0:
            buttons.spend()
    assert found == [BLACK_SHORT], "black asks for less energy and is never spent"
    buttons.step(20.0, True, False, False)
    assert buttons.step(20.5, False, False, False) == (GREEN_SHORT,)


def test_both_held_since_before_the_question_is_not_the_clearing_gesture() -> None:
    buttons = Buttons()
    buttons.step(0.0, False, False, False)
    buttons.step(1.0, True, False, True)
    buttons.spend()
    assert buttons.step(9.0, True, False, True) == ()


@pytest.mark.parametrize(("button", "seconds", "gesture"), [
    ("green", 2.1, GREEN_HELD), ("black", 5.3, BLACK_HELD), ("blue", 5.9, BLUE_HELD),
    ("green", 1.9, GREEN_SHORT)])
def test_a_hold_counts_though_no_look_fell_between_its_time_and_letting_go(
    button: str, seconds: float, gesture: str,
) -> None:
    """The controller looks once a second, and at once when an input changes."""
    buttons, found = Buttons(), []
    looks = [0.0, 0.5, *(0.5 + second for second in range(1, int(seconds + 0.1) + 1)
                         if second < HELD_S[button]), 0.5 + seconds]
    for now_s in looks:
        down = 0.5 <= now_s < 0.5 + seconds
        found += buttons.step(now_s, *(down and name == button
                                       for name in ("green", "black", "blue")))
    assert found == [gesture]


def test_both_let_go_after_their_time_count_though_no_look_fell_between() -> None:
    buttons, found = Buttons(), []
    for now_s, down in ((0.0, False), *((0.5 + s, True) for s in range(5)), (5.6, False)):
        found += buttons.step(now_s, down, False, down)
    assert found == [GREEN_BLUE]


@pytest.mark.parametrize(("button", "looks"), [
    ("green", (0.5, 0.75, 2.6)), ("green", (0.5, 2.5)), ("blue", (0.5, 1.5, 2.5, 3.5, 3.75, 5.6))])
def test_a_press_let_go_at_an_unknown_moment_of_a_late_look_is_no_hold(
    button: str, looks: tuple[float, ...],
) -> None:
    buttons, found = Buttons(), []
    for now_s in (0.0, *looks):
        down = 0.0 < now_s < looks[-1]
        found += buttons.step(now_s, *(down and name == button
                                       for name in ("green", "black", "blue")))
    assert found == [f"{button} short"]


def test_both_let_go_at_an_unknown_moment_of_a_late_look_clear_nothing() -> None:
    buttons, found = Buttons(), []
    for now_s, down in ((0.0, False), *((0.5 + s, True) for s in range(4)), (5.5, False)):
        found += buttons.step(now_s, down, False, down)
    assert found == []


@pytest.mark.parametrize("down_after", [True, False])
def test_a_press_that_nobody_looked_at_for_a_while_means_nothing(down_after: bool) -> None:
    """The controller stood still: what it was meant for, and whether it stayed down, is unknown."""
    buttons, found = Buttons(), []
    for now_s, down in ((0.0, False), (0.5, True), (60.0, down_after), (61.0, down_after),
                        (70.0, False), (71.0, False)):
        found += buttons.step(now_s, down, False, False)
    assert found == []
