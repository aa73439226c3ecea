"""One trial: a copy of a fault-free batch, a fault at a random moment, the oracles, an ending.

The batch of a plant is rehearsed once and kept as pickles, two a minute and one at the start
of each step. A trial takes the pickle before its moment, goes on to it, lets the fault come, and
watches until some time after the reaction, or when nothing reacts to the next stage end (of what a
person did wrong: some stage ends later).
"""

from __future__ import annotations

import pickle
import traceback
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from random import Random
from typing import Any, Final

from esterward.process.stages import STEPS
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.trials_faults import CASES, FaultCase, fits
from esterward_sim.trials_oracles import RAISED, SENTENCES, Watch
from esterward_sim.trials_plants import PLANTS, plant_of, rehearsal_of

KEPT_EVERY_S: Final = 30.0
WAIT_S: Final = 4 * 3600.0   # longest wait for a reaction or a stage end
STANDS_S: Final = 3600.0     # nothing goes on any more
LONGEST_S: Final = 86400.0
TO_END_EVERY: Final = 120    # of a fault all reactors have; rarer ones more often: 1 in 105 of all
OUTCOMES: Final = ("nothing", "noted", "paused", "held", "aborted", "stopped", "broken")


@dataclass(frozen=True, slots=True)
class Trial:
    """What is to be tried; the same for the same seed and number."""

    number: int
    plant: int
    case: str
    seed: int
    tail_s: float = 1800.0
    wait_s: float = WAIT_S
    to_end: bool = False
    without: tuple[str, ...] = ()


@dataclass(slots=True)
class Tried:
    """What came of it. broken: invariant -> sentence; worst: invariant -> margin.

    raised: the traceback of an exception that ended it; step and times are then unknown.
    """

    number: int
    plant: int
    case: str
    outcome: str
    step: str
    at_s: float
    lasts_s: float | None
    reacted_s: float | None
    codes: list[str] = field(default_factory=list)
    broken: dict[str, str] = field(default_factory=dict)
    worst: dict[str, float] = field(default_factory=dict)
    simulated_s: float = 0.0
    raised: str = ""


@dataclass(slots=True)
class Batch:
    """One fault-free batch of a plant: pickles by time, the steps it went through."""

    times_s: list[float]
    pickles: list[bytes]
    steps: list[tuple[str, float, float]]
    watch: Watch
    state: str
    simulated_s: float


def cells(plants: Sequence[int], faults: Sequence[str] = ()) -> list[tuple[str, int]]:
    """Every fault, or these, with every plant that has the part it breaks, in a fixed order."""
    found = []
    for number in plants:
        reactor = plant_of(number).reactor
        found += [(name, number) for name, case in CASES.items()
                  if fits(case, reactor) and (not faults or name in faults)]
    Random(7).shuffle(found)
    return found


@cache
def _end_chance(name: str) -> float:
    """How likely a trial of a fault goes to the end: as often, however few reactors can have it."""
    having = sum(fits(CASES[name], plant.reactor) for plant in PLANTS)
    return len(PLANTS) / having / TO_END_EVERY


def trials_of(numbers: Iterable[int], seed: int, plants: Sequence[int], ends: bool = True,
              faults: Sequence[str] = (), **options: Any) -> list[Trial]:
    """The trials of these numbers; with ends one in TO_END_EVERY goes to the batch's end."""
    order = cells(plants, faults)
    found = []
    for number in numbers:
        case, plant = order[number % len(order)]
        to_end = ends and Random(f"{seed} {number} end").random() < _end_chance(case)
        found.append(Trial(number, plant, case, seed, to_end=to_end, **options))
    return found


def fault_free(plant: int, seed: int, keep: bool = True, until: str = "") -> Batch:
    """Rehearse the batch of a plant under the oracles, with pickles on the way.

    until: the step at whose start it may end; empty for the whole batch.
    """
    run, watch = rehearsal_of(plant_of(plant), seed), Watch()
    times_s: list[float] = []
    pickles: list[bytes] = []
    steps: list[tuple[str, float, float]] = []
    step, entered_s, kept_s = "", 0.0, -1e9
    process = run.rig.controller.process.state
    while not run.over and (not until or process.step != until):
        run.step()
        watch.step(run)
        run.result.events.clear()
        now_s = run.rig.clock.time_s
        name = process.step if process.state != "idle" else "idle"
        if name != step:
            if step:
                steps.append((step, entered_s, now_s))
            step, entered_s, kept_s = name, now_s, -1e9
        if keep and now_s - kept_s >= KEPT_EVERY_S:
            pickles.append(pickle.dumps((run, watch), pickle.HIGHEST_PROTOCOL))
            times_s.append(now_s)
            kept_s = now_s
    steps.append((step, entered_s, run.rig.clock.time_s))
    return Batch(times_s, pickles, steps, watch, process.state, run.rig.clock.time_s)


@lru_cache(maxsize=2)
def kept(plant: int) -> Batch:
    """The batch of a plant, rehearsed once in this process."""
    return fault_free(plant, plant + 1)


def _moment(batch: Batch, rng: Random, case: FaultCase) -> tuple[str, float]:
    """A step and a moment in it: every other trial in a step that wants energy.

    What a person does wrong there comes as the step begins, before any hand is there.
    """
    steps = [row for row in batch.steps if row[0] != "idle"]
    acted = [row for row in steps if row[0] in case.steps]
    if acted:
        return rng.choice(acted)[:2]
    if rng.random() < 0.5:
        steps = [row for row in steps if STEPS[row[0]].heat or STEPS[row[0]].mixer] or steps
    name, from_s, to_s = rng.choice(steps)
    return name, from_s + rng.random() * (to_s - from_s)


def attempt(trial: Trial, log: list[Any] | None = None, batch: Batch | None = None) -> Tried:
    """Carry out one trial. log: takes every event from just before the fault, to show.

    batch: the plant's fault-free batch; None for the one kept in this process.
    """
    batch = kept(trial.plant) if batch is None else batch
    rng = Random(f"{trial.seed} {trial.number}")
    case = CASES[trial.case]
    step, at_s = _moment(batch, rng, case)
    lasts_s = None if rng.random() < 0.6 or case.steps else rng.uniform(5.0, 600.0)
    index = max(0, bisect_right(batch.times_s, at_s) - 1)
    run: Rehearsal
    watch: Watch
    run, watch = pickle.loads(batch.pickles[index])
    while run.rig.clock.time_s < at_s and not run.over:
        _go_on(run, watch, log)
    watch.worst, watch.broken = {}, {}
    controller = run.rig.controller
    if trial.without:
        controller.interlocks = tuple(row for row in controller.interlocks
                                      if row.code not in trial.without)
    result = run.result
    result.trips, result.alarms = [], []
    before_state = controller.process.state.state
    began_s = run.rig.clock.time_s
    stages = len(result.stages)
    case.start(run, rng)
    watch.case, watch.active = case, True
    tried = Tried(trial.number, trial.plant, trial.case, "nothing", step, began_s, lasts_s, None)
    ran_s = began_s
    while not run.over:
        now_s = run.rig.clock.time_s
        if now_s - ran_s > STANDS_S or now_s - began_s > LONGEST_S:
            break
        if lasts_s is not None and watch.active and now_s >= began_s + lasts_s:
            watch.active = False
            if case.ends is not None:
                case.ends(run, rng)
        if tried.reacted_s is not None and not trial.to_end and (
                now_s >= began_s + tried.reacted_s + trial.tail_s):
            break
        if tried.reacted_s is None and not trial.to_end and (
                now_s >= began_s + trial.wait_s or len(result.stages) >= stages + case.stages):
            break
        _go_on(run, watch, log)
        state = run.rig.controller.process.state.state
        if state == "running":
            ran_s = now_s
        changed = state != before_state and state not in ("running", "complete")
        if tried.reacted_s is None and (
                changed or [c for c in result.alarms if c != "presence"]):
            tried.reacted_s = run.rig.clock.time_s - began_s
        tried.outcome = _worse(tried.outcome, state, bool(result.alarms))
    if watch.broken:
        tried.outcome = "broken"
    tried.codes = list(dict.fromkeys(result.trips + result.alarms))
    tried.broken, tried.worst = watch.broken, watch.worst
    tried.simulated_s = run.rig.clock.time_s - batch.times_s[index]
    return tried


def _worse(outcome: str, state: str, alarmed: bool) -> str:
    found = {"pausing": "paused", "holding": "held", "aborting": "aborted",
             "stopping": "stopped"}.get(state, state)
    if found not in OUTCOMES:
        found = "noted" if alarmed else "nothing"
    return max(outcome, found, key=OUTCOMES.index)


def _go_on(run: Rehearsal, watch: Watch, log: list[Any] | None) -> None:
    run.step()
    watch.step(run)
    events = run.result.events
    if events:
        if log is not None:
            log += [(run.rig.clock.time_s, event) for event in events]
        events.clear()


def carry_out(trial: Trial, log: list[Any] | None = None) -> Tried:
    """attempt(), where an exception is one more way to be broken: the other trials go on."""
    try:
        return attempt(trial, log)
    except Exception as error:
        return _raised(trial.number, trial.plant, trial.case, error)


def _raised(number: int, plant: int, case: str, error: Exception) -> Tried:
    said = " ".join(f"{type(error).__name__}: {error}".split())
    return Tried(number, plant, case, "broken", "", 0.0, None, None, [],
                 {RAISED: f"{SENTENCES[RAISED]}: {said}"}, {}, 0.0,
                 "".join(traceback.format_exception(error)))


def attempts(trials: Iterable[Trial]) -> list[Tried]:
    """What one worker does: a few trials of one plant. Importable, so that it can be sent."""
    return [carry_out(trial) for trial in trials]


def batches(numbers: Iterable[int]) -> list[Tried]:
    """Fault-free batches: every number is a plant of its own and the batch's seed."""
    found = []
    for number in numbers:
        try:
            one = fault_free(number, number + 1, keep=False)
        except Exception as error:
            found.append(_raised(number, number, "", error))
            continue
        broken = dict(one.watch.broken)
        if one.state != "complete":
            broken["complete"] = f"the batch ended {one.state}"
        found.append(Tried(number, number, "", "broken" if broken else "nothing", "", 0.0, None,
                           None, [], broken, one.watch.worst, one.simulated_s))
    return found


def portions(trials: Sequence[Trial], at_most: int) -> list[list[Trial]]:
    """Trials by plant, in pieces that one worker takes."""
    pieces: list[list[Trial]] = []
    for plant in sorted({trial.plant for trial in trials}):
        mine = [trial for trial in trials if trial.plant == plant]
        pieces += [mine[i:i + at_most] for i in range(0, len(mine), at_most)]
    return pieces


ALL_PLANTS: Final = tuple(range(len(PLANTS)))
