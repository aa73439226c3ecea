"""The barometer's word behind the limits: when it is taken, when it is too old, what counts."""

from __future__ import annotations

from math import inf, nan

import pytest

from esterward.chemistry import boiling
from esterward.safety.pressure import PressureState


def test_before_the_first_reading_there_is_no_barometer_and_it_is_not_old() -> None:
    state = PressureState()
    assert (state.kpa, state.age_s, state.old) == (None, 0.0, False)
    assert state.limits_at(1120.0) == boiling.limits(1120.0)


def test_the_first_reading_changes_the_limits_and_noise_does_not() -> None:
    state = PressureState()
    took = [state.step(kpa, 1.0) for kpa in (88.0, 88.0, 88.04, 87.96, 88.0625, 88.1, 88.0)]
    assert took == [True, False, False, False, True, False, True]
    assert state.kpa == 88.0 and state.limits_at(1120.0) == boiling.limits(1120.0, 88.0)


@pytest.mark.parametrize("reading_kpa", [None, nan, inf, -inf, 49.9375, 110.0625])
def test_what_is_no_pressure_is_silence_and_ages_the_last_word(reading_kpa: float | None) -> None:
    state = PressureState()
    state.step(88.0, 1.0)
    assert not state.step(reading_kpa, 2.5) and not state.step(reading_kpa, 2.5)
    assert (state.kpa, state.age_s) == (88.0, 5.0)
    assert not state.step(88.0, 1.0) and state.age_s == 0.0


@pytest.mark.parametrize("reading_kpa", [50.0, 110.0])
def test_both_ends_of_the_range_are_taken(reading_kpa: float) -> None:
    state = PressureState()
    assert state.step(reading_kpa, 1.0) and state.kpa == reading_kpa


def test_a_word_is_old_after_ten_minutes_which_is_told_once_and_any_word_ends_it() -> None:
    state = PressureState()
    state.step(88.0, 1.0)
    assert [state.step(None, 300.0) for _ in range(4)] == [False, False, True, False]
    assert state.old and state.step(88.0, 1.0), "also the very same"
    assert not state.old


def test_an_age_that_is_no_number_is_old() -> None:
    assert PressureState(88.0, nan).old


@pytest.mark.parametrize(("kpa", "counts"), [(88.0, None), (83.0, 83.0), (None, None)])
def test_an_old_word_counts_as_none_or_as_itself_where_that_is_stricter(
    kpa: float | None, counts: float | None,
) -> None:
    assert PressureState(kpa, 601.0).limits_at(1120.0) == boiling.limits(1120.0, counts)


def test_after_a_restart_the_last_word_is_too_old_until_the_next() -> None:
    state = PressureState(88.0, 0.0)
    state.restarted()
    assert state.old and state.kpa == 88.0
    assert state.step(88.0, 1.0) and not state.old
