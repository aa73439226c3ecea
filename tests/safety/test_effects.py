"""Effect checks on small plants: a healthy vessel is never accused, a sick one is named."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from math import inf, nan

import pytest

from esterward.process.heating import HeaterControl
from esterward.safety import effects
from esterward.safety.effects import OIL_J_PER_L_K, EffectState
from esterward.safety.faults import FAULTS
from esterward.values.plain import from_plain, to_plain
from esterward_sim.heater_plant import Plant, Vessel, random_vessel

# The two ends and the middle of the vessels served: 100 L with 3 kW, 20 L with 1.5 kW, 120 L
# with 1.5 kW; lags from the quickest to the slowest.
USUAL = Vessel(100.0, 3000.0, 3000.0, 45.0, 40.0, 25.0, 8.0, 0.05, 15.0, 15.0)
FAST = Vessel(20.0, 1500.0, 1500.0, 20.0, 60.0, 8.0, 3.0, 0.03, 20.0, 20.0)
SLOW = Vessel(120.0, 1500.0, 1500.0, 90.0, 40.0, 60.0, 10.0, 0.08, 5.0, 5.0)

Element = Callable[[int], bool]


def watch(
    vessel: Vessel, told_on: Element, seconds: int, *, really_on: Element | None = None,
    reading: Callable[[int, float], float | None] | None = None, mixed: bool = True,
    told_w: float | None = None, told_l: float | None = None,
) -> list[tuple[int, str]]:
    """Every first appearance of a verdict with its second."""
    plant, state, found = Plant(vessel), EffectState(), []
    before: tuple[str, ...] = ()
    for second in range(seconds):
        on = told_on(second)
        plant.step(really_on(second) if really_on is not None else on)
        seen_c: float | None = plant.reading()
        if reading is not None and seen_c is not None:
            seen_c = reading(second, seen_c)
        verdicts = effects.step(
            state, 1.0, element_on=on, oil_c=seen_c, mixed=mixed,
            power_w=told_w or vessel.rated_w, volume_l=told_l or vessel.volume_l,
            loss_w=max(0.0, 8.0 * (plant.oil_c - 20.0)))
        found += [(second, code) for code in verdicts if code not in before]
        before = verdicts
    return found


def always(_: int) -> bool:
    return True


def never(_: int) -> bool:
    return False


@pytest.mark.parametrize("seed", range(40, 52))
def test_a_healthy_vessel_heated_and_held_is_never_accused(seed: int) -> None:
    vessel = random_vessel(seed)
    control, plant, state = HeaterControl(55.0, 58.0), Plant(vessel), EffectState()
    on = False
    for second in range(9000):
        if second == 7000:
            control.setpoint_c = 40.0  # and a long coast
        reading = plant.reading()
        verdicts = effects.step(
            state, 1.0, element_on=on, oil_c=reading, mixed=True, power_w=vessel.rated_w,
            volume_l=vessel.volume_l, loss_w=8.0 * max(0.0, reading - 20.0))
        assert verdicts == (), second
        on = control.update(float(second), reading)
        plant.step(on)


@pytest.mark.parametrize("mains", [0.9, 1.1])
@pytest.mark.parametrize("vessel", [USUAL, FAST, SLOW])
def test_mains_ten_percent_off_are_no_fault(vessel: Vessel, mains: float) -> None:
    changed = replace(vessel, power_w=vessel.rated_w * mains**2)
    seconds = int(35.0 / changed.rate_k_s)
    assert watch(changed, lambda s: s < seconds, seconds + 1500) == []


@pytest.mark.parametrize("vessel, within_s", [(USUAL, 180), (FAST, 180), (SLOW, 340)])
def test_an_element_that_does_not_heat_is_no_response(vessel: Vessel, within_s: int) -> None:
    found = watch(vessel, always, 900, really_on=never)
    assert [code for _, code in found] == [effects.NO_RESPONSE]
    assert found[0][0] <= within_s


@pytest.mark.parametrize("vessel, within_s", [(USUAL, 180), (FAST, 180), (SLOW, 340)])
def test_a_reading_that_freezes_while_heating_is_no_response(
    vessel: Vessel, within_s: int,
) -> None:
    frozen: list[float] = []

    def freeze(second: int, seen_c: float) -> float:
        if second < 900:
            return seen_c
        frozen.append(seen_c)
        return frozen[0]

    found = [item for item in watch(vessel, always, 1500, reading=freeze)
             if item[1] == effects.NO_RESPONSE]
    assert found and 900 < found[0][0] <= 900 + within_s


@pytest.mark.parametrize("vessel", [USUAL, FAST])
def test_half_the_power_warns_and_is_not_called_no_response(vessel: Vessel) -> None:
    half = replace(vessel, power_w=vessel.rated_w * 0.5)
    found = watch(half, always, 900)
    assert {code for _, code in found} == {effects.HALF_POWER}
    assert found[0][0] <= 600


@pytest.mark.parametrize("vessel", [USUAL, FAST])
def test_twice_the_power_is_over_response(vessel: Vessel) -> None:
    double = replace(vessel, power_w=vessel.rated_w * 2.0)
    found = watch(double, always, 900)
    assert found[0][1] == effects.OVER_RESPONSE
    assert found[0][0] <= 600


def test_half_the_declared_oil_is_over_response() -> None:
    found = watch(USUAL, always, 900, told_l=2.0 * USUAL.volume_l)
    assert found[0][1] == effects.OVER_RESPONSE


@pytest.mark.parametrize("vessel, within_s", [(USUAL, 360), (FAST, 300), (SLOW, 600)])
def test_an_element_that_stays_on_after_heating_is_warming_while_off(
    vessel: Vessel, within_s: int,
) -> None:
    found = watch(vessel, lambda s: s < 900, 1600, really_on=always)
    assert [code for _, code in found] == [effects.WARMING_OFF]
    assert found[0][0] <= 900 + within_s


@pytest.mark.parametrize("vessel, within_s", [(USUAL, 180), (FAST, 90), (SLOW, 420)])
def test_an_element_that_comes_on_by_itself_is_warming_while_off(
    vessel: Vessel, within_s: int,
) -> None:
    found = watch(vessel, never, 2000, really_on=lambda s: s >= 1000)
    assert [code for _, code in found] == [effects.WARMING_OFF]
    assert 1000 < found[0][0] <= 1000 + within_s


def test_the_run_on_after_a_pulse_is_no_fault_even_where_it_is_several_kelvin() -> None:
    laggard = replace(FAST, element_lag_s=90.0, probe_lag_s=60.0)
    plant = Plant(laggard)
    for second in range(900):
        plant.step(second < 300)
        if second == 299:
            off_c = plant.reading()
    assert plant.reading() - off_c > 4.0
    for vessel in (USUAL, FAST, SLOW, laggard):
        for pulse_s in (20, 60, 120, 300):
            assert watch(vessel, lambda s, p=pulse_s: s < p, 1200) == []  # type: ignore[misc]


def test_a_pump_that_warms_the_oil_slowly_is_no_fault() -> None:
    warmed = replace(FAST, power_w=100.0)
    assert watch(warmed, never, 7200, really_on=always) == []


@pytest.mark.parametrize("really_on", [always, never])
def test_oil_that_is_not_mixed_is_not_judged(really_on: Element) -> None:
    assert watch(USUAL, always, 900, really_on=really_on, mixed=False) == []
    assert watch(USUAL, never, 900, really_on=really_on, mixed=False) == []


def test_missing_readings_are_neither_a_fault_nor_a_cover_for_one() -> None:
    assert watch(USUAL, always, 900, reading=lambda s, c: c if s % 3 else None) == []
    found = watch(USUAL, always, 900, really_on=never,
                  reading=lambda s, c: c if s % 3 else None)
    assert [code for _, code in found] == [effects.NO_RESPONSE]


@pytest.mark.parametrize("bad", [nan, inf, -inf, 0.0, -1.0])
def test_heat_with_power_or_litres_unknown_counts_as_no_response(bad: float) -> None:
    state = EffectState()
    for power_w, volume_l in ((bad, 100.0), (3000.0, bad)):
        verdicts = effects.step(state, 1.0, element_on=True, oil_c=20.0, mixed=True,
                                power_w=power_w, volume_l=volume_l)
        assert verdicts == (effects.NO_RESPONSE,)
    assert state == EffectState()


@pytest.mark.parametrize("oil_c", [nan, inf, -inf, 126.0])
def test_a_reading_that_is_no_temperature_is_not_taken_in(oil_c: float) -> None:
    state = EffectState()
    for _ in range(300):
        assert effects.step(state, 1.0, element_on=True, oil_c=oil_c, mixed=True,
                            power_w=3000.0, volume_l=100.0) == ()
    assert state.marks == []


def test_the_water_boiling_out_near_100_degc_is_not_judged() -> None:
    state = EffectState()
    for _ in range(1200):
        assert effects.step(state, 1.0, element_on=True, oil_c=99.5, mixed=True,
                            power_w=3000.0, volume_l=100.0) == ()


@pytest.mark.parametrize(("before_share", "most_k"), [(0.75, 3.0), (0.95, 6.0)])
def test_a_weak_element_that_doubles_is_named_by_the_quick_window_already(
    before_share: float, most_k: float,
) -> None:
    """1.5 of the expected rise: too little for the quick window, but twice what it was."""
    state, rate_k_s = EffectState(best_share=before_share), 3000.0 / (120.0 * OIL_J_PER_L_K)
    second, verdicts = 0, tuple[str, ...]()
    while not verdicts and second < 1200:
        second += 1
        verdicts = effects.step(
            state, 1.0, element_on=True, oil_c=30.0 + 1.5 * rate_k_s * second, mixed=True,
            power_w=3000.0, volume_l=120.0)
    assert verdicts == (effects.OVER_RESPONSE,)
    assert most_k - 3.0 < second * rate_k_s < most_k


@pytest.mark.parametrize(("loss_w", "found"), [(0.0, ()), (600.0, (effects.WARMING_OFF,))])
def test_who_warms_slowly_though_much_is_lost_is_heated_by_the_element(
    loss_w: float, found: tuple[str, ...],
) -> None:
    """A fifth of the element's rate: pump and sun without loss, not on top of 600 W lost."""
    state, rise_k_s = EffectState(), 0.2 * 1500.0 / (120.0 * OIL_J_PER_L_K)
    verdicts: tuple[str, ...] = ()
    for second in range(3600):
        verdicts = effects.step(
            state, 1.0, element_on=False, oil_c=45.0 + rise_k_s * second, mixed=True,
            power_w=1500.0, volume_l=120.0, loss_w=loss_w)
    assert verdicts == found


def test_a_verdict_on_heating_ends_once_the_element_has_been_off() -> None:
    state = EffectState()
    for _ in range(300):
        verdicts = effects.step(state, 1.0, element_on=True, oil_c=20.0, mixed=True,
                                power_w=3000.0, volume_l=100.0)
    assert verdicts == (effects.NO_RESPONSE,)
    for _ in range(31):
        verdicts = effects.step(state, 1.0, element_on=False, oil_c=20.0, mixed=True,
                                power_w=3000.0, volume_l=100.0)
    assert verdicts == ()


@pytest.mark.parametrize("dt_s", [nan, inf, -1.0, 5.1, 1e9])
def test_a_gap_in_time_ends_the_window(dt_s: float) -> None:
    state = EffectState()
    for i in range(400):
        verdicts = effects.step(state, dt_s if i % 100 == 99 else 1.0, element_on=True,
                                oil_c=20.0, mixed=True, power_w=3000.0, volume_l=100.0)
        assert verdicts == ()
    for _ in range(200):
        verdicts = effects.step(state, 1.0, element_on=True, oil_c=20.0, mixed=True,
                                power_w=3000.0, volume_l=100.0)
    assert verdicts == (effects.NO_RESPONSE,)


def test_every_verdict_says_what_to_look_at() -> None:
    for code in effects.VERDICTS:
        fault = FAULTS[code]
        assert fault.action.endswith(".") and len(fault.action) > 30
    assert {FAULTS[code].severity for code in effects.VERDICTS} == {"trip", "alarm"}


def test_the_state_goes_to_plain_and_back_at_any_moment_and_stays_small() -> None:
    plant, state = Plant(USUAL), EffectState()
    for second in range(1500):
        on = second % 500 < 400
        plant.step(on)
        if second % 137 == 0:
            text = json.dumps(to_plain(state), allow_nan=False)
            assert len(text) < 1500
            again = from_plain(EffectState, json.loads(text))
            assert again == state
            state = again
        effects.step(state, 1.0, element_on=on, oil_c=plant.reading(), mixed=True,
                     power_w=3000.0, volume_l=100.0, loss_w=100.0)
