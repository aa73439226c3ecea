"""The table of steps and the transition rules, taken by themselves."""

from __future__ import annotations

from dataclasses import asdict

import pytest

from esterward.process.prompts import ANSWERS, PROMPTS
from esterward.process.sequence import (
    BATCH_STATES,
    FACTS,
    FINAL_STATES,
    Facts,
    advance,
    facts_used,
    next_step,
)
from esterward.process.stages import DONE, FIRST_STEP, STAGES, STEPS
from esterward.process.timers import step_seconds
from esterward.values.batch import Batch

# IEC 61512-1:1997 (ISA-88.01), procedural states; from memory of the standard's example model.
IEC_61512_STATES = {
    "idle", "running", "pausing", "paused", "holding", "held", "restarting", "stopping",
    "stopped", "aborting", "aborted", "complete",
}


def test_batch_states_are_those_of_the_standard() -> None:
    assert set(BATCH_STATES) == IEC_61512_STATES


@pytest.mark.parametrize("name", STEPS)
def test_every_step_leads_to_known_steps_on_known_facts(name: str) -> None:
    step = STEPS[name]
    assert step.stage in STAGES
    assert step.next, "a step with no way out is a dead end"
    assert all(target in STEPS or target == DONE for _, target in step.next)
    assert set(facts_used(name)) <= set(FACTS)
    assert not step.prompt or step.prompt in PROMPTS
    step_seconds(step.timer, Batch())


def test_every_step_can_be_reached_and_every_step_can_reach_the_end() -> None:
    forward = {name: {target for _, target in step.next} for name, step in STEPS.items()}
    reached, todo = set(), {FIRST_STEP}
    while todo:
        name = todo.pop()
        reached.add(name)
        todo |= {t for t in forward.get(name, ()) if t not in reached}
    assert reached == set(STEPS) | {DONE}
    ends, grown = {DONE}, True
    while grown:
        more = {name for name, targets in forward.items() if targets & ends} - ends
        grown = bool(more)
        ends |= more
    assert ends == set(STEPS) | {DONE}


def test_no_fact_holds_before_it_is_proven() -> None:
    assert not any(asdict(Facts()).values())


@pytest.mark.parametrize("name", STEPS)
def test_no_step_moves_on_when_nothing_is_proven(name: str) -> None:
    assert next_step(name, Facts()) is None


@pytest.mark.parametrize("name", STEPS)
@pytest.mark.parametrize("state", sorted(IEC_61512_STATES - {"running"}))
def test_steps_move_only_while_running(name: str, state: str) -> None:
    facts = Facts(**dict.fromkeys(FACTS, True))
    assert advance(name, state, facts)[0] == name


@pytest.mark.parametrize("state", [s for s in BATCH_STATES if s.endswith("ing") and s != "running"])
def test_every_transient_state_ends_by_itself(state: str) -> None:
    overdue = Facts(off_overdue=True, restart_overdue=True)
    assert advance(FIRST_STEP, state, overdue)[1] != state


@pytest.mark.parametrize("state", [s for s in BATCH_STATES if s not in FINAL_STATES])
def test_every_lasting_state_has_a_way_out(state: str) -> None:
    outs = {target for _, target in BATCH_STATES[state]}
    assert outs - {state}


@pytest.mark.parametrize("state", ["running", "pausing", "paused", "holding", "held",
                                   "restarting"])
def test_an_abort_wins_over_everything(state: str) -> None:
    facts = Facts(**dict.fromkeys(FACTS, True))
    assert advance(FIRST_STEP, state, facts)[1] == "aborting"


def test_heat_stops_before_methanol_and_only_warm_hold_may_heat_after_it() -> None:
    after = [name for name in STEPS if STEPS[name].stage in
             ("mix", "check", "settle", "drain", "wash")]
    assert {STEPS[name].heat for name in after} <= {"", "warm_hold"}
    assert STEPS["dose.gate"].heat == STEPS["dose.pour"].heat == STEPS["dose.flag"].heat == ""


def test_only_set_fat_is_heated_with_nothing_stirring_it() -> None:
    assert [step.name for step in STEPS.values() if step.heat and not step.mixer] == ["fill.melt"]
    assert [step.name for step in STEPS.values() if step.heat == "melt"] == ["fill.melt"]


def test_steps_that_sit_want_nothing() -> None:
    for step in STEPS.values():
        if step.sits:
            assert not (step.heat or step.mixer or step.air), step.name


def test_the_flag_is_stored_in_a_step_that_wants_nothing() -> None:
    (row,) = [step for step in STEPS.values() if step.sets_flag]
    assert not (row.heat or row.mixer or row.air or row.prompt)
    assert row.next == (("flag_stored", "dose.gate"),)


@pytest.mark.parametrize("name", PROMPTS)
def test_every_question_can_be_answered_by_button_and_fills_its_words(name: str) -> None:
    prompt = PROMPTS[name]
    assert prompt.kind in ANSWERS
    assert not prompt.asks_if or prompt.asks_if in FACTS
    assert bool(prompt.asks_if) == bool(prompt.instead)
    used = {field for step in STEPS.values() if step.prompt == name for field in [step.name]}
    assert used, "a question nobody asks"
