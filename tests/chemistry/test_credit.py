"""The worth of a minute of mixing."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from esterward.chemistry.credit import mixing_weight


def test_a_minute_at_55_degc_is_one_minute() -> None:
    assert mixing_weight(55.0) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("oil_c", [None, nan, inf, -inf, -20.0, 0.0, 39.999])
def test_what_is_unknown_or_too_cold_earns_nothing(oil_c: float | None) -> None:
    assert mixing_weight(oil_c) == 0.0


def test_40_degc_still_earns() -> None:
    assert mixing_weight(40.0) == pytest.approx(0.358, abs=0.001)


def test_a_probe_gone_mad_cannot_finish_the_mix_early() -> None:
    assert mixing_weight(125.0) == mixing_weight(70.0) < 2.6


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_every_float_gives_a_bounded_worth(oil_c: float) -> None:
    assert 0.0 <= mixing_weight(oil_c) < 2.6


@given(st.floats(40.0, 70.0), st.floats(40.0, 70.0))
def test_warmer_is_never_worth_less(one: float, other: float) -> None:
    assert mixing_weight(min(one, other)) <= mixing_weight(max(one, other))
