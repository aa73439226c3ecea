"""Whatever the readings: never heat at the ceiling, never on a reading older than 5.0 s."""

from __future__ import annotations

import json
from functools import cache
from math import inf, isfinite, nan
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from esterward.process.heating import HeaterControl
from esterward.process.heating_model import LEARNT
from esterward_sim.heater_plant import Plant, random_vessel

SETPOINT_C, CEILING_C = 55.0, 58.0

readings = st.one_of(
    st.none(),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(-20.0, 125.0),
    st.floats(50.0, 60.0),
    st.sampled_from([nan, inf, -inf, -20.0, 125.0, 85.0, -127.0, CEILING_C, 57.9375, 58.0625]),
)
moves_s = st.one_of(
    st.just(1.0), st.just(1.0), st.floats(0.0, 7.0), st.floats(-100.0, 1e7),
    st.sampled_from([nan, inf, -inf, 0.0, 5.0, 5.000001, -1e-9, 1e300]),
)
limits_c = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True),
                     st.floats(40.0, 70.0))
guesses = st.dictionaries(st.sampled_from(sorted(LEARNT)),
                         st.floats(allow_nan=True, allow_infinity=True) | st.floats(0.0, 250.0))
moments = st.lists(
    st.tuples(moves_s, readings, st.sampled_from([None, True, False]), limits_c, limits_c),
    max_size=60)


class Oracle:
    """Says from the inputs alone whether heat is forbidden."""

    def __init__(self) -> None:
        self.now_s: float | None = None
        self.good: tuple[float, float] | None = None

    def forbids(self, now_s: float, oil_c: float | None, setpoint_c: float,
                ceiling_c: float) -> bool:
        if not isfinite(now_s) or (self.now_s is not None and now_s < self.now_s):
            self.now_s = now_s if isfinite(now_s) else None
            self.good = None
            return True
        self.now_s = now_s
        if oil_c is not None:
            if not (isfinite(oil_c) and -20.0 <= oil_c <= 125.0):
                return True
            self.good = (oil_c, now_s)
        if self.good is None or not (isfinite(setpoint_c) and isfinite(ceiling_c)):
            return True
        last_c, at_s = self.good
        return last_c >= ceiling_c or now_s - at_s > 5.0


WARM = [(element, seconds) for element in ("contactor", "ssr") for seconds in (0, 600, 3000, 9000)]


@cache
def warmed(element: str, seconds: int) -> tuple[dict[str, Any], float]:
    """The law's state after so long on a vessel, and its last moment."""
    control, plant = HeaterControl(SETPOINT_C, CEILING_C, element=element), Plant(random_vessel(2))
    for second in range(seconds):
        plant.step(control.update(float(second), plant.reading()))
    return control.to_plain(), float(max(0, seconds - 1))


@settings(max_examples=300, deadline=None,
          suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(moments=moments, begin=st.sampled_from(WARM), learnt=guesses)
def test_no_sequence_however_hostile_brings_heat_that_is_forbidden(
    moments: list[tuple[float, float | None, bool | None, float | None, float | None]],
    begin: tuple[str, int], learnt: dict[str, float],
) -> None:
    plain, now_s = warmed(*begin)
    control, oracle = HeaterControl.from_plain(plain), Oracle()
    if not begin[1]:
        control = HeaterControl(SETPOINT_C, CEILING_C, element=begin[0], learnt=learnt)
    if begin[1]:
        # The warmed law's own last reading was good, and now.
        oracle.now_s, oracle.good = now_s, (plain["good_c"], plain["good_at_s"])
    setpoint_c, ceiling_c = SETPOINT_C, CEILING_C
    for move_s, oil_c, was_on, setpoint, ceiling in moments:
        if setpoint is not None:
            control.setpoint_c = setpoint_c = setpoint
        if ceiling is not None:
            control.ceiling_c = ceiling_c = ceiling
        now_s = now_s + move_s if isfinite(now_s) else 0.0
        asked = control.update(now_s, oil_c, was_on)
        assert type(asked) is bool
        if oracle.forbids(now_s, oil_c, setpoint_c, ceiling_c):
            assert not asked
    assert len(json.dumps(control.to_plain(), allow_nan=False)) < 4000


@settings(max_examples=60, deadline=None)
@given(data=st.data(), seed=st.integers(0, 50))
def test_readings_gone_wrong_in_the_middle_of_heating_leave_a_law_that_recovers(
    data: st.DataObject, seed: int,
) -> None:
    plain, at_s = warmed("ssr", 3000)
    control = HeaterControl.from_plain(plain)
    bad = data.draw(st.lists(readings, min_size=1, max_size=20))
    for i, oil_c in enumerate(bad):
        control.update(at_s + 1.0 + i, oil_c)
    at_s += len(bad)
    plant = Plant(random_vessel(seed), start_c=52.0)
    oil_c_seen = []
    for second in range(6000):
        plant.step(control.update(at_s + 1.0 + second, plant.reading()))
        oil_c_seen.append(plant.oil_c)
    assert max(oil_c_seen) < CEILING_C
    assert abs(oil_c_seen[-1] - SETPOINT_C) < 1.0


def test_the_oracle_can_fail() -> None:
    oracle = Oracle()
    assert not oracle.forbids(0.0, 20.0, SETPOINT_C, CEILING_C)
    assert not oracle.forbids(5.0, None, SETPOINT_C, CEILING_C)
    assert oracle.forbids(5.1, None, SETPOINT_C, CEILING_C)
    assert oracle.forbids(5.2, CEILING_C, SETPOINT_C, CEILING_C)
