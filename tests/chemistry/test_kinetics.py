"""Published kinetics. Outside sources: tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from esterward.chemistry import kinetics


@settings(max_examples=25, deadline=None)
@given(st.floats(3.0, 12.0), st.floats(30.0, 70.0))
def test_what_has_turned_stays_between_none_and_all(ratio: float, oil_c: float) -> None:
    run = kinetics.noureddini_zhu(ratio, oil_c, (0.5, 5.0, 30.0))
    turned = [one.tg_conversion for one in run]
    assert 0.0 < turned[0] < turned[1] < turned[2] < 1.0
    assert all(0.0 < (one.ester_yield or 0.0) < one.tg_conversion for one in run)


def test_at_the_start_nothing_has_turned() -> None:
    (start,) = kinetics.noureddini_zhu(6.0, 55.0, (0.0,))
    assert (start.tg_conversion, start.ester_yield) == (0.0, 0.0)
    assert kinetics.darnoko_cheryan(55.0, 0.0).tg_conversion == 0.0


def test_times_that_go_back_are_refused() -> None:
    with pytest.raises(ValueError, match="time must be a number from 5 to 600 min, not 4"):
        kinetics.noureddini_zhu(6.0, 55.0, (5.0, 4.0))


@pytest.mark.parametrize("oil_c", [49.9, 65.1])
def test_the_second_set_is_not_carried_beyond_its_table(oil_c: float) -> None:
    with pytest.raises(ValueError, match="oil temperature must be a number from 50 to 65 degC"):
        kinetics.darnoko_cheryan(oil_c, 30.0)


def test_the_statement_defers_to_the_check() -> None:
    assert "Only the conversion check on this batch counts" in kinetics.disagreement()
