"""The less usual ways through the day, each walked on the whole rig by a simulated person."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.chemistry.charge import second_dose
from esterward.process.timers import FIRST_DRAIN_C, FIRST_DRAIN_S
from esterward.values.batch import Batch
from esterward.values.events import Event
from esterward.values.reactor import Reactor
from esterward.values.status import Status
from esterward_sim.rehearsal import Rehearsal, Result
from esterward_sim.virtual import NoRecord
from steps import content

Pair = tuple[Batch, Reactor]
WINDOW = 10  # minutes over which the rise of the oil is judged


def steps(result: Result) -> list[str]:
    return [str(event.data["step"]) for event in result.events if event.kind == "step_started"]


def in_order(result: Result, *names: str) -> bool:
    """True when the steps follow one another in this order, others between allowed."""
    walked = iter(steps(result))
    return all(name in walked for name in names)


def texts(result: Result, prompt: str) -> list[str]:
    return [str(event.data["text"]) for event in result.events
            if event.kind == "prompt_opened" and event.data["prompt"] == prompt]


def at_s(events: list[Event], step: str) -> list[float]:
    return [event.at_s for event in events
            if event.kind == "step_started" and event.data["step"] == step]


@pytest.fixture(scope="module")
def poor(quick: Pair) -> tuple[Rehearsal, Result]:
    """Too little methanol, and wash water that never comes to the pH of the tap."""
    batch, reactor = quick
    rehearsal = content(
        Rehearsal(reactor, replace(batch, methanol_share=0.14), NoRecord(), seed=3))

    def never(status: Status) -> None:
        rehearsal.person._press("blue")

    rehearsal.person._do_wash_ph = never  # type: ignore[method-assign]
    return rehearsal, rehearsal.run()


def test_a_batch_that_fails_its_check_gets_a_second_dose_and_ends_complete(
    poor: tuple[Rehearsal, Result],
) -> None:
    rehearsal, result = poor
    assert result.complete, (result.state, result.why)
    assert in_order(result, "mix.run", "check.ask", "methoxide.second", "dose.gate", "dose.pour",
                    "mix.run", "check.ask", "settle.first")
    told = [event.data["value"] for event in result.events if event.kind == "observation"
            and event.data["name"] == "unreacted_ml"]
    sheet = rehearsal.rig.controller.sheet
    assert sheet.catalyst is not None and sheet.methanol is not None
    assert told and isinstance(told[0], float) and told[0] > 0.0
    dose = second_dose(told[0], sheet.oil_l, sheet.catalyst, sheet.methanol)
    (text,) = texts(result, "dissolve_second")
    assert f"{dose.mass_g:.0f} g" in text and f"{dose.methanol_l:.1f} L" in text


def test_washing_with_half_the_evidence_asks_for_the_soap_titration(
    poor: tuple[Rehearsal, Result],
) -> None:
    _, result = poor
    assert in_order(result, "wash.ph", "wash.soap", "wash.statement", "dry.run")
    cleared = [str(event.data["evidence"]) for event in result.events
               if event.kind == "flag_cleared"]
    assert cleared[-1] == "clear water, soap titration"


def test_boiling_the_water_off_ramps_slowly_and_cools_before_the_reaction_heat(
    quick: Pair,
) -> None:
    batch, reactor = quick
    rehearsal = Rehearsal(reactor, replace(batch, dewater="boil"), NoRecord(), seed=3)
    rig, state = rehearsal.rig, rehearsal.rig.controller.process.state
    oil_c: list[float] = []  # one a minute while boiling off
    count = 0
    while state.step != "cool.stand":
        assert not rehearsal.over, (state.state, state.step, state.why)
        rehearsal.step()
        count += 1
        if state.step == "dewater.boil" and count % 240 == 0:
            oil_c.append(rig.plant.oil_c)
        assert rig.plant.oil_c < 112.0
    rises = [late - early for early, late in zip(oil_c, oil_c[WINDOW:], strict=False)
             if early >= 95.0]
    assert len(rises) >= 15 and max(oil_c) > 108.0
    assert max(rises) <= 0.5 * WINDOW + 0.5, "half a kelvin a minute above 95 degC"
    assert not rig.controller.outputs.k1
    for node in ("upper_c", "lower_c", "element_c", "wall_c"):  # hours that would show nothing
        assert getattr(rig.plant.thermal, node) > 60.0
        setattr(rig.plant.thermal, node, 56.0)
    while state.step == "cool.stand":
        assert not rehearsal.over and not rig.plant.element_on
        rehearsal.step()
    assert state.step == "heat.warm" and state.state == "running"
    setpoint_c = rig.controller.sheet.setpoint_c
    assert setpoint_c is not None and rig.plant.oil_c <= setpoint_c + 0.5


def test_a_slow_person_is_waited_for_by_pauses_and_the_batch_ends_complete(quick: Pair) -> None:
    batch, reactor = quick
    result = content(Rehearsal(reactor, batch, NoRecord(), seed=3, person="slow")).run()
    assert result.complete, (result.state, result.why)
    changes = [(event.data["old"], event.data["new"]) for event in result.events
               if event.kind == "state_changed"]
    assert ("pausing", "paused") in changes and ("paused", "running") in changes
    assert ("holding", "held") not in changes, "nobody was late enough for a hold"
    assert result.trips == ["e-stop"], "the start check's own"


def test_a_two_stage_plan_is_dosed_drained_dosed_again_and_checked(quick: Pair) -> None:
    batch, reactor = quick
    rehearsal = content(Rehearsal(reactor, replace(batch, first_share=0.8), NoRecord(), seed=3))
    result = rehearsal.run()
    assert result.complete, (result.state, result.why)
    assert in_order(result, "methoxide.dissolve", "dose.pour", "mix.run", "settle.between",
                    "drain.between", "methoxide.share", "dose.gate", "dose.pour", "mix.run",
                    "check.ask", "settle.first")
    assert steps(result).count("dose.pour") == 2 and steps(result).count("check.ask") == 1
    first, last = rehearsal.rig.controller.sheet.stages
    whole = rehearsal.rig.controller.sheet.methanol
    assert whole is not None and first.methanol_l + last.methanol_l == pytest.approx(
        whole.volume_l)
    for prompt, share in (("dissolve", first), ("dissolve_share", last)):
        (text,) = texts(result, prompt)
        assert f"{share.mass_g:.0f} g" in text and f"{share.methanol_l:.1f} L" in text
    (text,) = texts(result, "sheet")
    assert "In two stages" in text
    stood_s = at_s(result.events, "drain.between")[0] - at_s(result.events, "settle.between")[0]
    assert stood_s >= FIRST_DRAIN_S and FIRST_DRAIN_C == 49.0
    drained = [event for event in result.events if event.kind == "observation"
               and event.data["name"] == "glycerol_l"]
    assert len(drained) == 2 and drained[0].data["value"] > 1.0
