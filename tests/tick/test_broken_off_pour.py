"""A pour that was broken off: how much may be in is said until it is all in, over a restart too."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.process.timers import POUR_EXTRA_S
from esterward.status import status_of
from esterward.telemetry.topics import prompt_words
from esterward.values.batch import Batch
from harness import BATCH, Bench
from steps import to_dose_gate

POUR, VALVE = "The pour was broken off:", "Close the methoxide valve."
SLOWLY = replace(BATCH, pour_min=20.0)


def pouring(batch: Batch = SLOWLY) -> Bench:
    bench = Bench(batch=batch)
    bench.to_heating()
    to_dose_gate(bench)
    bench.hold_green()
    assert bench.step == "dose.pour" and batch.pour_min == 20.0
    bench.controller.state.process.timers.step_s = 0.0
    return bench


@pytest.fixture(scope="module")
def poured() -> Bench:
    return pouring()


def shown(bench: Bench) -> str:
    return status_of(bench.controller, bench.now_s).prompt_text


def powered_again(bench: Bench) -> Bench:
    """The same batch from its last saved state, the clock of another boot, nobody told anything."""
    bench = bench.copy()
    bench.controller.restarted("the power went", bench.controller.state.last_event)
    bench.ticks(3)
    assert bench.state == "held"
    return bench


def go_on(bench: Bench) -> None:
    bench.hold_green()
    bench.ticks(150)
    assert (bench.state, bench.step) == ("running", "dose.gate")


def litres(bench: Bench) -> float:
    methanol = bench.controller.sheet.methanol
    assert methanol is not None
    return methanol.volume_l


def test_while_it_runs_nothing_is_said_of_it(poured: Bench) -> None:
    bench = poured.copy()
    bench.ticks(300)
    assert POUR not in shown(bench)


def test_after_a_blackout_the_least_and_the_most_that_may_be_in_are_shown_with_what_to_do(
    poured: Bench,
) -> None:
    bench = poured.copy()
    bench.ticks(300)
    bench = powered_again(bench)
    text, whole = shown(bench), litres(bench)
    assert text.startswith(f"{VALVE} Held (the power went).")
    assert (f"5 of its 20 min were counted, so between {whole / 4.0:.1f} L (if it ran evenly) and "
            f"all {whole:.1f} L may be in.") in text
    assert text.endswith("Only what is left in its can is still to go in; mix no new one.")
    bench.ticks(600)
    assert shown(bench) == text and bench.state == "held", "nothing pours and nothing goes on"


def test_the_gate_and_the_pour_that_follow_say_it_too_and_it_outlives_a_second_restart(
    poured: Bench,
) -> None:
    bench = poured.copy()
    bench.ticks(300)
    bench = powered_again(bench)
    bench.hold_green()
    assert bench.step == "dose.gate" and bench.controller.state.process.asked == ""
    assert shown(bench).startswith(f"{VALVE} {POUR} 5 of its 20 min")
    assert "Dosing waits: " in shown(bench)
    bench.ticks(150)
    assert bench.controller.state.process.asked == "dose_gate"
    assert shown(bench).startswith(f"{VALVE} {POUR} 5 of its 20 min")
    assert shown(bench).count(POUR) == 1
    bench = powered_again(bench)
    assert f"{POUR} 5 of its 20 min" in shown(bench)
    go_on(bench)
    assert bench.controller.state.process.asked == "dose_gate"
    bench.hold_green()
    assert bench.step == "dose.pour"
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt_text.startswith(f"{POUR} 5 of its 20 min")
    assert "as slowly as before (all of it: 20 min)" in status.prompt_text
    assert status.left_s is not None and 880.0 < status.left_s <= 900.0
    bench.ticks(300)
    bench.press("black")
    bench.ticks(4)
    assert f"{POUR} 10 of its 20 min" in shown(bench)
    stored = [e.data["text"] for e in bench.events if e.kind == "prompt_opened"]
    assert any(text.startswith(POUR) for text in stored), "the record keeps it"


def test_a_pour_as_long_as_planned_may_all_be_in(poured: Bench) -> None:
    bench = poured.copy()
    bench.ticks(1200)
    bench.press("black")
    bench.ticks(4)
    assert f"all of its 20 min were counted, so all {litres(bench):.1f} L may be in." in (
        shown(bench))


def test_a_pour_whose_time_has_run_out_begins_with_the_valve_and_asks_for_the_gate_anew(
    poured: Bench,
) -> None:
    bench = poured.copy()
    bench.controller.state.safety.presence_age_s = 0.0
    bench.controller.state.process.timers.step_s = 20.0 * 60.0 + POUR_EXTRA_S - 2.0
    bench.tick()
    assert bench.step == "dose.pour" and VALVE not in shown(bench)
    bench.tick()
    assert (bench.state, bench.step) == ("running", "dose.gate")
    bench.tick()
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt and prompt_words(status).startswith(f"{VALVE} {POUR} all of its 20 min")
    bench.controller.state.safety.presence_age_s = 29.0 * 60.0
    bench.tick()
    status = status_of(bench.controller, bench.now_s)
    assert status.presence_wanted and status.prompt_text.startswith(f"{VALVE} Is somebody there?")
    assert POUR in status.prompt_text, "whatever else is asked first"
    bench.press("green")
    bench.hold_green()
    assert bench.step == "dose.pour" and shown(bench).startswith(f"{POUR} all of its 20 min")


def test_a_batch_ended_in_the_pour_says_what_may_be_in_and_no_more_that_it_goes_in(
    poured: Bench,
) -> None:
    bench = poured.copy()
    bench.ticks(300)
    bench.press("black", seconds=6)
    bench.ticks(4)
    assert bench.state == "stopped"
    assert f"{POUR} 5 of its 20 min" in shown(bench) and "still to go in" not in shown(bench)


def test_what_is_all_in_is_forgotten_and_the_next_dose_begins_anew(poured: Bench) -> None:
    bench = poured.copy()
    bench.ticks(300)
    bench.press("black")
    bench.ticks(4)
    go_on(bench)
    bench.hold_green()
    bench.press("green")
    assert bench.step == "mix.run"
    assert bench.controller.state.process.poured_s == 0.0 and POUR not in shown(bench)
    bench.press("black")
    bench.ticks(4)
    assert bench.state == "held" and POUR not in shown(bench)


@pytest.mark.parametrize(("second_share", "second_doses"), [(False, 0), (True, 0), (True, 1)])
def test_the_litres_are_those_of_the_dose_that_was_being_poured(
    second_share: bool, second_doses: int,
) -> None:
    bench = pouring(replace(SLOWLY, first_share=0.8))
    process = bench.controller.state.process
    process.second_share, process.second_doses = second_share, second_doses
    bench.ticks(300)
    bench.press("black")
    bench.ticks(4)
    stages = bench.controller.sheet.stages
    expected = (bench.controller.words()["second_l"] if second_doses
                else f"{stages[int(second_share)].methanol_l:.1f}")
    assert f"and all {expected} L may be in" in shown(bench)
