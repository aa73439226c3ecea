"""Mixing credit and settled time: only what is proven counts."""

from __future__ import annotations

import math

import pytest

from esterward.process.timers import CREDIT_S, HEAT_OFF_PROOF_S, Timers


def _count(timers: Timers, dt_s: float = 1.0, **changes: object) -> None:
    whole: dict[str, object] = {
        "running": True, "mixing": True, "mixer_proven": True,
        "mixer_rests": False, "element_rests": True, "oil_c": 55.0, "target_c": None,
    }
    timers.count(dt_s, **{**whole, **changes})  # type: ignore[arg-type]


# Arrhenius weight, 14 kcal/mol, reference 55 degC: the figures of the blueprint, two digits.
@pytest.mark.parametrize(("oil_c", "weight"), [(57.0, 1.14), (55.0, 1.0), (50.0, 0.72),
                                               (45.0, 0.51), (39.9, 0.0)])
def test_an_hour_of_mixing_earns_its_weight(oil_c: float, weight: float) -> None:
    timers = Timers()
    for _ in range(3600):
        _count(timers, oil_c=oil_c)
    assert timers.credit_s / 3600.0 == pytest.approx(weight, abs=0.006)
    assert timers.mixed_s == 3600.0


@pytest.mark.parametrize("changes", [
    {"mixer_proven": False}, {"mixing": False}, {"oil_c": None}, {"oil_c": math.nan},
])
def test_no_credit_without_proof(changes: dict[str, object]) -> None:
    timers = Timers()
    for _ in range(100):
        _count(timers, **changes)
    assert timers.credit_s == 0.0


def test_a_gap_between_ticks_earns_two_seconds_at_most() -> None:
    timers = Timers()
    _count(timers, dt_s=3600.0)
    assert timers.credit_s == pytest.approx(2.0)
    assert timers.credit_s < CREDIT_S


def test_settled_time_counts_in_every_state_and_mixing_ends_it() -> None:
    timers = Timers()
    for running in (True, False):
        for _ in range(50):
            _count(timers, running=running, mixing=False, mixer_proven=False, mixer_rests=True)
    assert timers.settled_s == 100.0
    _count(timers)
    assert timers.settled_s == 0.0


def test_unproven_rest_does_not_count_as_settled() -> None:
    timers = Timers()
    for _ in range(50):
        _count(timers, mixing=False, mixer_proven=False, mixer_rests=False)
    assert timers.settled_s == 0.0


def test_a_gap_in_which_nobody_looked_proves_no_element_off() -> None:
    timers = Timers()
    _count(timers, 3600.0)
    assert 0.0 < timers.heat_off_s < HEAT_OFF_PROOF_S / 20.0
    assert timers.stirred_off_s == timers.heat_off_s


def test_only_while_running_and_mixed_is_anything_dried_or_stirred() -> None:
    timers = Timers()
    for running in (True, False):
        for mixer in (True, False):
            _count(timers, running=running, mixer_proven=mixer)
    assert timers.worked_s == 1.0 and timers.step_s == 2.0
    assert timers.done_s("dry", sits=False) == timers.done_s("wash_stir", sits=False) == 1.0
    assert timers.done_s("dissolve", sits=False) == 2.0
    _count(timers, dt_s=3600.0)
    assert timers.worked_s == 3.0
