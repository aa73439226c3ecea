"""A press held from before a question opens until after it answers nothing, on the whole rig."""

from __future__ import annotations

import copy

import pytest

from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import NoRecord

Pair = tuple[Batch, Reactor]
# question -> what the person holds, and for how many quarters before and after its opening
HELD_ACROSS = {
    "dose_gate": (("green",), 4, 12),
    "drain_last": (("green",), 2, 3),
    "wash_drain": (("green",), 1, 4),
}


@pytest.fixture(scope="module")
def just_before(quick: Pair) -> dict[str, Rehearsal]:
    """question -> a rehearsal, the wanted quarters before it opens for the first time."""
    batch, reactor = quick
    rehearsal, quarter = Rehearsal(reactor, batch, NoRecord(), seed=3), 0
    state = rehearsal.rig.controller.process.state
    found: dict[str, Rehearsal] = {}
    step, starts = "", [(0, copy.deepcopy(rehearsal))]
    while set(found) != set(HELD_ACROSS):
        assert not rehearsal.over, set(HELD_ACROSS) - set(found)
        rehearsal.step()
        quarter += 1
        asked = state.asked if state.state == "running" else ""
        if asked in HELD_ACROSS and asked not in found:
            due = quarter - HELD_ACROSS[asked][1]
            begun, earlier = next(pair for pair in reversed(starts) if pair[0] <= due)
            earlier = copy.deepcopy(earlier)
            for _ in range(due - begun):
                earlier.step()
            found[asked] = earlier
        if state.step != step:
            step, starts = state.step, [*starts[-2:], (quarter, copy.deepcopy(rehearsal))]
    return found


@pytest.mark.parametrize("name", HELD_ACROSS)
def test_a_press_begun_before_the_question_opens_does_not_answer_it(
    just_before: dict[str, Rehearsal], name: str,
) -> None:
    rehearsal = copy.deepcopy(just_before[name])
    names, before, after = HELD_ACROSS[name]
    rig, state = rehearsal.rig, rehearsal.rig.controller.process.state
    for button in names:
        setattr(rig.plant, button, True)
    assert state.asked != name
    for _ in range(before + after):
        rig.quarter()
    assert state.asked == name
    for button in names:
        setattr(rig.plant, button, False)
    step, flag = state.step, rig.controller.state.flag.set
    for _ in range(16):
        rig.quarter()
    answered = [e for e in rehearsal.result.events if e.kind == "prompt_answered"
                and e.data["prompt"] == name]
    assert state.asked == name and state.step == step and not answered
    assert rig.controller.state.flag.set is flag and rig.guard.state.flag is flag


@pytest.mark.parametrize("name", HELD_ACROSS)
def test_the_same_press_begun_after_the_opening_answers_it(
    just_before: dict[str, Rehearsal], name: str,
) -> None:
    rehearsal = copy.deepcopy(just_before[name])
    names, before, after = HELD_ACROSS[name]
    rig, state = rehearsal.rig, rehearsal.rig.controller.process.state
    for _ in range(before + 2):
        rig.quarter()
    assert state.asked == name
    for level in (True, False):
        for button in names:
            setattr(rig.plant, button, level)
        for _ in range(after if level else 16):
            rig.quarter()
    assert state.asked != name
