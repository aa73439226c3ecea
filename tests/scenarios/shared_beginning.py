"""Stories that begin alike are rehearsed together: the beginning once, then each by itself.

Until its first fault a story is a batch like any other of its reactor, batch, person and seed. So
one rehearsal without faults goes on, and is copied for each story just before the quarter second
in which its first fault, or its end, is due.
"""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Iterable
from pathlib import Path

from esterward_sim.rehearsal import Rehearsal, Result
from esterward_sim.scenario import Scenario
from esterward_sim.scenario_run import Line, compare
from esterward_sim.virtual import NoRecord

ITS_OWN = {"story", "faults", "until", "ending", "xfail"}  # what does not touch the beginning

Told = tuple[Result, tuple[Line, ...]]


def beginning(path: Path) -> str:
    """The same text for story files that begin alike; a real broker cannot be copied."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    if data.get("broker"):
        return path.stem
    return json.dumps({key: value for key, value in data.items() if key not in ITS_OWN},
                      sort_keys=True)


def _due(rehearsal: Rehearsal, story: Scenario) -> bool:
    moments = [*story.faults, *([story.until] if story.until is not None else [])]
    return any(rehearsal.reached(moment.stage, moment.at_s) for moment in moments)


def told_together(stories: Iterable[Scenario]) -> list[Told]:
    """What scenario_run.run gives for each of them, in their order."""
    waiting = list(enumerate(stories))
    found: dict[int, Told] = {}
    first = waiting[0][1]
    trunk = Rehearsal(first.reactor, first.batch, NoRecord(), seed=first.seed,
                      person=first.person, parameters=first.plant)
    while waiting:
        for row in list(waiting):
            number, story = row
            if trunk.over or _due(trunk, story):
                waiting.remove(row)
                branch = copy.deepcopy(trunk) if waiting else trunk
                branch._orders, branch._until = list(story.faults), story.until
                result = branch.run()
                found[number] = result, compare(
                    story, result, tuple(branch.rig.guard.state.latches))
        if waiting:
            trunk.step()
    return [found[number] for number in sorted(found)]
