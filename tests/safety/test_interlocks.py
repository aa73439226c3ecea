"""Each interlock, from a heating batch: one input made bad, heat off, the reason named.

The same check is run once more with the row taken out of the table and must then fail, so
that none of these can pass by accident.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from esterward.safety.faults import FAULTS
from esterward.safety.interlocks import INTERLOCKS
from esterward.values.readings import OPTIONAL_INPUTS, ProbeReading
from harness import BATCH, REACTOR, Bench

FULL = replace(REACTOR, rig_level="full", fitted=(
    "lid_closed", "vent_proof", "vapour_low", "sump_dry", "drain_closed", "cutout2_closed"))


def _input(name: str, level: bool) -> Callable[[Bench], None]:
    def make_bad(bench: Bench) -> None:
        bench.override[name] = level
    return make_bad


def _stale(which: str) -> Callable[[Bench], None]:
    """The last reading stands still; it may serve for five seconds."""
    def make_bad(bench: Bench) -> None:
        setattr(bench, which, ProbeReading(bench.oil_c, bench.now_s))
        bench.ticks(5)
        assert bench.controller.outputs.k1
    return make_bad


def _value(which: str, c: float | None) -> Callable[[Bench], None]:
    """A value that is refused, after the last good one has had its five seconds."""
    def make_bad(bench: Bench) -> None:
        for _ in range(4):
            bench.now_s += 1.0
            setattr(bench, which, ProbeReading(c, bench.now_s, "" if c else "unplugged"))
            bench.tick(dt_s=0.0)
    return make_bad


def _guard(**changes: object) -> Callable[[Bench], None]:
    def make_bad(bench: Bench) -> None:
        bench.guard_changes.update(changes)
    return make_bad


def _refuses(bench: Bench) -> None:
    bench.guard_changes["enable"] = False
    bench.override["k2_open"] = True


def _silent(bench: Bench) -> None:
    bench.guard_at_s = bench.now_s


def _presence(bench: Bench) -> None:
    bench.controller.state.safety.presence_age_s = 3599.5


def _alarm_limit(bench: Bench) -> None:
    for which in ("probe_a", "probe_b"):
        judge = getattr(bench.controller.state.safety, which)
        judge.good_c = 112.0
    bench.oil_c = 112.5


def _trip_limit(bench: Bench) -> None:
    _alarm_limit(bench)
    bench.oil_c = 113.0


def _apart(bench: Bench) -> None:
    bench.probe_b = ProbeReading(bench.oil_c + 2.5, bench.now_s + 0.5)
    bench.warms = False


def _flag(bench: Bench) -> None:
    bench.controller.state.flag.set = True
    bench.guard_flag = True


def _record(bench: Bench) -> None:
    bench.controller.state.safety.record_fault_s = 9.5
    bench.record_fault = "disk full"


CASES: dict[str, tuple[str, Callable[[Bench], None]]] = {
    "e-stop pressed": ("e-stop", _input("estop_closed", False)),
    "cut-out open": ("cut-out", _input("cutout_closed", False)),
    "level dry": ("level", _input("level_wet", False)),
    "mixer not proven": ("mixer", _input("mixer_proof", False)),
    "K1 reads open while commanded closed": ("k1-open", _input("k1_open", True)),
    "K2 reads open while commanded closed": ("k2-open", _input("k2_open", True)),
    "probe A stale": ("probe-a", _stale("probe_a")),
    "probe B stale": ("probe-b", _stale("probe_b")),
    "probe A missing": ("probe-a", _value("probe_a", None)),
    "probe A not a number": ("probe-a", _value("probe_a", float("nan"))),
    "probe A implausible": ("probe-a", _value("probe_a", -109.9)),
    "probe B implausible": ("probe-b", _value("probe_b", 127.9375)),
    "probes disagree": ("probes-apart", _apart),
    "guard silent": ("guard-silent", _silent),
    "guard of another boot": ("guard-silent", _guard(boot="other")),
    "guard with another configuration": ("guard-disagrees", _guard(hash="other")),
    "guard does not enable": ("guard-refuses", _refuses),
    "nobody there": ("presence", _presence),
    "alarm limit": ("over-alarm", _alarm_limit),
    "trip limit": ("over-trip", _trip_limit),
    "methanol flag set": ("methanol", _flag),
    "record cannot store": ("record", _record),
}
OPTIONAL: dict[str, tuple[str, Callable[[Bench], None]]] = {
    "lid open": ("lid", _input("lid_closed", False)),
    "vapour": ("vapour", _input("vapour_low", False)),
    "sump wet": ("sump", _input("sump_dry", False)),
    "drain open": ("drain", _input("drain_closed", False)),
    "second cut-out open": ("cut-out-2", _input("cutout2_closed", False)),
}


def _reasons(bench: Bench) -> set[str]:
    safety = bench.controller.state.safety
    return set(safety.withheld.values()) | set(safety.latches) | set(safety.alarms)


def _heat_off_and_named(bench: Bench, code: str, make_bad: Callable[[Bench], None]) -> bool:
    make_bad(bench)
    bench.tick()
    bench.tick()
    return not bench.controller.outputs.k1 and code in _reasons(bench)


def _heating(code_left_out: str = "", full: bool = False) -> Bench:
    table = tuple(row for row in INTERLOCKS if row.code != code_left_out)
    bench = Bench(FULL if full else REACTOR, BATCH, table)
    if full:
        bench.override.update(lid_closed=True, vent_proof=True, vapour_low=True, sump_dry=True,
                              drain_closed=True, cutout2_closed=True)
        bench.controller.state.process.checks.checks["lid"].done_boot = "b1"
        bench.controller.state.process.checks.checks["vent"].done_boot = "b1"
    bench.to_heating()
    return bench


@pytest.fixture(scope="module")
def heating() -> Bench:
    return _heating()


@pytest.mark.parametrize("case", CASES)
def test_heat_is_off_within_two_ticks_and_the_reason_is_named(case: str, heating: Bench) -> None:
    code, make_bad = CASES[case]
    assert _heat_off_and_named(heating.copy(), code, make_bad)


@pytest.mark.parametrize("case", CASES)
def test_without_its_row_that_check_fails(case: str) -> None:
    code, make_bad = CASES[case]
    assert not _heat_off_and_named(_heating(code), code, make_bad)


@pytest.mark.parametrize("case", OPTIONAL)
def test_an_optional_input_removes_heat_when_it_is_fitted(case: str) -> None:
    code, make_bad = OPTIONAL[case]
    bench = _heating(full=True)
    make_bad(bench)
    bench.tick()
    bench.tick()
    assert not bench.controller.outputs.k1
    assert code in _reasons(bench)


@pytest.mark.parametrize("level", [None, float("nan")])
@pytest.mark.parametrize(("name", "code"), [
    ("lid_closed", "lid"), ("vent_proof", "vent"), ("vapour_low", "vapour"),
    ("sump_dry", "sump"), ("drain_closed", "drain"), ("cutout2_closed", "cut-out-2")])
def test_a_fitted_input_that_says_nothing_is_as_bad_as_one_that_says_no(
    name: str, code: str, level: float | None,
) -> None:
    bench = _heating(full=True)
    bench.override[name] = level
    bench.ticks(7)
    assert not bench.controller.outputs.k1
    assert code in _reasons(bench)


def test_an_input_that_is_not_fitted_asks_nothing(heating: Bench) -> None:
    bench = heating.copy()
    assert set(_optional_levels(bench)) == {None}
    bench.ticks(30)
    assert bench.controller.outputs.k1 and _reasons(bench) == set()


def _optional_levels(bench: Bench) -> list[bool | None]:
    return [getattr(bench.inputs(), name) for name in OPTIONAL_INPUTS]


def test_every_row_names_a_fault_of_the_table() -> None:
    assert {row.code for row in INTERLOCKS} == set(FAULTS)


def test_a_healthy_heating_batch_raises_nothing(heating: Bench) -> None:
    bench = heating.copy()
    bench.ticks(300)
    assert bench.controller.state.safety.alarms == {}
    assert bench.controller.state.safety.latches == []
