"""Each interlock, from a heating batch: one input made bad, heat off, the reason named.

Each check is run once more with its rows taken out of the table and must then fail, so that
none of these can pass by accident. Every row of the table has a case here.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.safety.faults import FAULTS
from esterward.safety.interlocks import INTERLOCKS, Interlock
from esterward.values.readings import OPTIONAL_INPUTS, ProbeReading
from esterward.values.requests import Request
from harness import BATCH, Bench, heating_bench
from interlock_cases import ALL, CASES, HEAT, NONE, Case, reasons, refuses


def _off_and_named(bench: Bench, case: Case) -> bool:
    case.make_bad(bench)
    bench.tick()
    bench.tick()
    out = bench.controller.outputs
    on = {ALL: (False, False, False), HEAT: (False, True, True), NONE: (True, True, True)}
    if case.reaction:
        bench.ticks(2)
        out = bench.controller.outputs
    return ((out.k1, out.mixer, out.k2_wanted) == on[case.stops]
            and case.code in reasons(bench) and bench.state.startswith(case.reaction))


@pytest.fixture(scope="module")
def heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


@pytest.fixture(scope="module")
def melting(heating: Bench) -> Bench:
    """In the first seconds of a pulse for set fat."""
    bench = heating.copy(batch=replace(BATCH, oil_set=True))
    bench.controller.state.process.step = "fill.melt"
    bench.ticks(90)
    bench.controller.state.safety.melt_s = 0.0
    bench.controller.state.process.timers.step_s = 0.0
    bench.tick()
    out = bench.controller.outputs
    assert out.k1 and out.k2_wanted and not out.mixer
    return bench


@pytest.fixture(scope="module")
def heating_full() -> Bench:
    return heating_bench(OPTIONAL_INPUTS)


@pytest.mark.parametrize("name", CASES)
def test_what_must_be_off_is_off_within_two_ticks_and_the_reason_is_named(
    name: str, heating: Bench, heating_full: Bench, melting: Bench,
) -> None:
    case = CASES[name]
    bench = melting if case.melting else heating_full if case.full else heating
    assert _off_and_named(bench.copy(), case)


@pytest.mark.parametrize("name", CASES)
def test_without_its_row_that_check_fails(
    name: str, heating: Bench, heating_full: Bench, melting: Bench,
) -> None:
    case = CASES[name]
    bench = melting if case.melting else heating_full if case.full else heating
    bench = bench.copy(case.table())
    assert not _off_and_named(bench, case)


# Only told, of what another row acts on: each of these has its case in
# tests/tick/test_told_at_rest.py, or the lid in test_on_delays.py there.
ONLY_TOLD = {row for row in INTERLOCKS if row.when in ("always", "guarded")
             or (row.when == "heard" and not row.removes) or row.name == "lid/lid_ok/energised"}


@pytest.mark.parametrize("row", [row for row in INTERLOCKS if row not in ONLY_TOLD],
                         ids=lambda row: row.name)
def test_every_row_by_itself_has_a_case_that_fails_without_it(
    row: Interlock, heating: Bench, heating_full: Bench, melting: Bench,
) -> None:
    table = tuple(other for other in INTERLOCKS if other is not row)
    assert not all(
        _off_and_named((melting if case.melting else heating_full if case.full else heating)
                       .copy(table), case)
        for case in CASES.values() if case.code == row.code and row not in case.table())


LATCHED = {row.code for row in INTERLOCKS if row.latches}


@pytest.mark.parametrize("name", [name for name, case in CASES.items()
                                  if case.code in LATCHED and not case.melting])
def test_once_its_cause_is_gone_every_latch_can_be_reset_at_the_reactor(
    name: str, heating: Bench, heating_full: Bench,
) -> None:
    case = CASES[name]
    good = heating_full if case.full else heating
    bench = good.copy()
    case.make_bad(bench)
    bench.ticks(15)
    latches = bench.controller.state.safety.latches
    if case.code not in latches:  # lid with the flag set only, probe B in a pulse only, and so on
        latches.append(case.code)
    bench.override, bench.guard_changes = dict(good.override), {}
    bench.probe_a = bench.probe_b = bench.guard_at_s = None
    bench.record_fault, bench.dt_s, bench.warms_off = "", 1.0, False
    bench.supply_low = False
    bench.set_oil(40.0)
    bench.ticks(600 if case.code == "vapour" else 20)
    for _ in range(4):
        for code in latches:
            bench.tick((Request(f"r{bench.now_s}", "reset", "local", code, text="seen to"),))
        bench.press("blue", seconds=6)
    assert latches == bench.guard.latches == [], bench.events[-1]


def test_every_row_has_a_name_of_its_own() -> None:
    assert len({row.name for row in INTERLOCKS}) == len(INTERLOCKS)


def test_the_guard_beside_it_decides_by_itself(heating: Bench) -> None:
    bench = heating.copy()
    bench.probe_b = ProbeReading(None, bench.now_s, "unplugged")
    bench.ticks(7)
    assert bench.guard.latches == ["probe"]
    assert bench.report is not None and not bench.report.enable


def test_a_guard_that_refuses_is_named_only_when_nothing_else_explains_it(
    heating: Bench,
) -> None:
    bench = heating.copy()
    bench.probe_b = ProbeReading(bench.oil_c, bench.now_s)
    bench.ticks(8)
    assert bench.guard.latches == ["probe"] and not bench.controller.outputs.k1
    assert bench.why_withheld()["heat"] == "probe-b"


def test_a_guard_that_refuses_ends_heat_after_1_5_s_and_is_told_after_4_5_s(
    heating: Bench,
) -> None:
    bench = heating.copy()
    bench.warms = False
    refuses(bench)
    heat, alarm = [], []
    for _ in range(19):
        bench.tick(dt_s=0.25)
        heat.append(bench.controller.outputs.k1)
        alarm.append("guard-refuses" in bench.controller.state.safety.alarms)
    assert heat == [True] * 6 + [False] * 13 and alarm == [False] * 18 + [True]


@pytest.mark.parametrize("level", [None, float("nan")])
@pytest.mark.parametrize(("name", "code"), [
    ("lid_closed", "lid"), ("vent_proof", "vent"), ("vapour_low", "vapour"),
    ("sump_dry", "sump"), ("drain_closed", "drain"), ("cutout2_closed", "cut-out-2")])
def test_a_fitted_input_that_says_nothing_is_as_bad_as_one_that_says_no(
    name: str, code: str, level: float | None, heating_full: Bench,
) -> None:
    bench = heating_full.copy()
    bench.override[name] = level
    bench.controller.state.flag.set = bench.guard.flag = code == "cut-out-2"  # bridged without
    bench.ticks(7)
    assert not bench.controller.outputs.k1
    assert code in reasons(bench)


def test_an_input_that_is_not_fitted_asks_nothing(heating: Bench) -> None:
    bench = heating.copy()
    assert {getattr(bench.inputs(), name) for name in OPTIONAL_INPUTS} == {None}
    bench.ticks(30)
    assert bench.controller.outputs.k1 and reasons(bench) == set()


def test_every_row_names_a_fault_of_the_table() -> None:
    assert {row.code for row in INTERLOCKS} == set(FAULTS)


def test_a_healthy_heating_batch_raises_nothing(heating: Bench) -> None:
    bench = heating.copy()
    bench.ticks(300)
    assert bench.controller.state.safety.alarms == {}
    assert bench.controller.state.safety.latches == []
