"""Heat-up, landing, coasting. Outside sources: tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from esterward.chemistry import credit, energy

LOSS = st.floats(0.0, 20.0)


def by_steps(oil_l: float, start_c: float, target_c: float, watts: float, loss: float) -> float:
    """Minutes, by stepping the heat balance a second at a time."""
    oil_c, seconds = start_c, 0
    j_per_k = 1000.0 * energy.oil_kj_per_k(oil_l, around_c=(start_c + target_c) / 2.0)
    while oil_c < target_c:
        oil_c += (watts - loss * (oil_c - 20.0)) / j_per_k
        seconds += 1
    return seconds / 60.0


@pytest.mark.parametrize(("oil_l", "watts", "loss"), [(120.0, 3000.0, 8.0), (40.0, 1500.0, 20.0),
                                                      (10.0, 500.0, 0.0)])
def test_heating_takes_as_long_as_the_heat_balance_in_steps(
    oil_l: float, watts: float, loss: float
) -> None:
    got = energy.heating(oil_l, 18.0, 55.0, watts, loss)
    assert got is not None
    assert got.time_min == pytest.approx(by_steps(oil_l, 18.0, 55.0, watts, loss), abs=0.05)
    assert got.energy_kwh == pytest.approx(watts * got.time_min / 60e3)
    assert got.energy_kwh >= got.oil_kwh - 1e-9


def test_a_vanishing_loss_joins_smoothly() -> None:
    none, hardly = (energy.heating(100.0, 20.0, 55.0, 2000.0, loss) for loss in (0.0, 1e-4))
    assert none is not None and hardly is not None
    assert hardly.time_min == pytest.approx(none.time_min, rel=1e-5)


@pytest.mark.parametrize("watts", [200.0, 280.0])
def test_an_element_that_only_feeds_the_loss_never_gets_there(watts: float) -> None:
    assert energy.heating(100.0, 20.0, 55.0, watts, 8.0) is None


def test_oil_that_is_warm_enough_takes_nothing() -> None:
    assert energy.heating(100.0, 60.0, 55.0, 2000.0) == energy.Heating(0.0, 0.0, 0.0)


def test_lagging_cuts_the_loss_and_zero_is_bare() -> None:
    bare, thin, thick = (energy.loss_w_per_k(200.0, mm) for mm in (0.0, 25.0, 50.0))
    assert bare == pytest.approx(energy.BARE_W_PER_M2_K * energy.wall_area_m2(200.0))
    assert bare > 5.0 * thin > 5.0 * thick


def test_a_vessel_without_a_diameter_is_shaped_like_a_drum() -> None:
    assert energy.wall_area_m2(200.0) == pytest.approx(energy.wall_area_m2(200.0, 0.554), rel=1e-3)


@given(st.floats(30.0, 62.8), st.floats(-10.0, 35.0), st.floats(0.0, 0.4))
def test_the_dose_lands_between_methanol_and_oil(
    oil_c: float, methanol_c: float, share: float
) -> None:
    lands = energy.landing_c(oil_c, methanol_c, share)
    assert min(oil_c, methanol_c) - 1e-6 <= lands <= max(oil_c, methanol_c) + 1e-6


@given(st.floats(40.0, 62.8), st.floats(0.05, 0.2), st.floats(0.2, 0.4))
def test_more_cold_methanol_lands_colder(oil_c: float, less: float, more: float) -> None:
    # shares one rounding apart land one rounding apart, either way
    assert energy.landing_c(oil_c, 20.0, more) <= energy.landing_c(oil_c, 20.0, less) + 1e-9


def test_without_loss_the_hour_is_worth_what_the_landing_is_worth() -> None:
    got = energy.coast(55.0, 120.0, 24.0, 20.0, 15.0, 0.0)
    assert got.end_c == pytest.approx(got.lands_c)
    assert got.lands_c == pytest.approx(energy.landing_c(55.0, 20.0, 0.2))
    assert got.equivalent_min == pytest.approx(60.0 * credit.mixing_weight(got.lands_c))
    assert got.mixing_min == pytest.approx(60.0 / credit.mixing_weight(got.lands_c), abs=1.0)


def test_half_of_the_pouring_time_cools_the_batch_before_the_credit_starts() -> None:
    got = energy.coast(55.0, 120.0, 24.0, 20.0, 20.0, 30.0)
    lands = energy.landing_c(55.0, 20.0, 0.2)
    # 30 W/K for ten minutes on 120 L of oil (2.05) and 24 L of methanol (2.7 kJ/kg/K).
    fall = 30.0 * (lands - 20.0) * 600.0 / (1000.0 * (110.2 * 2.05 + 19.0 * 2.7))
    assert lands - got.lands_c == pytest.approx(fall, rel=0.04)


def test_the_expected_mixing_ends_when_sixty_minutes_are_earned() -> None:
    got = energy.coast(55.0, 120.0, 24.0, 20.0, 15.0, 4.0)
    capacity = energy.oil_kj_per_k(120.0) + 24.0 * 0.791 * 2.7
    earned = energy.equivalent_min(got.lands_c, got.mixing_min, 4.0, capacity)
    assert earned == pytest.approx(60.0, abs=0.8)


def test_a_hot_batch_still_mixes_an_hour_and_a_cold_one_three_at_most() -> None:
    assert energy.coast(62.0, 120.0, 12.0, 35.0, 10.0, 0.5).mixing_min == 60.0
    cold = energy.coast(45.0, 10.0, 2.0, 5.0, 20.0, 20.0, 0.0)
    assert cold.mixing_min == 180.0


@settings(max_examples=40)
@given(LOSS, LOSS, st.floats(45.0, 60.0))
def test_more_loss_never_earns_more(one: float, other: float, oil_c: float) -> None:
    tight = energy.coast(oil_c, 100.0, 20.0, 20.0, 15.0, min(one, other))
    leaky = energy.coast(oil_c, 100.0, 20.0, 20.0, 15.0, max(one, other))
    assert leaky.equivalent_min <= tight.equivalent_min + 1e-9
    assert leaky.mixing_min >= tight.mixing_min
    assert leaky.lands_c <= tight.lands_c + 1e-9
