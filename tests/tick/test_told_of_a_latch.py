"""What a person is told of a latch: whether its cause stands, what resets it, what it held."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.status import ENDS, UNHEARD, status_of
from esterward.values.readings import OPTIONAL_INPUTS
from esterward.values.requests import Request
from esterward.values.status import GONE, STANDS, Status
from harness import REACTOR, Bench, heating_bench

TYPED = "type `esterward record reset vapour --why TEXT`, then hold blue 5 s"


def told(bench: Bench) -> Status:
    return status_of(bench.controller, bench.now_s)


@pytest.fixture
def latched() -> Bench:
    """Heating with every input fitted; then the vapour detector opens."""
    bench = heating_bench(OPTIONAL_INPUTS)
    bench.override["vapour_low"] = False
    bench.ticks(5)
    return bench


def test_a_latch_says_whether_its_cause_still_stands_and_what_to_do_once_it_is_gone(
    latched: Bench,
) -> None:
    text, answers = told(latched).prompt_text, told(latched).answers
    assert f"contact is open, or was within the last 10 min. {STANDS} Leave" in text
    assert answers == f"once it is gone: {TYPED}; or {ENDS}"
    latched.override["vapour_low"] = True
    latched.ticks(600)
    assert told(latched).prompt_text == text
    latched.ticks(6)
    assert told(latched).prompt_text == text.replace(STANDS, GONE)
    assert told(latched).answers == f"{TYPED}; or {ENDS}"


def test_what_is_told_resets_it_when_done_in_that_order(latched: Bench) -> None:
    latched.override["vapour_low"] = True
    latched.ticks(600)
    typed, then, blue = told(latched).answers.partition(", then hold ")
    assert "record reset vapour" in typed and then and blue == f"blue 5 s; or {ENDS}"
    latched.tick((Request("1", "reset", "local", "vapour", text="looked at"),))
    latched.press("blue", seconds=6)
    latched.ticks(2)
    assert latched.controller.state.safety.latches == []
    assert told(latched).prompt_text.startswith("Held (there was methanol vapour).")


@pytest.mark.parametrize("dead", [{"vapour_low": False}, {"estop_closed": False}])
def test_a_batch_is_ended_by_black_held_whatever_stays_broken(
    latched: Bench, dead: dict[str, bool],
) -> None:
    latched.override.update(dead)
    latched.ticks(3)
    assert latched.state == "aborted" and told(latched).answers.endswith(f"; or {ENDS}")
    latched.press("black")
    latched.ticks(5)
    assert latched.state == "aborted", "a short press ends nothing"
    latched.press("black", seconds=6)
    latched.ticks(3)
    assert latched.state == "stopped" and latched.controller.state.safety.latches[0] == "vapour"
    assert [e.data for e in latched.events if e.kind == "batch_ended"] == [{"state": "stopped"}]
    out = latched.controller.outputs
    assert not (out.k1 or out.k2_wanted or out.mixer or out.air)


def test_a_contactor_that_stays_shut_keeps_the_batch_from_its_end(latched: Bench) -> None:
    latched.override["k1_open"] = False
    latched.ticks(3)
    latched.press("black", seconds=6)
    latched.ticks(30)
    assert latched.state == "aborted" and ENDS not in told(latched).answers, "nor is it promised"


@pytest.mark.parametrize(("clear_s", "resets"), [(560, False), (610, True)])
def test_vapour_is_over_ten_minutes_after_the_detector_s_contact_has_shut(
    latched: Bench, clear_s: int, resets: bool,
) -> None:
    """Hazards C20, common practice, no source: clear for ten minutes, then a person's word."""
    latched.override["vapour_low"] = True
    latched.ticks(clear_s)
    latched.tick((Request("1", "reset", "local", "vapour", text="looked at"),))
    latched.press("blue", seconds=6)
    latched.ticks(2)
    assert latched.controller.state.safety.latches == ([] if resets else ["vapour"])


def test_a_cause_that_comes_and_goes_is_told_in_one_text(latched: Bench) -> None:
    said = set()
    for number in range(20):
        latched.override["vapour_low"] = number % 4 != 0
        latched.tick()
        said.add(told(latched).prompt_text)
    assert len(said) == 1 and STANDS in said.pop()


def test_a_hold_is_told_in_words_and_not_by_its_code(latched: Bench) -> None:
    state = latched.controller.state
    state.safety.latches.clear()
    state.process.state, state.process.why = "held", "slow"
    assert "Held (the controller stood still)." in told(latched).prompt_text
    state.process.why = "black was pressed"
    assert "Held (black was pressed)." in told(latched).prompt_text


def test_an_alarm_waits_for_a_short_blue_press_until_there_was_one(latched: Bench) -> None:
    assert told(latched).unseen and latched.controller.outputs.horn
    latched.press("blue")
    assert not told(latched).unseen and not latched.controller.outputs.horn


def test_who_is_asked_to_press_what_nobody_reads_is_told_so_at_once() -> None:
    bench = Bench()
    bench.guard_at_s = bench.now_s - 60.0
    bench.ticks(2)
    assert "hold" in told(bench).answers and UNHEARD not in told(bench).prompt_text
    bench.ticks(3)
    assert told(bench).prompt_text.endswith(UNHEARD)
    bench.controller.state.process.state = "running"
    bench.controller.state.process.step = "settle.rest"  # goes on without a guard, and asks nothing
    bench.ticks(3)
    assert (told(bench).step, told(bench).prompt_text) == ("settle.rest", "")
    bench.guard_at_s = None
    bench.ticks(2)
    assert UNHEARD not in told(bench).prompt_text


def test_where_there_are_no_buttons_none_is_named(latched: Bench) -> None:
    latched.controller.reactor = replace(REACTOR, rig_level="watch")
    assert not told(latched).unseen
