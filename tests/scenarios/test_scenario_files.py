"""Every story in sim/scenarios ends as its file says, run as the command runs it."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from esterward.process.prompts import PROMPTS
from esterward.process.sequence import BATCH_STATES
from esterward.safety.faults import FAULTS
from esterward_sim.orders import Moment
from esterward_sim.rehearsal import Result
from esterward_sim.scenario import Scenario, StageRow, load
from esterward_sim.scenario_run import compare, run
from scenarios.shared_beginning import Told, beginning, told_together

TOP = Path(__file__).parents[2]
FOLDER = TOP / "sim/scenarios"
EXAMPLE = TOP / "firmware/config/reactor.toml"
FILES = sorted(FOLDER.glob("*.toml"))
# asked by the status itself, beside the questions of the table
OTHERS = {"start", "latch", "presence", "held", "valve", "waits"}


def known(path: Path) -> str:
    return str(tomllib.loads(path.read_text(encoding="utf-8")).get("xfail", ""))


ALIKE: dict[str, list[Path]] = {}
for one in FILES:
    ALIKE.setdefault(beginning(one), []).append(one)


@cache
def told(begins: str) -> dict[Path, Told]:
    """The stories that begin so; one alone by the command's own way of running it."""
    stories = [load(path, EXAMPLE) for path in ALIKE[begins]]
    results = [run(stories[0])] if len(stories) == 1 else told_together(stories)
    return dict(zip(ALIKE[begins], results, strict=True))


@pytest.mark.parametrize(("path", "begins"), [
    pytest.param(path, begins, id=path.stem,
                 marks=[pytest.mark.xfail(reason=known(path), strict=True)] if known(path) else [])
    for begins, paths in ALIKE.items() for path in paths])
def test_a_story_ends_as_it_must(path: Path, begins: str) -> None:
    _, lines = told(begins)[path]
    assert lines and not [str(line) for line in lines if not line.same]


def test_after_a_long_blackout_in_the_mix_its_reaction_is_said_to_be_doubtful() -> None:
    path = FOLDER / "blackout-in-mix.toml"
    result, _ = told(beginning(path))[path]
    said = [str(event.data["text"]) for event in result.events if event.kind == "note"]
    assert [text[:28] for text in said if "doubtful" in text] == ["it stood unmixed for 41 min:"]


def test_stories_told_together_are_those_told_from_their_start(
    ended: tuple[Scenario, Result],
) -> None:
    scenario, alone = ended
    other = load(FOLDER / "blackout-in-heat.toml", EXAMPLE)
    assert other.faults[0].at_s <= scenario.faults[0].at_s, "it goes on from a copy"
    (together, lines), _ = told_together([
        scenario, replace(other, until=Moment(400.0, "heat"))])
    assert all(line.same for line in lines)
    assert replace(together, wall_s=0.0) == replace(alone, wall_s=0.0)


def test_there_are_at_least_twenty_five_stories_each_with_a_sentence_and_real_words() -> None:
    assert len(FILES) >= 25
    for path in FILES:
        scenario = load(path, EXAMPLE)
        must = scenario.ending
        assert scenario.story.endswith(".") and len(scenario.story) > 25, path.name
        assert must.state in BATCH_STATES, path.name
        assert must.first_out in {"", *FAULTS}, path.name
        assert set(must.asked) <= set(PROMPTS) | OTHERS, path.name


@pytest.fixture(scope="module")
def ended() -> tuple[Scenario, Result]:
    scenario = load(FOLDER / "cut-out-opens-in-heat.toml", EXAMPLE)
    result, lines = run(scenario)
    assert all(line.same for line in lines)
    return scenario, result


@pytest.mark.parametrize(("change", "line"), [
    ({"state": "complete"}, "batch state"),
    ({"first_out": ""}, "first-out"),
    ({"first_out": "level"}, "first-out"),
    ({"methanol_flag": True}, "methanol flag"),
    ({"asked": ("fill",)}, "asked"),
    ({"peak": (20.0, 1.0)}, "peak"),
    ({"ceiling": (20.0, 1.0)}, "ceiling"),
    ({"guard_latches": ("probe",)}, "guard's latches"),
    ({"trips": ("cut-out", "level")}, "trips"),
    ({"told": ("nobody ever says this",)}, "said"),
    ({"warned": ("nobody ever says this",)}, "warned"),
    ({"published": "complete"}, "published at the end"),
])
def test_one_wrong_word_in_the_ending_is_one_line_that_differs(
    ended: tuple[Scenario, Result], change: dict[str, Any], line: str,
) -> None:
    scenario, result = ended
    changed = replace(scenario, ending=replace(scenario.ending, **change))
    assert [found.what for found in compare(changed, result, ("cut-out",)) if not found.same] == [
        line]


@pytest.mark.parametrize("index", [0, 1])
@pytest.mark.parametrize("how", [
    lambda row: replace(row, stage="store"), lambda row: replace(row, outcome="stopped"),
    lambda row: replace(row, minutes=(row.minutes or 0.0) + row.within + 30.0, within=1.0)])
def test_a_stage_that_was_another_ended_otherwise_or_took_longer_differs(
    ended: tuple[Scenario, Result], index: int, how: Any,
) -> None:
    scenario, result = ended
    stages = list(scenario.ending.stages)
    stages[index] = how(stages[index])
    changed = replace(scenario, ending=replace(scenario.ending, stages=tuple(stages)))
    assert [found.what for found in compare(changed, result, ("cut-out",)) if not found.same] == [
        f"stage {index + 1}"]


def test_a_stage_too_many_or_too_few_differs(ended: tuple[Scenario, Result]) -> None:
    scenario, result = ended
    rows = scenario.ending.stages
    for stages in (rows[:-1], (*rows, StageRow.parse("store 1 min +-1"))):
        changed = replace(scenario, ending=replace(scenario.ending, stages=stages))
        assert len([x for x in compare(changed, result, ("cut-out",)) if not x.same]) == 1


def test_a_fault_that_never_began_differs(ended: tuple[Scenario, Result]) -> None:
    scenario, result = ended
    late = replace(result, faults=[*result.faults, {
        "name": "lid_open", "value": None, "started_s": None, "ended_s": None}])
    assert [str(x) for x in compare(scenario, late, ("cut-out",)) if not x.same] == [
        "  DIFFERS      faults: never begun: lid_open; it must be all of them begun"]
