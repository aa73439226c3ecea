"""The judges of what is dosed: words that name another dose than the sheet are found, each one."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from esterward import tick
from esterward.process import control
from esterward.process.words import words
from esterward_sim.person import mix_told
from esterward_sim.plant import Plant
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.trials_doses import UNTOLD_ML
from esterward_sim.trials_oracles import Watch
from esterward_sim.trials_plants import plant_of, rehearsal_of

STRONGEST = 3
# The step before each dose is asked for.
BEFORE = {"first": "methoxide.sheet", "share": "drain.between", "further": "check.ask"}


def go(run: Rehearsal, watch: Watch, until: str) -> None:
    """Under the judges until the step begins."""
    process = run.rig.controller.process.state
    while process.step != until:
        assert not run.over, process.step
        run.step()
        watch.step(run)
        run.result.events.clear()


@pytest.fixture(scope="module")
def before() -> dict[str, bytes]:
    """The strongest small vessel just before each of its doses is asked for."""
    found = {}
    for share, names in ((None, ("first", "further")), (0.8, ("share",))):
        plant = plant_of(STRONGEST)
        run = rehearsal_of(replace(plant, batch=replace(plant.batch, first_share=share)))
        watch = Watch()
        for name in names:
            go(run, watch, BEFORE[name])
            found[name] = pickle.dumps((run, watch))
    return found


@pytest.fixture(autouse=True)
def fifth_unreacted(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the conversion check shows, so that a further dose is wanted."""
    monkeypatch.setattr(Plant, "conversion_check", lambda plant: False)
    monkeypatch.setattr(Plant, "unreacted_ml", property(lambda plant: 0.6))


def poured(before: dict[str, bytes], name: str) -> dict[str, str]:
    """What the judges say once this dose is in."""
    run, watch = pickle.loads(before[name])
    go(run, watch, "mix.run")
    broken: dict[str, str] = watch.broken
    return broken


def spoilt(word: str, factor: float, *args: Any) -> dict[str, str]:
    said = words(*args)
    said[word] = f"{float(said[word]) * factor:.1f}"
    return said


@pytest.mark.parametrize("name", BEFORE)
def test_a_dose_as_the_sheet_has_it_breaks_nothing(before: dict[str, bytes], name: str) -> None:
    assert poured(before, name) == {}


@pytest.mark.parametrize(("name", "word", "judge"), [
    ("first", "dose_l", "I-07 dose"), ("first", "dose_g", "I-07 catalyst"),
    ("share", "share_l", "I-07 dose"), ("share", "share_g", "I-07 catalyst"),
    ("further", "second_l", "I-07 dose"), ("further", "second_g", "I-07 catalyst")])
def test_words_that_name_twice_the_dose_are_found_when_asked_and_when_poured(
    before: dict[str, bytes], monkeypatch: pytest.MonkeyPatch, name: str, word: str, judge: str,
) -> None:
    monkeypatch.setattr(tick, "words", partial(spoilt, word, 2.0))
    assert set(poured(before, name)) == {"I-07 asked", judge}


@pytest.mark.parametrize("word", ["dose_l", "dose_g"])
def test_words_that_name_less_are_found_when_asked(
    before: dict[str, bytes], monkeypatch: pytest.MonkeyPatch, word: str,
) -> None:
    monkeypatch.setattr(tick, "words", partial(spoilt, word, 0.95))
    assert set(poured(before, "first")) == {"I-07 asked"}


def test_of_a_dose_in_two_shares_the_first_may_be_no_whole_one(before: dict[str, bytes]) -> None:
    run, watch = pickle.loads(before["share"])
    doses, methanol = watch.truth.doses, run.rig.controller.sheet.methanol
    assert doses.begun.keys() == {(0, 0)}
    assert 0.0 < doses.poured_l <= doses.allowed_l < methanol.volume_l


def test_a_third_further_dose_is_not_on_any_sheet(
    before: dict[str, bytes], monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(control, "SECOND_DOSES", 9)
    run, watch = pickle.loads(before["further"])
    watch.truth.doses.further = 2  # as if two were in
    go(run, watch, "mix.run")
    assert set(watch.broken) == {"I-07 asked", "I-07 dose", "I-07 catalyst"}


def test_what_was_told_at_a_check_lets_in_nothing_after_the_next(before: dict[str, bytes]) -> None:
    run, watch = pickle.loads(before["further"])
    go(run, watch, "mix.run")
    assert watch.truth.doses.unreacted_ml == 0.6
    go(run, watch, "check.ask")
    assert watch.truth.doses.unreacted_ml == UNTOLD_ML


@pytest.mark.parametrize(("text", "told"), [
    ("Outdoors: 230 g of KOH slowly INTO 4.4 L of methanol, vented", (4.4, 230.0)),
    ("Second dose: 12 g of NaOH into 0.2 L of methanol; try", (0.2, 12.0)),
    ("? g of KOH slowly INTO ? L of methanol", None), ("All in, valve shut?", None)])
def test_a_person_reads_what_to_mix_and_nothing_where_nothing_is_said(
    text: str, told: tuple[float, float] | None,
) -> None:
    assert mix_told(text) == told
