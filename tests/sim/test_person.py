"""The simulated person: what hands do, what goes wrong, and that the reactor does not mind."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from esterward.settings.files import load_pair
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.orders import FaultOrder
from esterward_sim.person import KINDS
from esterward_sim.plant.contents import KG_BASE
from esterward_sim.plant.faults import PERSON_FAULTS
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.rehearse import PERSONS
from esterward_sim.virtual import NoRecord

TOP = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def pair() -> tuple[Batch, Reactor]:
    """A small warm batch, so that it is soon heated."""
    batch, reactor = load_pair(TOP / "sim/scenarios/demo/batch.toml",
                               TOP / "firmware/config/reactor.toml")
    assert reactor is not None
    return replace(batch, oil_volume_l=60.0, oil_start_c=50.0, pour_min=10.0), reactor


def begin(pair: tuple[Batch, Reactor], *faults: str, person: str = "prompt") -> Rehearsal:
    return Rehearsal(pair[1], pair[0], NoRecord(), person=person,
                     faults=tuple(map(FaultOrder.parse, faults)))


def go(rehearsal: Rehearsal, step: str, seconds: float = 0.0, at_most_s: float = 7200.0) -> bool:
    """Until the step and some seconds more; False when it does not come."""
    process = rehearsal.rig.controller.process.state
    for _ in range(round(at_most_s * 4)):
        if process.step == step:
            break
        rehearsal.step()
    for _ in range(round(seconds * 4)):
        rehearsal.step()
    return process.step == step


def test_the_command_offers_every_kind_of_person() -> None:
    assert PERSONS == KINDS


def test_the_share_of_oil_and_catalyst_is_what_goes_in(pair: tuple[Batch, Reactor]) -> None:
    rehearsal = begin(pair, "oil_share=0.8@0", "catalyst_share=0.5@0")
    assert go(rehearsal, "heat.warm", at_most_s=1800.0)
    plant = rehearsal.rig.plant
    assert plant.contents.volume_l(50.0) == pytest.approx(48.0, abs=0.5)
    assert go(rehearsal, "mix.run")
    sheet = rehearsal.rig.controller.sheet
    assert sheet.catalyst is not None
    poured_g = (plant.contents.base + plant.contents.soap) * plant.contents.base_kg_per_mol * 1000
    assert poured_g == pytest.approx(0.5 * sheet.catalyst.mass_g * 0.9, rel=0.02)


def test_the_other_base_has_another_strength_by_the_molar_masses(
    pair: tuple[Batch, Reactor],
) -> None:
    moles = []
    for faults in ((), ("base_mistaken@0",)):
        rehearsal = begin(pair, *faults)
        assert go(rehearsal, "mix.run")
        contents = rehearsal.rig.plant.contents
        moles.append(contents.base + contents.soap)
    assert moles[1] / moles[0] == pytest.approx(KG_BASE["KOH"] / KG_BASE["NaOH"], rel=0.01)


def test_methoxide_that_is_too_hot_is_told_and_waits(pair: tuple[Batch, Reactor]) -> None:
    told: dict[str, list[float]] = {}
    minutes = {}
    for name, faults in (("cool", ()), ("hot", ("methanol_warm=40@0",))):
        rehearsal = begin(pair, *faults)
        assert go(rehearsal, "dose.approach")
        events = rehearsal.result.events
        told[name] = [float(e.data["value"] or 0.0) for e in events
                      if e.kind == "observation" and e.data["name"] == "methoxide_c"]
        row = next(row for row in rehearsal.result.stages if row["stage"] == "methoxide")
        minutes[name] = (row["ended_s"] - row["started_s"]) / 60.0
    assert told["cool"] == []
    assert told["hot"][0] > 45.0 and told["hot"][-1] <= 45.0
    assert told["hot"] == sorted(told["hot"], reverse=True)
    assert minutes["hot"] > minutes["cool"] + 10.0


def test_methoxide_can_be_poured_too_fast(pair: tuple[Batch, Reactor]) -> None:
    rehearsal = begin(pair, "pour_share=0.1@0")
    assert go(rehearsal, "dose.pour")
    for _ in range(4 * 180):
        rehearsal.step()
    assert not rehearsal.rig.plant.pouring and rehearsal.rig.plant.contents.methanol > 0.0


def test_the_valve_is_shut_when_all_stops_and_the_rest_goes_in_afterwards(
    pair: tuple[Batch, Reactor],
) -> None:
    rehearsal = begin(pair)
    assert go(rehearsal, "dose.pour", 240.0)
    plant = rehearsal.rig.plant
    plant.faults.start("estop_pressed")
    go(rehearsal, "dose.pour", 10.0)
    moles = plant.contents.methanol + plant.contents.ester
    assert moles > 0.0 and not plant.pouring
    for _ in range(400):
        rehearsal.step()
    assert plant.contents.methanol + plant.contents.ester == pytest.approx(moles, rel=0.01)
    plant.faults.end("estop_pressed")
    assert go(rehearsal, "mix.run")
    sheet = rehearsal.rig.controller.sheet
    assert sheet.methanol is not None
    in_kg = (plant.contents.methanol + plant.contents.ester) * 0.032042
    assert in_kg == pytest.approx(sheet.methanol.mass_kg, rel=0.03)


def test_somebody_who_walks_away_lets_go_of_everything_and_the_pour_runs_on(
    pair: tuple[Batch, Reactor],
) -> None:
    rehearsal = begin(pair)
    assert go(rehearsal, "dose.pour", 240.0)
    plant = rehearsal.rig.plant
    plant.faults.start("person_away")
    before = plant.contents.methanol
    go(rehearsal, "dose.pour", 60.0)
    assert plant.contents.methanol > before
    assert not (plant.green or plant.blue or plant.black)
    for _ in range(4 * 900):
        rehearsal.step()
    assert not plant.pouring and rehearsal.rig.controller.process.state.step != "mix.run"


def test_blind_answers_start_no_heat_over_an_empty_vessel(pair: tuple[Batch, Reactor]) -> None:
    rehearsal = begin(pair, "person_blind@0")
    go(rehearsal, "heat.warm", at_most_s=1200.0)
    assert rehearsal.rig.plant.thermal.element_j == 0.0
    assert rehearsal.rig.controller.process.row.stage == "fill"


@pytest.mark.parametrize("person", ["wrong-order", "double-press"])
def test_wrong_gestures_and_double_presses_skip_nothing(
    pair: tuple[Batch, Reactor], person: str,
) -> None:
    rehearsal = begin(pair, person=person)
    assert go(rehearsal, "mix.run")
    steps = [str(e.data["step"]) for e in rehearsal.result.events if e.kind == "step_started"]
    assert [s for i, s in enumerate(steps) if s not in steps[:i]] == [
        "fill.pump", "fill.check", "heat.warm", "methoxide.sheet", "methoxide.dissolve",
        "dose.approach", "dose.off", "dose.flag", "dose.gate", "dose.pour", "mix.run"]
    assert not rehearsal.result.trips[1:]


def test_a_latch_reset_again_and_again_becomes_a_lock_out(pair: tuple[Batch, Reactor]) -> None:
    """Each time the probe is good again before blue is held, so that only the count refuses."""
    rehearsal = begin(pair, "person_resets_again@0", *(
        f"probe_a_lost@heat+{s}-{s + 20}" for s in (300, 500, 960, 2040)))
    go(rehearsal, "never", at_most_s=3100.0)
    burnt_j = rehearsal.rig.plant.thermal.element_j
    go(rehearsal, "never", at_most_s=2400.0)
    told = [(e.kind, e.data.get("resets")) for e in rehearsal.result.events
            if e.kind in ("latched", "latch_reset") and e.data["code"] == "probe-a"]
    assert told == [("latched", None), ("latch_reset", 1), ("latched", None), ("latch_reset", 2),
                    ("latched", None), ("latch_reset", 3), ("latched", None)]
    notes = [e.data["text"] for e in rehearsal.result.events if e.kind == "note"]
    assert len(notes) >= 2 and set(notes) == {
        "not reset: probe-a: type `esterward record reset probe-a --why TEXT` on the machine first"}
    assert rehearsal.rig.controller.process.state.state == "held"
    assert rehearsal.rig.plant.thermal.element_j == burnt_j > 0.0


def test_a_hold_that_comes_back_at_once_is_looked_into_ever_longer_and_then_left(
    pair: tuple[Batch, Reactor],
) -> None:
    rehearsal = begin(pair, "mains_lost@heat+120")
    go(rehearsal, "never", at_most_s=4200.0)
    tries = [e.at_s for e in rehearsal.result.events
             if e.kind == "state_changed" and e.data["new"] == "restarting"]
    apart = [after - before for before, after in pairwise(tries)]
    assert len(tries) == 4 and apart == sorted(apart) and apart[-1] > 900.0
    assert rehearsal.rig.controller.process.state.state == "held"


def test_a_hold_after_a_step_got_somewhere_is_a_new_one(pair: tuple[Batch, Reactor]) -> None:
    faults = [f"k1_open_circuit@heat+{s}-{s + 60}" for s in range(100, 2900, 700)]
    rehearsal = begin((replace(pair[0], oil_volume_l=120.0, oil_start_c=15.0), pair[1]), *faults)
    go(rehearsal, "never", at_most_s=3900.0)
    tries = [e for e in rehearsal.result.events
             if e.kind == "state_changed" and e.data["new"] == "restarting"]
    assert len(tries) >= 4
    assert rehearsal.rig.controller.process.state.state == "running"


def test_every_fault_of_a_person_changes_the_course(pair: tuple[Batch, Reactor]) -> None:
    tried = Path(__file__).read_text(encoding="utf-8") + (
        TOP / "tests/plant/test_plant_separation.py").read_text(encoding="utf-8")
    scenarios = "".join(path.read_text(encoding="utf-8")
                        for path in (TOP / "sim/scenarios").glob("*.toml"))
    for row in PERSON_FAULTS:
        assert row.name in tried or row.name in scenarios, row.name
