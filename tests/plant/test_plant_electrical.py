"""Contactors, timer, loops and inputs: what closes what, and what opens it again."""

from dataclasses import replace

import pytest

from esterward.values.readings import OPTIONAL_INPUTS, Inputs
from esterward_sim.plant import LOW, Lines, Plant
from plant.plant_rig import FULL, REACTOR, go, plant_with_oil

HEAT = {"k1": True, "ssr": True, "mixer": True}


def heating(**parameters: float) -> Plant:
    plant = plant_with_oil(40.0, reactor=FULL, **parameters)
    go(plant, 60, **HEAT)
    assert plant.element_on and plant.mixer_on
    return plant


def test_everything_is_open_with_all_lines_low() -> None:
    plant = plant_with_oil(40.0)
    go(plant, 60, beating=False)
    inputs = plant.inputs()
    assert inputs.k1_open and inputs.k2_open and not inputs.mixer_proof
    assert not plant.element_on and not plant.mixer_on


@pytest.mark.parametrize("missing", ["k1", "ssr", "enable"])
def test_the_element_needs_every_one_of_its_lines(missing: str) -> None:
    plant = heating()
    go(plant, 3, **{**HEAT, missing: False})
    assert not plant.element_on
    go(plant, 3, **HEAT)
    assert plant.element_on


def test_with_a_contactor_as_switch_the_ssr_line_does_not_matter() -> None:
    plant = plant_with_oil(40.0)
    go(plant, 10, k1=True)
    assert plant.element_on


def test_the_beat_timer_lapses_two_seconds_after_the_last_change() -> None:
    plant = heating()
    lines = Lines(beat=plant.electrical.lines.beat, enable=True, **HEAT)
    plant.step(0.05, replace(lines, beat=not lines.beat))
    lines = replace(lines, beat=not lines.beat)
    seconds = 0.05
    while plant.k2_closed:
        plant.step(0.05, lines)
        seconds += 0.05
        assert seconds < 3.0
    # 2.0 s of the timer and 0.02 s of the contactor, in steps of 0.05 s
    assert 2.0 <= seconds <= 2.101
    assert not plant.element_on and not plant.mixer_on
    assert plant.k1_closed  # K1 still has its line and the float


def test_a_constant_beat_never_closes_k2() -> None:
    plant = plant_with_oil(40.0)
    for level in (False, True):
        for _ in range(80):
            plant.step(0.25, Lines(enable=True, beat=level, **HEAT))
        assert not plant.k2_closed


def test_dropping_enable_opens_k2_within_its_own_delay() -> None:
    plant = heating()
    beat = plant.electrical.lines.beat
    for _ in range(2):
        beat = not beat
        plant.step(0.015, Lines(beat=beat, enable=False, **HEAT))
    assert not plant.k2_closed


def test_the_emergency_stop_opens_k2_by_wire() -> None:
    plant = heating()
    plant.estop_pressed = True
    go(plant, 0.25, **HEAT)
    inputs = plant.inputs()
    assert not inputs.estop_closed and inputs.k2_open
    assert not plant.element_on and not plant.mixer_on
    plant.estop_pressed = False
    go(plant, 0.5, **HEAT)
    assert plant.element_on


def test_low_level_opens_k1_but_not_the_pump() -> None:
    plant = heating()
    plant.drain(90.0, 10.0)
    go(plant, 15, **HEAT)
    inputs = plant.inputs()
    assert not inputs.level_wet and inputs.k1_open and not inputs.k2_open
    assert not plant.element_on and plant.mixer_on


def test_a_hand_that_lifts_the_float_makes_the_level_read_wet() -> None:
    plant = Plant(REACTOR, plant_with_oil().batch)
    assert not plant.inputs().level_wet
    plant.float_lifted = True
    assert plant.inputs().level_wet
    plant.float_lifted = False
    assert not plant.inputs().level_wet


def test_the_cut_out_opens_hot_and_holds_until_a_person_resets_it_cool() -> None:
    plant = plant_with_oil(100.0, cutout_c=105.0)
    go(plant, 3600, k1=True, mixer=True)
    assert not plant.inputs().cutout_closed and not plant.k2_closed
    assert plant.oil_c < 108.0
    plant.reset_cutout()
    assert not plant.inputs().cutout_closed  # still too hot
    go(plant, 8 * 3600, beating=False)
    assert not plant.inputs().cutout_closed
    plant.reset_cutout()
    assert plant.inputs().cutout_closed


def test_the_second_cut_out_is_in_the_loop_only_with_its_key_at_methanol() -> None:
    plant = plant_with_oil(65.0, reactor=FULL)
    go(plant, 20, **HEAT)
    assert plant.inputs().cutout2_closed is False and plant.element_on
    plant.methanol_key = True
    go(plant, 1, **HEAT)
    assert not plant.element_on


def test_vent_runs_without_k2_and_mixer_and_air_do_not() -> None:
    plant = plant_with_oil(40.0, reactor=FULL)
    go(plant, 5, beating=False, vent=True, mixer=True, air=True)
    assert plant.inputs().vent_proof
    assert not plant.mixer_on and not plant.electrical.air_on


def test_the_mixer_proves_itself_after_a_second_of_flow_and_not_before() -> None:
    plant = plant_with_oil(40.0)
    go(plant, 3.0)  # K2 is closed
    proofs = []
    for _ in range(8):
        go(plant, 0.25, mixer=True)
        proofs.append(plant.inputs().mixer_proof)
    assert proofs == [False] * 3 + [True] * 5
    go(plant, 0.25)
    assert plant.inputs().mixer_proof
    go(plant, 0.5)
    assert not plant.inputs().mixer_proof


def test_a_pump_over_an_empty_vessel_turns_but_does_not_prove_flow() -> None:
    plant = Plant(REACTOR, plant_with_oil().batch)
    go(plant, 10, mixer=True)
    assert plant.mixer_on and not plant.inputs().mixer_proof
    plant.pour_oil(20.0, 20.0, 60.0)
    go(plant, 30, mixer=True)
    assert plant.inputs().mixer_proof and not plant.inputs().level_wet


def test_inputs_that_are_not_fitted_are_none_and_fitted_ones_are_good() -> None:
    small, full = plant_with_oil().inputs(), plant_with_oil(reactor=FULL).inputs()
    for name in OPTIONAL_INPUTS:
        assert getattr(small, name) is None
        assert getattr(full, name) is (name != "vent_proof")  # the fan is off


def test_buttons_read_as_they_are_held() -> None:
    plant = plant_with_oil()
    for name in ("green", "black", "blue"):
        setattr(plant, name, True)
        assert getattr(plant.inputs(), name) is True
        setattr(plant, name, False)
        assert getattr(plant.inputs(), name) is False


def test_draining_opens_the_drain_switch_while_it_flows() -> None:
    plant = plant_with_oil(reactor=FULL)
    plant.drain(5.0, 10.0)
    go(plant, 5)
    assert plant.inputs().drain_closed is False
    go(plant, 10)
    assert plant.inputs().drain_closed is True


def test_contactors_need_their_delay_at_fine_steps() -> None:
    plant = plant_with_oil(40.0, k1_delay_s=0.03, k2_delay_s=0.05)
    beat = False
    closed: dict[str, float] = {}
    for n in range(1, 41):
        beat = not beat
        plant.step(0.005, Lines(beat=beat, enable=True, k1=True))
        for name in ("k1", "k2"):
            if getattr(plant, f"{name}_closed"):
                closed.setdefault(name, n * 0.005)
    assert closed["k1"] == pytest.approx(0.03, abs=0.006)
    assert closed["k2"] == pytest.approx(0.05, abs=0.006)


def test_inputs_is_the_same_object_until_something_moves() -> None:
    plant = plant_with_oil()
    first = plant.inputs()
    plant.step(0.25, LOW)
    assert plant.inputs() is first and isinstance(first, Inputs)
