"""What can go wrong while a batch is heated, for tests/safety/test_interlocks.py.

One case for each thing that an interlock stands against: what makes it bad, and what must stop.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from esterward.safety.interlocks import INTERLOCKS, Interlock
from esterward.values.readings import ProbeReading
from harness import Bench

# What must be off after two ticks. "heat": the mixer goes on; "none": it is only told.
ALL, HEAT, NONE = "all", "heat", "none"
MakeBad = Callable[[Bench], None]


def reasons(bench: Bench) -> set[str]:
    safety = bench.controller.state.safety
    return set(safety.withheld.values()) | set(safety.latches) | set(safety.alarms)


@dataclass(frozen=True)
class Case:
    """make_bad changes the world; needs, when: the rows meant, all of the code when empty.

    reaction: the batch state that must be reached, where two rows differ in nothing else.
    """

    code: str
    stops: str
    make_bad: MakeBad
    needs: str = ""
    when: str = ""
    reaction: str = ""
    full: bool = False
    melting: bool = False        # from a pulse for set fat, not from heating

    def table(self) -> tuple[Interlock, ...]:
        """The interlocks without the rows meant."""
        return tuple(row for row in INTERLOCKS if not (
            row.code == self.code and self.needs in ("", row.needs)
            and self.when in ("", row.when)))


def _input(name: str, level: bool) -> MakeBad:
    def make_bad(bench: Bench) -> None:
        bench.override[name] = level
    return make_bad


def _second_cutout_with_the_flag_set(bench: Bench) -> None:
    bench.controller.state.flag.set = bench.guard.flag = True
    bench.override["cutout2_closed"] = False


def _input_for(name: str, level: bool, seconds: int) -> MakeBad:
    """An input with a delay of its own, of which two ticks are left."""
    def make_bad(bench: Bench) -> None:
        bench.override[name] = level
        bench.ticks(seconds)
    return make_bad


def _stale(which: str) -> MakeBad:
    """The last reading stands still; it may serve for 4.4 seconds, so for four ticks."""
    def make_bad(bench: Bench) -> None:
        setattr(bench, which, ProbeReading(bench.oil_c, bench.now_s))
        bench.ticks(4)
        assert bench.controller.outputs.k1
    return make_bad


def _stale_for_long(which: str) -> MakeBad:
    def make_bad(bench: Bench) -> None:
        setattr(bench, which, ProbeReading(bench.oil_c, bench.now_s))
        bench.ticks(10)
    return make_bad


def _only_now(counter: str) -> MakeBad:
    """What heat has to wait for has only just become good."""
    return lambda bench: setattr(bench.controller.state.safety, counter, 0.0)


def _kept_waiting(bench: Bench) -> None:
    bench.controller.state.safety.waited_s = 125.0


def _chattered(which: str) -> MakeBad:
    def make_bad(bench: Bench) -> None:
        getattr(bench.controller.state.safety, which).edges_s = [0.0] * 5
    return make_bad


def _value(which: str, c: float | None) -> MakeBad:
    """A value that is refused, after the last good one has had its time."""
    def make_bad(bench: Bench) -> None:
        for _ in range(4):
            bench.now_s += 1.0
            setattr(bench, which, ProbeReading(c, bench.now_s, "" if c else "unplugged"))
            bench.tick(dt_s=0.0)
    return make_bad


def _guard(**changes: object) -> MakeBad:
    def make_bad(bench: Bench) -> None:
        bench.guard_changes.update(changes)
    return make_bad


def refuses(bench: Bench) -> None:
    bench.guard_changes["enable"] = False
    bench.override["k2_open"] = True


def _k2_welded(bench: Bench) -> None:
    bench.guard_changes["enable"] = False
    bench.override["k2_open"] = False


def _k1_welded(bench: Bench) -> None:
    """The heater law switches off at the setpoint; K1 stays closed."""
    setpoint_c = bench.controller.sheet.setpoint_c
    assert setpoint_c is not None
    bench.set_oil(setpoint_c + 0.3)
    bench.override["k1_open"] = False
    for _ in range(30):
        if not bench.controller.outputs.k1:
            break
        bench.tick()


def _mixer_runs_on(bench: Bench) -> None:
    bench.override["mixer_proof"] = True
    bench.press("black")
    bench.ticks(3)
    assert not bench.controller.outputs.mixer and reasons(bench) == set()


def _silent(bench: Bench) -> None:
    bench.guard_at_s = bench.now_s


def _presence(bench: Bench) -> None:
    safety = bench.controller.state.safety
    safety.presence_age_s, safety.presence_asked_s = 3599.5, 299.5


def _alarm_limit(bench: Bench) -> None:
    bench.set_oil(112.0)


def _trip_limit(bench: Bench) -> None:
    bench.set_oil(113.0)


def _trip_with_methanol(bench: Bench) -> None:
    limits = bench.controller.limits
    assert limits is not None
    bench.controller.state.flag.set = True
    bench.tick()
    assert bench.controller.outputs.mixer
    bench.set_oil(limits.trip_c + 0.0625)


def _apart(bench: Bench) -> None:
    bench.probe_b = ProbeReading(bench.oil_c + 2.5, bench.now_s + 0.5)
    bench.warms = False


def _apart_unmixed(bench: Bench) -> None:
    safety = bench.controller.state.safety
    safety.apart_noted, safety.proven_s = True, 70.0


def _apart_for_a_minute(bench: Bench) -> None:
    bench.warms = False
    for second in range(60):
        bench.oil_c += 0.0625 if second % 2 else -0.0625
        bench.probe_b = ProbeReading(bench.oil_c + 2.5, bench.now_s + 1.0)
        bench.tick()
    assert bench.controller.outputs.mixer
    bench.probe_b = ProbeReading(bench.oil_c + 2.5, bench.now_s + 1.0)


def _probe_a_stuck(bench: Bench) -> None:
    c = round(bench.oil_c * 16) / 16
    for _ in range(120):
        bench.probe_a = ProbeReading(c, bench.now_s + 1.0)
        if bench.controller.state.safety.probe_a.stuck:
            return
        bench.tick()
    raise AssertionError("probe A never counted as stuck")


def _level_dry_wishing(**less: bool) -> MakeBad:
    def make_bad(bench: Bench) -> None:
        process = bench.controller.process
        tick = process.tick
        process.tick = lambda *given: replace(tick(*given), **less)  # type: ignore[method-assign]
        bench.override["level_wet"] = False
    return make_bad


def _flag(bench: Bench) -> None:
    bench.controller.state.flag.set = True


def _record(bench: Bench) -> None:
    bench.controller.state.safety.record_fault_s = 9.5
    bench.record_fault = "disk full"


def _supply_dips(bench: Bench) -> None:
    bench.supply_low = True


def _supply_low(bench: Bench) -> None:
    bench.supply_low = True
    bench.ticks(30)
    assert bench.controller.outputs.k1


def _no_limits(bench: Bench) -> None:
    """Where no methanol is planned the process would go on without: the row is what stops it."""
    bench.controller.state.process.step = "dewater.warm"
    bench.tick()
    assert bench.controller.outputs.k1
    bench.controller.limits = None


def _slow(bench: Bench) -> None:
    """Just too late for the controller, and the guard has not yet let go."""
    bench.dt_s = 2.1
    bench.guard_changes["enable"] = True
    bench.override.update(k2_open=False, mixer_proof=True)


def _effect(code: str, share: float) -> MakeBad:
    """The element gives another share of its power until the effect check has seen it."""
    def make_bad(bench: Bench) -> None:
        bench.element_share = share
        for _ in range(1500):
            if code in bench.controller.state.safety.effects.verdicts:
                return
            bench.tick()
        raise AssertionError(f"the effect check never said {code}")
    return make_bad


def _third_unclean_start(bench: Bench) -> None:
    bench.controller.state.safety.unclean_starts = 3


def _past_lost(bench: Bench) -> None:
    bench.controller.state.safety.past_lost = True


def _guard_latches_once_more(bench: Bench) -> None:
    bench.controller.state.safety.guard_resets["silent"] = 3
    bench.guard.latches.append("silent")


def _warms_although_off(bench: Bench) -> None:
    """At the setpoint the heater law rests; the element does not."""
    setpoint_c = bench.controller.sheet.setpoint_c
    assert setpoint_c is not None
    bench.set_oil(setpoint_c + 0.3)
    bench.ticks(5)
    bench.warms = bench.warms_off = True
    _effect("warming-off", 1.0)(bench)


def _hotter_b(bench: Bench) -> None:
    """Probe B alone is above what set fat may be heated to."""
    bench.set_oil(49.0)
    bench.controller.state.safety.probe_b.good_c = bench.guard.good_c = 50.125
    bench.probe_b = ProbeReading(50.125, bench.now_s + 0.5)


def _heated_enough(bench: Bench) -> None:
    bench.controller.state.safety.melt_s = 30.0


CASES: dict[str, Case] = {
    "e-stop pressed": Case("e-stop", ALL, _input("estop_closed", False)),
    "cut-out open": Case("cut-out", ALL, _input("cutout_closed", False)),
    "level dry": Case("level", ALL, _input("level_wet", False)),
    "level dry with heat alone wished": Case(
        "level", ALL, _level_dry_wishing(mixer=False), needs="level_now", reaction="held"),
    "level dry with the mixer alone wished": Case(
        "level", ALL, _level_dry_wishing(heating=False, element=False), needs="level_or_hand",
        reaction="held"),
    "level wet for a moment only": Case("level", HEAT, _only_now("wet_s"), needs="level_wet"),
    "mixer not proven": Case("mixer", HEAT, _input("mixer_proof", False)),
    "mixer not proven for five seconds": Case(
        "mixer", ALL, _input_for("mixer_proof", False, 4), needs="mixer_starts"),
    "mixer runs on": Case("mixer-runs-on", ALL, _mixer_runs_on),
    "K1 reads open while commanded closed": Case("k1-open", ALL, _input("k1_open", True)),
    "K2 reads open while commanded closed": Case("k2-open", ALL, _input("k2_open", True)),
    "K1 welded": Case("k1-welded", ALL, _k1_welded),
    "K1 chattered": Case("k1-chatter", ALL, _chattered("k1")),
    "K2 chattered": Case("k2-chatter", ALL, _chattered("k2")),
    "K2 welded": Case("k2-welded", ALL, _k2_welded),
    "probe A stale": Case("probe-a", HEAT, _stale("probe_a")),
    "probe B stale": Case("probe-b", HEAT, _stale("probe_b")),
    "probe A missing": Case("probe-a", HEAT, _value("probe_a", None)),
    "probe A not a number": Case("probe-a", HEAT, _value("probe_a", float("nan"))),
    "probe A implausible": Case("probe-a", HEAT, _value("probe_a", -109.9)),
    "probe B implausible": Case("probe-b", HEAT, _value("probe_b", 127.9375)),
    "probe A stale for long": Case("probe-a", ALL, _stale_for_long("probe_a"),
                                   needs="probe_a_fresh", reaction="held"),
    "probe B stale for long": Case("probe-b", ALL, _stale_for_long("probe_b"),
                                   needs="probe_b_fresh", reaction="held", melting=True),
    "probe A repeats one value": Case("probe-stuck", ALL, _probe_a_stuck),
    "probes disagree": Case("probes-apart", HEAT, _apart),
    "probes disagreed before the oil was mixed": Case(
        "probes-apart", HEAT, _apart_unmixed, needs="probes_agree"),
    "probes disagree for a minute": Case(
        "probes-apart", ALL, _apart_for_a_minute, needs="probes_together"),
    "guard silent": Case("guard-silent", ALL, _silent),
    "guard of another boot": Case("guard-silent", ALL, _guard(boot="other")),
    "guard of the future": Case("guard-silent", ALL, _guard(at_s=1e9)),
    "guard with another configuration": Case("guard-disagrees", ALL, _guard(hash="other")),
    "guard does not enable": Case("guard-refuses", HEAT, refuses),
    "energy kept waiting for two minutes": Case("unsteady", NONE, _kept_waiting),
    "nobody there": Case("presence", ALL, _presence),
    "alarm limit": Case("over-alarm", HEAT, _alarm_limit),
    "trip limit": Case("over-trip", ALL, _trip_limit, when="known_clear",
                       reaction="aborted"),
    "trip limit with methanol": Case(
        "over-trip", ALL, _trip_with_methanol, when="known_set", reaction="held"),
    "methanol flag set": Case("methanol", HEAT, _flag),
    "record cannot store": Case("record", ALL, _record),
    "board's supply dips": Case("supply-low", NONE, _supply_dips),
    "board's supply low for over half a minute": Case("supply", ALL, _supply_low),
    "no boiling limit known": Case("limits", HEAT, _no_limits),
    "third start without a clean stop": Case("restarts", ALL, _third_unclean_start),
    "what was latched is not known": Case("record-lost", ALL, _past_lost),
    "guard latches what was reset three times": Case(
        "guard-resets", ALL, _guard_latches_once_more),
    "tick comes late": Case("slow", ALL, _slow),
    "element dead": Case("no-response", ALL, _effect("no-response", 0.0)),
    "element twice as strong": Case("over-response", ALL, _effect("over-response", 2.0)),
    "element half as strong": Case("half-power", NONE, _effect("half-power", 0.5)),
    "element on although switched off": Case("warming-off", ALL, _warms_although_off),
    "set fat above 50 degC by the hotter probe": Case("mixer", ALL, _hotter_b, melting=True),
    "set fat heated for long enough": Case("mixer", ALL, _heated_enough, melting=True),
    "set fat with the flag set": Case("mixer", ALL, _flag, melting=True),
    "lid open": Case("lid", ALL, _input("lid_closed", False), full=True),
    "vapour": Case("vapour", ALL, _input("vapour_low", False), full=True),
    "sump wet": Case("sump", ALL, _input("sump_dry", False), full=True),
    "drain open": Case("drain", ALL, _input("drain_closed", False), full=True),
    "vent without flow": Case("vent", ALL, _input_for("vent_proof", False, 4), full=True),
    "second cut-out open": Case("cut-out-2", ALL, _second_cutout_with_the_flag_set, full=True),
}
