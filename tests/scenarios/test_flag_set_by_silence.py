"""A methanol flag that silence or a blackout set before the dose is asked about, not a dead end."""

from __future__ import annotations

import copy
from collections.abc import Callable

import pytest

from esterward.guard import rule
from esterward.process.stages import STEPS
from esterward.tick import from_plain
from esterward.values.batch import Batch
from esterward.values.outputs import SAFE
from esterward.values.reactor import Reactor
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import NoRecord, VirtualRig
from steps import content

Pair = tuple[Batch, Reactor]
BETWEEN = ("dose", "mix", "check", "settle", "drain", "wash")  # methanol is in, by these stages


def to_step(rehearsal: Rehearsal, step: str, seconds: float) -> None:
    state = rehearsal.rig.controller.process.state
    while state.step != step:
        assert not rehearsal.over, (state.state, state.step, state.why)
        rehearsal.step()
    for _ in range(round(4 * seconds)):
        rehearsal.step()
    assert state.step == step


def controller_dies(rig: VirtualRig, rehearsal: Rehearsal) -> None:
    """Its process hangs for five seconds and comes back."""
    rig.controller_dead = True
    for _ in range(20):
        rehearsal.step()
    rig.controller_dead = False


def blackout(rig: VirtualRig, rehearsal: Rehearsal) -> None:
    """Both processes lose their power and start from what they had stored."""
    rig.relays.write(SAFE, rig.clock.time_s)
    guard, old = rig.guard, rig.controller
    guard.state = rule.read_file(rule.file_text(guard.state))
    guard.message = guard.newest = None
    new = from_plain(old.reactor, old.file_batch, old.to_plain())
    new.restarted("power came back", old.state.last_event)
    rig.controller = rig.loop.controller = rehearsal.person.printed = new
    rig.loop.newest = rig.loop.next_tick_s = None
    for _ in range(12):  # the guard is up before the controller
        rig.clock.time_s += 0.25
        rig.plant.step(0.25, rig.lines())
        guard.cycle(rig.clock.time_s)


def try_to_clear(rehearsal: Rehearsal) -> None:
    """On a copy: green and blue held for seven seconds leave both flags set."""
    rig = copy.deepcopy(rehearsal.rig)
    rig.plant.green = rig.plant.blue = False
    for level, quarters in ((False, 2), (True, 28), (False, 8)):
        rig.plant.green = rig.plant.blue = level
        for _ in range(quarters):
            rig.quarter()
    step = rig.controller.process.state.step
    assert rig.controller.state.flag.set and rig.guard.state.flag, step


@pytest.fixture(scope="module")
def copies(quick: Pair) -> dict[str, Rehearsal]:
    """Copies of one untroubled batch at the steps that these tests begin with."""
    rehearsal = content(Rehearsal(quick[1], quick[0], NoRecord(), seed=3))
    found = {}
    for step in ("heat.warm", "wash.statement", "dry.run"):
        to_step(rehearsal, step, 0.0)
        found[step] = copy.deepcopy(rehearsal)
    return found


@pytest.mark.parametrize("trouble", [controller_dies, blackout])
def test_a_flag_set_before_the_dose_is_cleared_by_a_person_and_the_batch_ends_complete(
    copies: dict[str, Rehearsal], trouble: Callable[[VirtualRig, Rehearsal], None],
) -> None:
    rehearsal = copy.deepcopy(copies["heat.warm"])
    rig = rehearsal.rig
    to_step(rehearsal, "heat.warm", 300.0)
    trouble(rig, rehearsal)
    step, tried = "", 0
    while not rehearsal.over:
        rehearsal.step()
        state = rig.controller.process.state
        if state.step != step:
            step = state.step
            if STEPS[step].stage in BETWEEN and step not in ("dose.approach", "dose.off",
                                                             "dose.flag", "wash.statement"):
                try_to_clear(rehearsal)
                tried += 1
    result = rehearsal.finish(0.0)
    assert result.complete, (result.state, result.why, step)
    cleared = [e for e in result.events if e.kind == "flag_cleared"]
    assert len(cleared) == 3 and tried >= 8, "before the start, after the trouble, after the wash"
    asked = [str(e.data["text"]) for e in result.events if e.kind == "prompt_opened"
             and e.data["prompt"] == "washed"]
    assert any("none was added in this batch" in text for text in asked)


def test_a_flag_set_while_drying_is_asked_about_and_drying_goes_on_with_heat(
    copies: dict[str, Rehearsal],
) -> None:
    rehearsal = copy.deepcopy(copies["dry.run"])
    to_step(rehearsal, "dry.run", 60.0)
    blackout(rehearsal.rig, rehearsal)
    assert rehearsal.rig.guard.state.flag
    heated = False
    while not rehearsal.over and not heated:
        rehearsal.step()
        heated = rehearsal.rig.plant.element_on
    assert heated and not rehearsal.rig.controller.state.flag.set


def test_dry_stays_without_heat_and_unasked_when_the_statement_was_no(
    copies: dict[str, Rehearsal],
) -> None:
    rehearsal = copy.deepcopy(copies["wash.statement"])
    rig, state = rehearsal.rig, rehearsal.rig.controller.process.state
    for level in (False, True, False):
        rig.plant.blue = level
        for _ in range(8):
            rig.quarter()
    assert state.step == "dry.run" and rig.controller.state.flag.set and state.asked == ""
    try_to_clear(rehearsal)
    for _ in range(400):
        rig.quarter()
        assert not rig.plant.element_on
