"""The whole state space of the sequencer, searched over the real code until it is closed.

A node is a step with a batch state. From each node the real Process moves once for every
combination of the facts it may look at there; what is reached is searched again, until nothing
new comes. What must always be so is then held against every edge, not against examples.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from itertools import permutations, product

import pytest

from esterward.process.asking import ask
from esterward.process.control import Process
from esterward.process.prompts import CLEAR_QUESTION
from esterward.process.sequence import BATCH_STATES, FINAL_STATES, Facts, facts_used
from esterward.process.stages import FIRST_STEP, STEPS
from esterward.process.state import ProcessState, World
from esterward.safety.interlocks import INTERLOCKS, OF_THE_FLAG, waits_for_the_flag
from esterward.values.events import EventLog
from esterward.values.readings import OPTIONAL_INPUTS
from harness import REACTOR, Bench

Node = tuple[str, str]
ENDING = ("pausing", "holding", "restarting", "stopping", "aborting")
OVERDUE = {"pausing": "off_overdue", "holding": "off_overdue", "stopping": "off_overdue",
           "aborting": "off_overdue", "restarting": "restart_overdue"}
# Where each demand must be obeyed; by hand, so that a row left out of the table is seen.
OBEYED = {
    "abort_wanted": {"running", "pausing", "paused", "holding", "held", "restarting"},
    "stop_wanted": {"running", "pausing", "paused", "holding", "held", "restarting", "aborted"},
    "hold_wanted": {"running", "pausing", "paused", "restarting"},
    "pause_wanted": {"running"},
}
# What a person at the reactor or the mere passing of time can bring about while a latch stands
# whose cause nobody can end: the part must be mended first.
LATCHED = {"yes", "no", "answered", "gate", "press", "stop_wanted", "time_met", "pause_over",
           "off_overdue", "restart_overdue", "off_proven", "restart_ready", "settled",
           "mix_at_most", "pour_expired", "at_target", "below_setpoint", "below_limit",
           "heat_off_proven", "sheet_ready", "methoxide_cool", "flag_stored", "flag_cleared",
           "mixer_proven", "dose_permitted", "level_wet", "first_drain_allowed", "second_allowed",
           "credit_met", "evidence_met", "evidence_half", "dewater_off", "dewater_boil",
           "flow_proven", "wash_stirred", "washes_left"}
# And once none is left.
LOCAL = LATCHED | {"release", "start_ready", "latches_clear"}


@dataclass(frozen=True, slots=True)
class Edge:
    """One move: where from, which facts were true, where to."""

    old: Node
    true: frozenset[str]
    new: Node


@dataclass(frozen=True)
class Space:
    """Everything that can be reached, with every move between."""

    nodes: frozenset[Node]
    edges: tuple[Edge, ...]
    process: Process
    world: World


def looked_at(node: Node) -> tuple[str, ...]:
    """The facts that may decide here."""
    step, state = node
    names = {fact for fact, _ in BATCH_STATES[state]}
    names |= {fact for fact, states in OBEYED.items() if state in states}
    if state == "running":
        names |= set(facts_used(step))
    if state == "restarting":
        names.add("fat_set")
    return tuple(sorted(names))


def move(process: Process, world: World, node: Node, true: frozenset[str]) -> Node:
    """One move of the real code from this node with these facts."""
    state = process.state
    state.step, state.state = node
    process.facts = Facts(**dict.fromkeys(true, True))
    process._move(world, EventLog(0, 0.0))
    return state.step, state.state


@pytest.fixture(scope="module")
def space() -> Space:
    bench = Bench()
    bench.ticks(3)
    process, world = bench.controller.process, bench.controller.world
    assert world is not None
    nodes, edges, todo = {(FIRST_STEP, "idle")}, [], deque([(FIRST_STEP, "idle")])
    while todo:
        node = todo.popleft()
        names = looked_at(node)
        for levels in product((False, True), repeat=len(names)):
            true = frozenset(n for n, level in zip(names, levels, strict=True) if level)
            new = move(process, world, node, true)
            edges.append(Edge(node, true, new))
            if new not in nodes:
                nodes.add(new)
                todo.append(new)
    return Space(frozenset(nodes), tuple(edges), process, world)


def test_the_search_is_closed_and_holds_every_step_in_every_state(space: Space) -> None:
    assert {step for step, _ in space.nodes} == set(STEPS)
    assert {state for _, state in space.nodes} == set(BATCH_STATES)
    assert len(space.nodes) > 300 and len(space.edges) > 5_000
    assert {edge.new for edge in space.edges} | {(FIRST_STEP, "idle")} == set(space.nodes)


def test_only_a_running_batch_wishes_for_anything(space: Space) -> None:
    process = space.process
    world = replace(space.world, flag=False)
    for step, state in space.nodes:
        process.state.step, process.state.state = step, state
        wish = process._wish(world, Bench().controller.sheet)
        if state not in ("running", "idle"):
            assert not (wish.heating or wish.element or wish.mixer or wish.air
                        or wish.hand_pump), (step, state)
        if step.startswith(("drain.", "settle.")) or step == "dose.flag":
            assert not (wish.heating or wish.mixer or wish.air), (step, state)
        if step in ("dose.gate", "dose.pour", "dose.off"):
            assert not wish.heating and not wish.element, (step, state)


def test_methoxide_goes_in_only_through_the_whole_gate(space: Space) -> None:
    into = [edge for edge in space.edges if edge.new == ("dose.pour", "running") != edge.old]
    assert into
    for edge in into:
        assert edge.old == ("dose.gate", "running")
        assert edge.true >= {"gate", "dose_permitted", "sheet_ready", "mixer_proven",
                             "heat_off_proven", "below_limit", "flag_stored"}


def test_the_flag_is_set_on_every_way_to_methanol(space: Space) -> None:
    """Without the steps that set the flag nothing from dosing to washing can be reached."""
    reached, todo = {(FIRST_STEP, "idle")}, deque([(FIRST_STEP, "idle")])
    after: dict[Node, set[Node]] = {}
    for edge in space.edges:
        after.setdefault(edge.old, set()).add(edge.new)
    while todo:
        for new in after[todo.popleft()]:
            if new not in reached and not STEPS[new[0]].sets_flag:
                reached.add(new)
                todo.append(new)
    assert not any(step.startswith(("dose.gate", "dose.pour", "mix", "check", "settle", "drain",
                                    "wash", "dry", "store")) for step, _ in reached)
    for edge in space.edges:
        if edge.old[0] == "dose.flag" and edge.new[0] != "dose.flag":
            assert "flag_stored" in edge.true


def test_a_drain_opens_only_after_its_time_of_rest(space: Space) -> None:
    for edge in space.edges:
        if edge.new[0] == "drain.last" != edge.old[0]:
            assert "settled" in edge.true and edge.old[0].startswith("settle.")
        if edge.new[0] == "drain.first" != edge.old[0]:
            assert edge.old[0] == "settle.offer" and "yes" in edge.true
        if edge.new[0] == "settle.offer" != edge.old[0]:
            assert "first_drain_allowed" in edge.true


def test_every_rest_that_must_last_its_whole_time_begins_at_nothing(space: Space) -> None:
    # By hand: what settled before a water or a share went in is no rest of what came then.
    begins = {"dewater.stand", "settle.between", "settle.first", "wash.stand"}
    seen = set()
    for edge in space.edges:
        if edge.new[0] != edge.old[0] and STEPS[edge.new[0]].sits and edge.new[0] not in seen:
            timers = space.process.state.timers
            timers.settled_s = 7200.0
            assert move(space.process, space.world, edge.old, edge.true) == edge.new
            assert timers.settled_s == (0.0 if edge.new[0] in begins else 7200.0), edge
            seen.add(edge.new[0])
    assert seen == {name for name, row in STEPS.items() if row.sits} > begins


def test_a_batch_starts_and_goes_on_only_by_a_press_at_the_reactor(space: Space) -> None:
    press = {"idle": "start_ready", "held": "release", "paused": "press"}
    for edge in space.edges:
        old, new = edge.old[1], edge.new[1]
        if new in ("running", "restarting") and old not in ("running", "restarting"):
            assert press[old] in edge.true, edge
        if old == "restarting" and new == "running":
            assert "restart_ready" in edge.true
    assert {e.old[1] for e in space.edges if e.new[1] == "restarting" != e.old[1]} == {"held"}


@pytest.mark.parametrize(("fact", "to"), [
    ("abort_wanted", "aborting"), ("stop_wanted", "stopping"), ("hold_wanted", "holding"),
    ("pause_wanted", "pausing")])
def test_a_demand_to_stop_is_obeyed_at_once_whatever_else_is_true(
    fact: str, to: str, space: Space,
) -> None:
    order = tuple(OBEYED)
    for edge in space.edges:
        if fact not in edge.true or edge.old[1] not in OBEYED[fact]:
            continue
        if any(name in edge.true for name in order[:order.index(fact)]):
            continue
        assert edge.new == (edge.old[0], to), edge


@pytest.mark.parametrize(("old", "fact", "new"), [
    ("idle", "start_ready", "running"), ("pausing", "off_proven", "paused"),
    ("paused", "press", "running"), ("paused", "pause_over", "holding"),
    ("holding", "off_proven", "held"), ("held", "release", "restarting"),
    ("restarting", "restart_ready", "running"), ("restarting", "restart_overdue", "holding"),
    ("stopping", "off_proven", "stopped"), ("aborting", "off_proven", "aborted"),
    ("aborted", "latches_clear", "held"),
])
def test_each_state_goes_on_when_its_own_fact_comes(
    old: str, fact: str, new: str, space: Space,
) -> None:
    for step, state in space.nodes:
        if state == old:
            goes_on = move(space.process, space.world, (step, old), frozenset({fact}))
            assert goes_on[1] == new
            assert goes_on[0] == ("dose.gate" if (step, new) == ("dose.pour", "running")
                                  else step)


def test_a_trip_that_stands_keeps_no_batch_from_its_end_once_everything_is_off(
    space: Space,
) -> None:
    for step, state in space.nodes:
        if state == "stopping":
            for facts, to in (({"abort_wanted"}, "aborting"),
                              ({"abort_wanted", "off_proven"}, "stopped")):
                new = move(space.process, space.world, (step, state), frozenset(facts))
                assert new == (step, to)


def test_set_fat_is_tried_by_hand_again_after_every_hold_and_only_set_fat_is_melted(
    space: Space,
) -> None:
    for edge in space.edges:
        if edge.old[1] == "restarting" and edge.new[1] == "running":
            again = "fat_set" in edge.true and edge.old[0] in (
                "dewater.warm", "dewater.boil", "heat.warm", "methoxide.sheet")
            assert (edge.new[0] == "fill.try") is (again or edge.old[0] == "fill.try")
        if edge.new[0] == "fill.melt" != edge.old[0]:
            assert edge.old[0] == "fill.try" or edge.true >= {"gate", "level_wet", "fat_set"}
        if edge.old == ("fill.try", "running") and edge.new[0] in ("dewater.warm", "heat.warm"):
            assert "flow_proven" in edge.true


def test_every_state_on_the_way_ends_by_the_clock_alone(space: Space) -> None:
    for step, state in space.nodes:
        if state not in ENDING:
            continue
        node: Node = (step, state)
        for _ in range(4):
            node = move(space.process, space.world, node, frozenset({OVERDUE[node[1]]}))
            if node[1] not in ENDING:
                break
        assert node[1] in ("held", "paused", "stopped", "aborted"), (step, state, node)


def test_from_everywhere_a_person_can_finish_and_can_stop(space: Space) -> None:
    for goal, facts, trips in (("complete", LOCAL, False), ("stopped", LOCAL, False),
                               ("stopped", LATCHED, False), ("stopped", LATCHED, True)):
        back: dict[Node, set[Node]] = {}
        for edge in space.edges:
            # A trip whose cause stays asks to abort wherever that is looked at.
            asks = trips and "abort_wanted" in looked_at(edge.old)
            if edge.true - facts == ({"abort_wanted"} if asks else set()):
                back.setdefault(edge.new, set()).add(edge.old)
        good = {node for node in space.nodes if node[1] == goal}
        todo = deque(good)
        while todo:
            for old in back.get(todo.popleft(), ()):
                if old not in good:
                    good.add(old)
                    todo.append(old)
        stuck = {node for node in space.nodes - good
                 if node[1] not in FINAL_STATES and node[1] != "stopping"}
        idle = {(FIRST_STEP, "idle")}  # with a latch there is no start, and no batch to end
        assert stuck == (idle if facts is LATCHED else set())


# -- latches and the methanol question -------------------------------------------------------------

OTHER = "e-stop"  # stands for every latch that a person can reset once its cause is gone


@pytest.fixture(scope="module")
def stuck() -> frozenset[str]:
    """What stays latched over hot oil for as long as the flag is set, and only then.

    Found by the proofs themselves: twice the same full rig at rest, its second cut-out open as a
    key allows, the flag once set and once clear.
    """
    bench = Bench(replace(REACTOR, rig_level="full", fitted=OPTIONAL_INPUTS))
    bench.override.update(dict.fromkeys(OPTIONAL_INPUTS, True), cutout2_closed=False)
    bench.oil_c = 60.0
    bad = []
    for level in (True, False):
        bench.ticks(3)
        assert bench.controller.state.flag.set is bench.guard.flag is level
        bad.append({row.code for row in INTERLOCKS
                    if row.latches and getattr(bench.controller.facts, row.needs) is not True})
        bench.press("green", "blue", seconds=6)
    assert bad[1] < bad[0]
    return frozenset(bad[0] - bad[1])


def asks(space: Space, node: Node, latches: tuple[str, ...], methanol_in: bool) -> bool:
    """Whether the real code opens the clearing question at this node with the flag in doubt."""
    process = ProcessState(step=node[0], state=node[1], methanol_in=methanol_in)
    world = replace(space.world, flag=True, flag_doubted=True, latched=latches,
                    flag_first=waits_for_the_flag(list(latches)))
    ask(process, Facts(), STEPS[node[0]], world, Bench().controller.words, EventLog(0, 0.0))
    return process.asked == CLEAR_QUESTION


def test_what_is_said_to_wait_for_the_flag_does_and_nothing_else(stuck: frozenset[str]) -> None:
    assert stuck == OF_THE_FLAG == {"over-trip", "cut-out-2"}


def test_no_doubt_and_no_latches_wait_for_each_other(
    space: Space, stuck: frozenset[str],
) -> None:
    """Wherever a batch rests, in whatever order what latched: hands alone clear all of it.

    A move takes the first latch, if it does not stay with the flag, or answers the question, if
    it is asked.
    """
    orders = [order for length in range(4)
              for order in permutations((*sorted(stuck), OTHER), length)]
    assert len(orders) == 16
    resting = {node for node in space.nodes if node[1] in ("idle", "held", "aborted")}
    assert {step for step, state in resting if state == "held"} == set(STEPS)
    for node in resting:
        for order in orders:
            latches, doubted = order, True
            while latches or doubted:
                if doubted and asks(space, node, latches, methanol_in=False):
                    doubted = False
                elif latches and (latches[0] not in stuck or not doubted):
                    latches = latches[1:]
                else:
                    raise AssertionError((node, order, "nobody can go on from", latches))


def test_a_latch_that_can_be_reset_is_reset_before_the_question_is_asked(space: Space) -> None:
    """So that what is shown first is what is asked."""
    for node in space.nodes:
        if node[1] in ("held", "aborted"):
            assert not asks(space, node, (OTHER, "over-trip"), methanol_in=False), node
            assert asks(space, node, ("over-trip", OTHER), methanol_in=False), node


def test_with_methanol_in_no_hold_and_no_latch_asks_whether_it_is_out(space: Space) -> None:
    for node in space.nodes:
        if node[1] in ("held", "aborted"):
            for latches in ((), ("over-trip",), (OTHER, "over-trip")):
                assert not asks(space, node, latches, methanol_in=True), node
