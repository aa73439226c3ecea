"""The hand-kept table cause_and_effect.txt, cell by cell, against the real tick and guard."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from esterward.safety.effects import EffectState
from esterward.safety.faults import FAULTS
from esterward.safety.interlocks import INTERLOCKS
from esterward.values.readings import OPTIONAL_INPUTS, ProbeReading
from esterward.values.requests import Request
from harness import BATCH, Bench, heating_bench

FILE = Path(__file__).with_name("cause_and_effect.txt")
SITUATIONS = {"heating": "HM", "mixing": "M", "drying": "HMA", "melting": "H"}
PULSE_LOOK_S = 4  # of the pulse: the look falls into it


@dataclass(frozen=True)
class Row:
    """One line of the file; cells: situation -> (what runs, state)."""

    cause: str
    after_s: int
    cells: dict[str, tuple[str, str]]
    latch: str
    reset: str
    horn: str
    fitted: str


def rows() -> list[Row]:
    found = []
    for line in FILE.read_text(encoding="utf-8").splitlines():
        if not line or line.startswith("#"):
            continue
        match = re.fullmatch(r"(.+?)\s{2,}(\d+)" + r"\s+(\S+) (\w+)" * 4 + r"\s+(\S+)"
                             r"\s+(\S+)\s+(\S+)\s+(\S+)", line)
        assert match is not None, f"not a row: {line!r}"
        cause, after, *cells, latch, reset, horn, fitted = match.groups()
        pairs = zip(cells[::2], cells[1::2], strict=True)
        found.append(Row(cause, int(after), dict(zip(SITUATIONS, pairs, strict=True)), latch,
                         reset, horn, fitted))
    return found


ROWS = {row.cause: row for row in rows()}


def _input(name: str, level: bool) -> Callable[[Bench], None]:
    return lambda bench: bench.override.update({name: level})


def _second_cutout_with_the_flag_set(bench: Bench) -> None:
    bench.controller.state.flag.set = bench.guard.flag = True
    bench.override["cutout2_closed"] = False


def _apart(bench: Bench) -> None:
    """Both go on with the oil, see the loop of the test."""
    bench.probe_b = ProbeReading(bench.oil_c + 3.0, bench.now_s + 1.0)


def _trip(bench: Bench) -> None:
    limits = bench.controller.limits
    assert limits is not None
    bench.controller.state.safety.effects = EffectState()  # the jump is the test's
    bench.set_oil((limits.trip_c if bench.controller.state.flag.set else 113.0) + 0.0625)


def _asked(kind: str) -> Callable[[Bench], None]:
    return lambda bench: [bench.tick((Request("afar", kind, "mqtt"),)), None][1]


def _gone(which: str, c: float | None) -> Callable[[Bench], None]:
    return lambda bench: setattr(bench, which, ProbeReading(c, 1e9, "" if c else "unplugged"))


def _nobody(bench: Bench) -> None:
    safety = bench.controller.state.safety
    safety.presence_age_s, safety.presence_asked_s = 3600.0, 300.0


def _silent(bench: Bench) -> None:
    bench.guard_at_s = bench.now_s


def _silent_for_a_minute(bench: Bench) -> None:
    bench.guard_at_s = bench.now_s
    bench.ticks(60)
    bench.guard_at_s = None


def _stood_still(bench: Bench) -> None:
    """The leases of the outputs lapse, K1 and the vent fan fall off; the guard lets go of K2."""
    fitted = bench.reactor.fitted
    bench.override.update(k1_open=True, **({"vent_proof": False} if fitted else {}))
    bench.tick(dt_s=60.0)
    del bench.override["k1_open"]
    if fitted:
        bench.override["vent_proof"] = True
    bench.tick()
    bench.tick()


def _stays(name: str, level: bool) -> Callable[[Bench], None]:
    """It goes on as it is now when black ends the run."""
    def stays(bench: Bench) -> None:
        bench.override[name] = level
        bench.press("black")
    return stays


def _repeats_itself(bench: Bench) -> None:
    """The oil, and so probe B, goes 1.3 K meanwhile."""
    bench.probe_a, bench.warms = ProbeReading(round(bench.oil_c * 16) / 16, bench.now_s), False
    for _ in range(70):
        bench.oil_c += 1.3 / 70.0
        bench.probe_a = replace(bench.probe_a, at_s=bench.now_s + 1.0)
        bench.tick()


def _element(share: float) -> Callable[[Bench], None]:
    return lambda bench: setattr(bench, "element_share", share)


def _element_stays_on(bench: Bench) -> None:
    if not bench.controller.outputs.k1:
        bench.set_oil(45.0)  # so that it comes nowhere near the limits
    bench.warms = bench.warms_off = True


def _back(which: str) -> Callable[[Bench], None]:
    """Gone for seven seconds: off, and not yet a fault."""
    def back(bench: Bench) -> None:
        setattr(bench, which, ProbeReading(bench.oil_c, bench.now_s))
        bench.ticks(5)
        assert not bench.controller.outputs.k1
        setattr(bench, which, None)
    return back


def _on_and_off(bench: Bench) -> None:
    """Ten seconds of readings, then five without any, again and again."""
    for second in range(85):
        gone = second % 15 < 5
        bench.probe_a = (bench.probe_a or ProbeReading(bench.oil_c, bench.now_s)) if gone else None
        bench.tick()


def _slow(which: str) -> Callable[[Bench], None]:
    """A reading each eight seconds."""
    def slow(bench: Bench) -> None:
        for second in range(85):
            if second % 8 == 0:
                setattr(bench, which, ProbeReading(bench.oil_c, bench.now_s))
            bench.tick()
    return slow


def _late_on_and_on(bench: Bench) -> None:
    """A tick each three seconds, so that leases lapse and the guard lets go."""
    for _ in range(20):
        bench.tick(dt_s=3.0)


def _flickers(name: str) -> Callable[[Bench], None]:
    """One second bad in five, for 85 s."""
    def flickers(bench: Bench) -> None:
        for second in range(85):
            bench.override[name] = False
            if second % 5:
                del bench.override[name]
            bench.tick()
    return flickers


def _lid_shut_again(bench: Bench) -> None:
    bench.override["lid_closed"] = False
    bench.ticks(4)
    bench.override["lid_closed"] = True


def _chatters(name: str) -> Callable[[Bench], None]:
    """With each word of the guard, as long as its coil is on; first it is held as one that does
    not close, and somebody goes on."""
    def chatters(bench: Bench) -> None:
        for quarter in range(48):
            driven = bench.controller.outputs.k1 if name == "k1_open" else bench.guard.enabled
            bench.override[name] = not driven or not getattr(bench.inputs(), name)
            bench.buttons["green"] = bench.state != "running" and 8 <= quarter < 18
            bench.tick(dt_s=0.25)
    return chatters


def _refuses(bench: Bench) -> None:
    bench.guard_changes["enable"] = False
    bench.override["k2_open"] = True


def _alarm(bench: Bench) -> None:
    limits = bench.controller.limits
    assert limits is not None
    bench.controller.state.safety.effects = EffectState()  # the jump is the test's
    bench.set_oil((limits.alarm_c if bench.controller.state.flag.set else 112.0) + 0.0625)


def _third_start(bench: Bench) -> None:
    bench.controller.state.safety.unclean_starts = 3


def _past_lost(bench: Bench) -> None:
    bench.controller.state.safety.past_lost = True


def _once_more(bench: Bench) -> None:
    bench.controller.state.safety.guard_resets["silent"] = 3
    bench.guard.latches.append("silent")


def _guard_flag(level: bool) -> Callable[[Bench], None]:
    return lambda bench: bench.guard_changes.update(flag=level)


def _says_so_over_hot_oil(bench: Bench) -> None:
    """No hotter than the batch is used to without methanol."""
    bench.controller.state.safety.effects = EffectState()  # the jump is the test's
    bench.set_oil(60.0)
    bench.guard_changes["flag"] = True


def _clock(bench: Bench) -> None:
    bench.wall_s = 4e9


def _black(seconds: int) -> Callable[[Bench], None]:
    return lambda bench: bench.press("black", seconds=seconds)


def _record(bench: Bench) -> None:
    bench.record_fault = "disk full"


def _supply(bench: Bench) -> None:
    bench.supply_low = True


def _supply_good_again(bench: Bench) -> None:
    bench.supply_low = True
    bench.ticks(2)
    bench.supply_low = False


CAUSES: dict[str, Callable[[Bench], None]] = {
    "e-stop open": _input("estop_closed", False), "cut-out open": _input("cutout_closed", False),
    "level dry": _input("level_wet", False), "mixer not proven": _input("mixer_proof", False),
    "mixer not proven yet": _input("mixer_proof", False), "K1 says open": _input("k1_open", True),
    "K2 says open": _input("k2_open", True), "probe A gone": _gone("probe_a", None),
    "probe A gone for long": _gone("probe_a", None),
    "probe B gone for long": _gone("probe_b", None),
    "probe A not a number": _gone("probe_a", float("nan")), "probes 3 K apart": _apart,
    "probes 3 K apart for long": _apart, "guard silent": _silent,
    "guard back after a minute": _silent_for_a_minute, "controller stood still": _stood_still,
    "K1 stays closed": _input("k1_open", False), "K2 stays closed": _stays("k2_open", False),
    "mixer stays on": _stays("mixer_proof", True), "element gives nothing": _element(0.0),
    "element gives twice": _element(2.0), "element stays on": _element_stays_on,
    "probe A repeats itself": _repeats_itself, "guard keeps K2 open": _refuses,
    "alarm limit": _alarm, "third start in no time": _third_start,
    "start without a past": _past_lost,
    "guard latches it once more": _once_more,
    "probe A back for 28 s": _back("probe_a"), "probe A back for 32 s": _back("probe_a"),
    "probe A on and off": _on_and_off, "probe A slow": _slow("probe_a"),
    "probe B slow": _slow("probe_b"), "controller late on and on": _late_on_and_on,
    "mixer's proof flickers": _flickers("mixer_proof"),
    "lid flickers": _flickers("lid_closed"),
    "K1 chatters, green held": _chatters("k1_open"),
    "K2 chatters, green held": _chatters("k2_open"),
    "lid shut for 28 s": _lid_shut_again, "lid shut for 32 s": _lid_shut_again,
    "guard of another file": lambda bench: bench.guard_changes.update(hash="other"),
    "guard says methanol": _guard_flag(True), "and says so over hot oil": _says_so_over_hot_oil,
    "guard says no methanol": _guard_flag(False),
    "trip limit": _trip, "record cannot store": _record,
    "board's supply good again": _supply_good_again, "board's supply dips": _supply,
    "board's supply stays low": _supply,
    "black pressed": _black(1), "black held": _black(6), "hold asked from afar": _asked("hold"),
    "start asked from afar": _asked("start"), "nobody for an hour": _nobody,
    "lid open": _input("lid_closed", False),
    "lid open for over a minute": _input("lid_closed", False),
    "drain open": _input("drain_closed", False),
    "vent without flow": _input("vent_proof", False), "vapour": _input("vapour_low", False),
    "sump wet": _input("sump_dry", False), "second cut-out open": _input("cutout2_closed", False),
    "and the flag set": _second_cutout_with_the_flag_set,
    "wall clock jumps": _clock,
}


@pytest.fixture(scope="module")
def benches() -> dict[tuple[str, bool], Bench]:
    """Each situation on the small and on the full rig, everything wanted truly running."""
    made = {}
    for full in (False, True):
        heating = heating_bench(OPTIONAL_INPUTS if full else ())
        mixing, drying = heating.copy(), heating.copy()
        melting = heating.copy(batch=replace(BATCH, oil_set=True))
        mixing.set_oil(54.0)
        mixing.controller.state.flag.set = True
        mixing.controller.state.process.step = "mix.run"
        drying.controller.state.process.step = "dry.run"
        melting.controller.state.process.step = "fill.melt"
        for name, bench in (("heating", heating), ("mixing", mixing), ("drying", drying),
                            ("melting", melting)):
            bench.ticks(90)
            bench.controller.state.safety.melt_s = 0.0
            if name == "melting":
                look_at(bench, 1)
                bench.tick()
            assert running(bench) == SITUATIONS[name], (name, full, running(bench))
            made[name, full] = bench
    return made


def look_at(bench: Bench, after_s: float) -> None:
    """Turn the minute of the pulses so that after_s from now is within one."""
    bench.controller.state.process.timers.step_s = (PULSE_LOOK_S - after_s) % 60.0


def running(bench: Bench) -> str:
    out = bench.controller.outputs
    text = ("H" if out.k1 else "") + ("M" if out.mixer else "") + ("A" if out.air else "")
    return text or "-"


def test_the_file_and_the_causes_name_each_other() -> None:
    assert set(ROWS) == set(CAUSES)
    assert {row.reset for row in ROWS.values()} <= {"-", "hands", "word"}


def test_every_cause_that_latches_has_a_line() -> None:
    named = {code for row in ROWS.values() for code in row.latch.split("/")} - {"-"}
    assert named == {row.code for row in INTERLOCKS if row.latches}


def let_happen(cause: str, situation: str, bench: Bench) -> None:
    """The cause, and then the seconds of its row."""
    row, began_s = ROWS[cause], bench.now_s
    if situation == "melting":
        look_at(bench, row.after_s)
    CAUSES[cause](bench)
    while bench.now_s < began_s + row.after_s:
        if cause.startswith("probes"):
            bench.oil_c += 0.0625 if round(bench.now_s) % 2 else -0.0625
            bench.probe_b = ProbeReading(bench.oil_c + 3.0, bench.now_s + 1.0)
        for which in ("probe_a", "probe_b"):
            given = getattr(bench, which)
            if given is not None:  # a fault of a probe goes on as fresh conversions
                setattr(bench, which, replace(given, at_s=bench.now_s + 1.0))
        bench.tick()


@pytest.mark.parametrize("situation", ["heating", "drying"])
@pytest.mark.parametrize("cause", ROWS)
def test_no_cause_turns_the_vent_fan_off(
    cause: str, situation: str, benches: dict[tuple[str, bool], Bench],
) -> None:
    bench = benches[situation, True].copy()
    assert bench.controller.outputs.vent and not bench.controller.state.flag.set
    let_happen(cause, situation, bench)
    ended = bench.state == "stopped"  # by black held: not a fault
    assert bench.controller.outputs.vent is not ended
    assert ended is (cause == "black held")


@pytest.mark.parametrize("situation", SITUATIONS)
@pytest.mark.parametrize("cause", ROWS)
def test_the_tick_does_what_the_hand_kept_table_says(
    cause: str, situation: str, benches: dict[tuple[str, bool], Bench],
) -> None:
    row = ROWS[cause]
    bench = benches[situation, row.fitted != "-"].copy()
    let_happen(cause, situation, bench)
    assert (running(bench), bench.state) == row.cells[situation]
    latches = bench.controller.state.safety.latches
    held = row.cells[situation][1] in ("holding", "held", "aborted")
    latch = row.latch.split("/")[-1 if situation == "melting" else 0]
    assert latches[:1] == ([latch] if latch != "-" and held else latches[:0]), latches
    if latch != "-" and held:
        assert (FAULTS[latch].reset == "service") is (row.reset == "word")
    nothing = row.cells[situation] == (SITUATIONS[situation], "running")
    if row.horn in ("all", "none") or (row.horn != "-" and not nothing):
        bench.controller.state.chirp_s = 0.0
        bench.tick()
        assert bench.controller.outputs.horn is (row.horn in ("yes", "all"))
