"""The heater law on small plants: where it must heat, where it must not, and resuming."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from math import inf, nan

import pytest

from esterward.process.heating import HeaterControl
from esterward_sim.heater_plant import Plant, random_vessel

SETPOINT_C, CEILING_C = 55.0, 58.0


def heat(control: HeaterControl, plant: Plant, seconds: int, at_s: int = 0) -> list[float]:
    """Run both together; the true oil temperature second by second."""
    oil_c = []
    for second in range(at_s, at_s + seconds):
        plant.step(control.update(float(second), plant.reading()))
        oil_c.append(plant.oil_c)
    return oil_c


def warmed_up(seed: int = 3, below_k: float = 3.0) -> tuple[HeaterControl, Plant, int]:
    """A law and its plant in the middle of heating, and the second."""
    control, plant, second = HeaterControl(SETPOINT_C, CEILING_C), Plant(random_vessel(seed)), 0
    while plant.oil_c < SETPOINT_C - below_k:
        plant.step(control.update(float(second), plant.reading()))
        second += 1
    return control, plant, second


@pytest.mark.parametrize("element", ["ssr", "contactor"])
@pytest.mark.parametrize("seed", range(3))
def test_the_oil_reaches_the_setpoint_and_stays_within_one_kelvin(seed: int, element: str) -> None:
    control = HeaterControl(SETPOINT_C, CEILING_C, element=element)
    oil_c = heat(control, Plant(random_vessel(seed)), 14_000)
    assert max(oil_c) <= SETPOINT_C + 1.0
    assert all(abs(c - SETPOINT_C) < 1.0 for c in oil_c[-1800:])


def test_a_contactor_rests_twenty_seconds_in_each_state_and_its_cycles_are_counted() -> None:
    control, plant = HeaterControl(SETPOINT_C, CEILING_C, element="contactor"), Plant(
        random_vessel(5))
    asked = []
    for second in range(12_000):
        asked.append(control.update(float(second), plant.reading()))
        plant.step(asked[-1])
    changes = [i for i in range(1, len(asked)) if asked[i] != asked[i - 1]]
    assert len(changes) > 10
    assert min(b - a for a, b in pairwise(changes)) >= 20
    assert control.cycles == sum(asked[i] for i in changes) + asked[0]
    last_hour = [i for i in changes if i >= 8400]
    assert len(last_hour) <= 60


def test_nothing_is_asked_for_before_the_first_reading() -> None:
    control = HeaterControl(SETPOINT_C, CEILING_C)
    assert not any(control.update(float(second), None) for second in range(10))
    assert control.learnt() == {}


def test_the_last_good_reading_serves_for_five_seconds_and_no_longer() -> None:
    control = HeaterControl(SETPOINT_C, CEILING_C)
    assert control.update(0.0, 20.0)
    assert [control.update(float(s), None) for s in range(1, 8)] == [True] * 5 + [False] * 2
    assert control.update(8.0, 20.0)
    assert not control.update(13.001, None)


@pytest.mark.parametrize("oil_c", [nan, inf, -inf, 125.1, -20.1, 1e300])
def test_a_reading_that_is_no_temperature_is_answered_with_off_at_once(oil_c: float) -> None:
    control = HeaterControl(SETPOINT_C, CEILING_C)
    assert control.update(0.0, 20.0)
    assert not control.update(1.0, oil_c)
    assert control.update(2.0, 20.0)


@pytest.mark.parametrize("now_s", [nan, inf, -inf, 9.9])
def test_time_that_does_not_go_forward_is_answered_with_off_at_once(now_s: float) -> None:
    control = HeaterControl(SETPOINT_C, CEILING_C)
    assert control.update(10.0, 20.0)
    assert not control.update(now_s, 20.0)
    assert not control.update(11.0, None)  # the reading before the break no longer serves
    assert control.update(12.0, 20.0)


@pytest.mark.parametrize("oil_c", [CEILING_C, CEILING_C + 0.0625, 90.0])
def test_nothing_is_asked_for_at_or_above_the_ceiling(oil_c: float) -> None:
    control = HeaterControl(100.0, CEILING_C)
    assert not control.update(0.0, oil_c)


def test_nothing_is_asked_for_when_the_prediction_reaches_the_ceiling() -> None:
    control, plant, second = warmed_up()
    assert control.update(float(second), plant.reading())
    control.setpoint_c, control.ceiling_c = 80.0, control.model.stored_c
    assert plant.reading() < control.ceiling_c
    assert not control.update(float(second + 1), plant.reading())


def test_heat_on_its_way_above_the_ceiling_stops_it_even_when_the_loss_would_take_it() -> None:
    control, plant, second = warmed_up()
    plain = control.to_plain()
    # A great loss lets the predicted peak stay low; the stored heat alone must be enough.
    plain["model"] |= {"stored_c": CEILING_C + 0.1, "loss_k_s": 0.04, "rate_k_s": 0.08}
    control = HeaterControl.from_plain(plain)
    assert control._peak_c(SETPOINT_C) < SETPOINT_C
    assert not control.update(float(second), plant.reading())


@pytest.mark.parametrize("setpoint_c, ceiling_c", [(nan, 58.0), (55.0, nan), (55.0, -inf)])
def test_a_limit_that_is_no_number_means_off(setpoint_c: float, ceiling_c: float) -> None:
    control = HeaterControl(setpoint_c, ceiling_c)
    assert not any(control.update(float(s), 20.0) for s in range(10))


def test_a_setpoint_above_the_ceiling_ends_below_the_ceiling() -> None:
    oil_c = heat(HeaterControl(70.0, CEILING_C), Plant(random_vessel(4)), 12_000)
    assert CEILING_C - 1.0 < max(oil_c) < CEILING_C


@pytest.mark.parametrize("element", ["relay", "", "SSR"])
def test_an_unknown_element_is_refused_with_the_allowed_words(element: str) -> None:
    with pytest.raises(ValueError, match="is not one of ssr, contactor"):
        HeaterControl(SETPOINT_C, CEILING_C, element=element)


@pytest.mark.parametrize("period_s", [0.0, -1.0, nan, inf, 6.0])
def test_a_period_out_of_range_is_refused(period_s: float) -> None:
    with pytest.raises(ValueError, match=r"is not within 0\.1\.\.5 s"):
        HeaterControl(SETPOINT_C, CEILING_C, period_s=period_s)


@pytest.mark.parametrize("element", ["ssr", "contactor"])
@pytest.mark.parametrize("below_k", [30.0, 3.0, 0.4])
def test_restored_at_any_moment_it_goes_on_identically(below_k: float, element: str) -> None:
    control, plant, second = warmed_up(below_k=below_k)
    if element == "contactor":
        control, second = HeaterControl(SETPOINT_C, CEILING_C, element=element), 0
        heat(control, plant, 333)
        second = 333
    text = json.dumps(control.to_plain(), allow_nan=False)
    twin = HeaterControl.from_plain(json.loads(text))
    for s in range(second, second + 1500):
        reading = plant.reading()
        asked = control.update(float(s), reading)
        assert twin.update(float(s), reading) is asked
        plant.step(asked)
    assert twin.to_plain() == control.to_plain()
    assert len(json.dumps(control.to_plain())) < len(text) + 1000


def test_heat_denied_for_long_leaves_the_law_sane() -> None:
    control, plant, second = warmed_up(below_k=10.0)
    before = control.learnt()
    for s in range(second, second + 3600):
        assert control.update(float(s), plant.reading(), was_on=False)  # it goes on asking
        plant.step(False)
    after = control.learnt()
    assert after["rate_k_s"] == pytest.approx(before["rate_k_s"], rel=0.1)
    assert control.model.stored_c == pytest.approx(plant.oil_c, abs=0.2)
    oil_c = heat(control, plant, 12_000, at_s=second + 3600)
    assert max(oil_c) < SETPOINT_C + 0.4
    assert abs(oil_c[-1] - SETPOINT_C) < 0.3


def test_after_an_interruption_the_first_reading_is_believed_at_once() -> None:
    control, plant, _ = warmed_up(below_k=20.0)
    control.interrupted()
    assert not control.update(30.0, None)
    after_c = plant.oil_c - 12.0  # a night without power
    control.update(31.0, after_c)
    assert control.model.oil_c == after_c
    assert after_c < control.model.stored_c < after_c + 3.0


@pytest.mark.parametrize("gap_s", [6, 60, 1800])
def test_after_a_pause_without_questions_it_goes_on_without_overshoot(gap_s: int) -> None:
    control, plant, second = warmed_up(below_k=2.5)
    for _ in range(gap_s):
        plant.step(False)
    oil_c = heat(control, plant, 9_000, at_s=second + gap_s)
    assert max(oil_c) < SETPOINT_C + 0.5
    assert abs(oil_c[-1] - SETPOINT_C) < 0.3


def test_the_mains_changing_by_a_fifth_in_power_is_survived() -> None:
    for factor in (0.81, 1.21):
        control, plant, second = warmed_up(below_k=15.0)
        vessel = plant.vessel
        plant.retune(replace(vessel, power_w=vessel.power_w * factor))
        oil_c = heat(control, plant, 9_000, at_s=second)
        assert max(oil_c) < SETPOINT_C + 0.6
        assert abs(oil_c[-1] - SETPOINT_C) < 0.3
