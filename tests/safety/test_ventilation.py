"""The rule of the vent fan, over everything it is told."""

from __future__ import annotations

from itertools import product

import pytest

from esterward.safety.faults import FAULTS
from esterward.safety.interlocks import INTERLOCKS
from esterward.safety.ventilation import VENTS, fan_runs

BOTH = (False, True)
CODES = sorted(FAULTS)


@pytest.mark.parametrize("code", CODES)
def test_no_fault_turns_the_fan_off_and_what_drives_vapour_turns_it_on(code: str) -> None:
    turns_on = code in ("vapour", "sump", "warming-off")
    for halted in BOTH:
        for faults in ((code,), ("record", code), (code, "record")):
            assert fan_runs(True, flag=False, wanted=False, faults=faults, halted=halted)
            assert turns_on is fan_runs(
                False, flag=False, wanted=False, faults=faults, halted=halted)


def test_a_word_that_only_the_guard_knows_does_not_turn_it_off_either() -> None:
    assert fan_runs(True, flag=False, wanted=False, faults=("b-silent",), halted=False)


def test_with_the_flag_set_or_wanted_by_the_batch_it_runs_whatever_else_is_so() -> None:
    for ran, flag, wanted, halted in product(BOTH, repeat=4):
        if flag or wanted:
            for faults in ((), ("e-stop",)):
                assert fan_runs(ran, flag=flag, wanted=wanted, faults=faults, halted=halted)


def test_it_goes_off_only_by_plan_and_never_comes_on_by_a_halt() -> None:
    assert not fan_runs(True, flag=False, wanted=False, faults=(), halted=False)
    assert fan_runs(True, flag=False, wanted=False, faults=(), halted=True)
    assert not fan_runs(False, flag=False, wanted=False, faults=(), halted=True)
    assert not fan_runs(False, flag=False, wanted=False, faults=(), halted=False)


def test_every_cause_that_turns_it_on_is_one_that_latches_at_once() -> None:
    for code in VENTS:
        assert any(row.latches and row.after_s == 0.0 for row in INTERLOCKS if row.code == code)
