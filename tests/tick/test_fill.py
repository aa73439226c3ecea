"""Filling: green runs the pump by hand and answers nothing; "all in?" is a question of its own."""

from __future__ import annotations

import pytest

from esterward.status import status_of
from harness import Bench


@pytest.fixture
def filling() -> Bench:
    """Started, nothing pressed, the question of the fill open."""
    bench = Bench()
    bench.to_idle_ready()
    bench.hold_green()
    bench.ticks(4)
    assert bench.state == "running" and bench.step == "fill.pump"
    return bench


def pumps(bench: Bench) -> bool:
    return bench.controller.outputs.mixer


def test_the_press_that_started_the_batch_does_not_run_the_pump() -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.buttons["green"] = True
    ran = False
    for _ in range(30):
        bench.tick()
        ran = ran or pumps(bench)
    assert bench.state == "running" and not ran
    bench.buttons["green"] = False
    bench.ticks(2)
    bench.buttons["green"] = True
    bench.ticks(2)
    assert pumps(bench), "a press begun in this step does"


def test_a_jog_of_any_length_runs_the_pump_only_while_pressed_and_answers_nothing(
    filling: Bench,
) -> None:
    for seconds in (1, 2, 3, 8, 30):
        filling.buttons["green"] = True
        filling.ticks(seconds)
        assert pumps(filling)
        filling.buttons["green"] = False
        filling.ticks(3)
        assert not pumps(filling) and filling.step == "fill.pump"
    assert "prompt_answered" not in filling.kinds()


def test_a_stuck_button_runs_the_pump_for_a_minute_and_not_again_until_released(
    filling: Bench,
) -> None:
    filling.buttons["green"] = True
    ran_s = 0
    for _ in range(300):
        filling.tick()
        ran_s += pumps(filling)
    assert 58 <= ran_s <= 61
    filling.buttons["green"] = False
    filling.ticks(2)
    filling.buttons["green"] = True
    filling.ticks(2)
    assert pumps(filling)


def test_all_in_is_asked_apart_with_the_pump_off_and_answered_by_green_held_or_blue(
    filling: Bench,
) -> None:
    filling.press("blue")
    assert filling.step == "fill.check"
    filling.press("green")
    assert filling.step == "fill.check" and not pumps(filling), "a short press is not an answer"
    filling.buttons["green"] = True
    filling.tick()
    assert not pumps(filling)
    filling.buttons["green"] = False
    filling.ticks(3)
    filling.press("blue")
    assert filling.step == "fill.pump", "no: more is to come"
    filling.ticks(3)
    filling.press("blue")
    filling.hold_green()
    assert filling.step == "heat.warm"


def test_all_in_with_a_dry_float_goes_back_to_filling(filling: Bench) -> None:
    filling.level_wet = False
    filling.press("blue")
    filling.hold_green()
    assert filling.step == "fill.pump" and filling.state == "running"
    assert "until the level float is wet" in status_of(filling.controller, 0.0).prompt_text


def test_a_press_held_over_a_hold_does_not_run_the_pump_when_filling_goes_on(
    filling: Bench,
) -> None:
    filling.press("black")
    filling.ticks(3)
    assert filling.state == "held"
    filling.buttons["green"] = True
    ran = False
    for _ in range(15):
        filling.tick()
        ran = ran or pumps(filling)
    assert filling.state == "running" and not ran


def test_a_pump_that_draws_air_while_filling_trips_nothing_but_does_when_it_mixes(
    filling: Bench,
) -> None:
    filling.override["mixer_proof"] = False
    filling.buttons["green"] = True
    filling.ticks(40)
    assert pumps(filling) and filling.controller.state.safety.latches == []
    filling.buttons["green"] = False
    filling.ticks(3)
    filling.press("blue")
    filling.hold_green()
    filling.ticks(9)
    assert filling.controller.state.safety.latches == ["mixer"] and not pumps(filling)
