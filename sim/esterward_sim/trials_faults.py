"""What can go wrong in a trial, row by row, and by when the energy must be gone.

The deadlines are written by hand from what each fault endangers, never taken from the
interlock table they are held against: seconds after the fault began until the element (or
element, mixer and air pump) truly carries no current, as long as the fault lasts and no person
has acted since. None: no own deadline; the invariants alone watch. `needs` names the optional
input that must be wired. The first part are the plant's own faults (plant/faults.py), the
second what happens to processes, storage, messages, clocks and people.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Any, Final

from esterward.tick import from_plain
from esterward.values.outputs import SAFE
from esterward.values.requests import Request
from esterward_sim.plant.faults import PLANT_ROWS
from esterward_sim.trials_truth import guard_state

if TYPE_CHECKING:
    from esterward.values.reactor import Reactor
    from esterward_sim.rehearsal import Rehearsal

Act = Callable[["Rehearsal", Random], None]


@dataclass(frozen=True, slots=True)
class FaultCase:
    """One row. heat_off_s, all_off_s: deadlines in seconds; ends: what undoes it, if anything.

    warm_c: the deadline holds only with the oil truly above this (a value that happens to be
    the true one is no fault); mixed: only if the mixer has been running for two minutes;
    flag: only with the methanol flag set.
    """

    name: str
    rows: tuple[str, ...]
    sentence: str
    start: Act
    ends: Act | None = None
    heat_off_s: float | None = None
    all_off_s: float | None = None
    needs: str = ""
    warm_c: float = -100.0
    cool_c: float = 200.0
    mixed: bool = False
    flag: bool = False


def _give(name: str, value: float | None, run: Rehearsal, rng: Random) -> None:
    run.rig.plant.faults.start(name, value)


def _take(name: str, run: Rehearsal, rng: Random) -> None:
    run.rig.plant.faults.end(name)


_PROBE: Final[dict[str, dict[str, Any]]] = {
    "lost": {"heat_off_s": 8.0}, "zero": {"heat_off_s": 10.0, "warm_c": 6.0},
    "power_on": {"heat_off_s": 10.0, "cool_c": 79.0}, "far": {"heat_off_s": 8.0},
    "nan": {"heat_off_s": 8.0},
    # 3 K apart: allowed once one of them reads over 85 degC
    "offset": {"heat_off_s": 150.0, "mixed": True, "cool_c": 82.0},
    "drift": {"heat_off_s": 1400.0, "mixed": True},
    "out_of_well": {"heat_off_s": 400.0, "warm_c": 45.0, "mixed": True},
}
# Deadlines of the plant's other faults; a row that is not here has none of its own.
_PLANT: Final[dict[str, dict[str, Any]]] = {
    "k1_mirror_stuck": {"heat_off_s": 5.0}, "k2_mirror_stuck": {"heat_off_s": 5.0},
    "k1_chatter": {"heat_off_s": 10.0}, "k2_chatter": {"heat_off_s": 10.0},
    "cutout_open": {"all_off_s": 1.0}, "cutout_readback_lost": {"all_off_s": 2.0},
    "cutout2_open": {"heat_off_s": 5.0, "needs": "cutout2_closed", "flag": True},
    "beat_timer_dead": {"all_off_s": 2.0},
    "mixer_stalled": {"heat_off_s": 8.0}, "pump_dry": {"heat_off_s": 8.0},
    "mixer_proof_lost": {"heat_off_s": 8.0},
    "drain_open": {"heat_off_s": 2.0, "needs": "drain_closed"},
    "drain_switch_lost": {"heat_off_s": 2.0, "needs": "drain_closed"},
    "level_low": {"heat_off_s": 2.0}, "level_readback_lost": {"heat_off_s": 2.0},
    "level_chatter": {"heat_off_s": 3.0},
    "lid_open": {"heat_off_s": 2.0, "needs": "lid_closed"},
    "lid_switch_lost": {"heat_off_s": 2.0, "needs": "lid_closed"},
    "vent_failed": {"heat_off_s": 8.0, "needs": "vent_proof"},
    "vent_proof_lost": {"heat_off_s": 8.0, "needs": "vent_proof"},
    "vapour_high": {"all_off_s": 3.0, "needs": "vapour_low"},
    "vapour_sensor_lost": {"all_off_s": 2.0, "needs": "vapour_low"},
    "estop_pressed": {"all_off_s": 1.0}, "estop_wire": {"all_off_s": 1.0},
    "estop_readback_lost": {"all_off_s": 2.0},
    "sump_wet": {"all_off_s": 2.0, "needs": "sump_dry"},
    "mains_lost": {"all_off_s": 0.5}, "coil_supply_lost": {"all_off_s": 1.0},
    "earth_fault": {"all_off_s": 0.5},
    # 30 s of it, what began in the tick before, the tick that ends it, and the contactor
    "supply_low": {"heat_off_s": 33.0},
    "line_beat_high": {"all_off_s": 3.0}, "line_beat_low": {"all_off_s": 3.0},
    "line_enable_low": {"all_off_s": 1.0}, "line_k1_low": {"heat_off_s": 1.0},
}
# Needs an input to mean anything; without it the plant has no such part.
_NEEDS: Final = {
    "lid_stuck_closed": "lid_closed", "vent_proof_stuck": "vent_proof",
    "vapour_sensor_stuck": "vapour_low", "sump_switch_stuck": "sump_dry",
    "drain_switch_stuck": "drain_closed", "cutout2_readback_stuck": "cutout2_closed",
    "barometer_lost": "barometer", "barometer_sea_level": "barometer",
    "barometer_stuck": "barometer", "ssr_shorted": "ssr", "ssr_leaks": "ssr",
    "line_ssr_high": "ssr", "line_ssr_low": "ssr", "line_vent_high": "vent_proof",
    "line_vent_low": "vent_proof",
}


def _plant_case(name: str, value: float | None = None, suffix: str = "") -> FaultCase:
    row = PLANT_ROWS[name]
    probe, _, what = name.partition("_")[2].partition("_")
    own = dict(_PROBE.get(what, {})) if name.startswith("probe_") and len(probe) == 1 \
        else dict(_PLANT.get(name, {}))
    own.setdefault("needs", _NEEDS.get(name, ""))
    return FaultCase(name + suffix, row.rows, row.sentence, partial(_give, name, value),
                     partial(_take, name), **own)


# -- processes, storage, messages, clocks, people ---------------------------------------------


def _set(path: str, value: Any) -> Act:
    """Set an attribute of the rehearsal, named by dots."""
    return partial(_set_now, path, value)


def _set_now(path: str, value: Any, run: Rehearsal, rng: Random) -> None:
    *way, last = path.split(".")
    target: Any = run
    for name in way:
        target = getattr(target, name)
    setattr(target, last, value)


def _restart_controller(run: Rehearsal, rng: Random) -> None:
    rig = run.rig
    old = rig.controller
    new = from_plain(old.reactor, old.file_batch, old.to_plain())
    new.restarted("power came back", new.state.last_event)
    rig.relays.write(SAFE, rig.clock.time_s)  # the lines of a dead process fall by themselves
    rig.controller = rig.loop.controller = new
    rig.loop.newest, rig.loop.next_tick_s = None, None
    run.person.printed = new
    record: Any = run.record
    record.boots += 1


def _restart_guard(run: Rehearsal, rng: Random) -> None:
    guard = run.rig.guard
    record: Any = run.record
    guard.state = guard_state(*record.guard_file)
    guard.message, guard.newest, guard.enable, guard.stored = None, None, False, False


def _blackout(run: Rehearsal, rng: Random) -> None:
    run.rig.plant.faults.start("mains_lost")
    _restart_guard(run, rng)
    _restart_controller(run, rng)


class _Liar:
    """A controller gone mad: it denies K1, methanol and every limit, and wants energy."""

    def __init__(self, run: Rehearsal) -> None:
        self.guard = run.rig.guard

    def send(self, report: Any, now_s: float) -> None:
        self.guard.send(replace(report, k1=False, flag=False, trip_c=None, k2_wanted=True), now_s)

    def take(self, now_s: float) -> Any:
        return self.guard.take(now_s)


class _OneWay:
    """Messages pass one way only."""

    def __init__(self, run: Rehearsal, to_guard: bool) -> None:
        self.guard, self.to_guard = run.rig.guard, to_guard

    def send(self, report: Any, now_s: float) -> None:
        if self.to_guard:
            self.guard.send(report, now_s)

    def take(self, now_s: float) -> Any:
        return None if self.to_guard else self.guard.take(now_s)


def _link(make: Callable[[Rehearsal], Any], run: Rehearsal, rng: Random) -> None:
    run.rig.loop.ports.guard = make(run)


def _link_back(run: Rehearsal, rng: Random) -> None:
    run.rig.loop.ports.guard = run.rig.guard


def _deaf(run: Rehearsal) -> Any:
    return _OneWay(run, False)


def _mute(run: Rehearsal) -> Any:
    return _OneWay(run, True)


def _disk(stuck: bool, why: str, run: Rehearsal, rng: Random) -> None:
    record: Any = run.record
    record.stuck, record.fault = stuck, why


def _forge(run: Rehearsal, rng: Random) -> None:
    """A burst of requests as from the network: old, forged, nonsense; none asks for a hold."""
    record: Any = run.record
    for number in range(40):
        kind = rng.choice(("start", "reset", "resume", "heat", "go", "setpoint", "observe", ""))
        record.forged.append(Request(
            f"forged-{rng.random()}-{number}", kind, "mqtt",
            rng.choice(("e-stop", "probe-a", "methoxide_c", "washed", "glycerol_l", "")),
            rng.choice((None, 0.0, -1.0, 20.0, 1e9)), text=rng.choice(("", "let me in"))))


def _fumble(run: Rehearsal, rng: Random) -> None:
    """Somebody presses whatever there is, for a minute."""
    plan: list[tuple[Any, ...]] = []
    for _ in range(12):
        button = rng.choice(("green", "black", "blue", "green", "blue"))
        plan += [("set", button, True), ("wait", rng.choice((0.3, 0.8, 2.6, 5.5))),
                 ("set", button, False), ("wait", rng.choice((0.3, 1.0, 3.0)))]
    run.person._queue.extend(plan)


def _walk_away(run: Rehearsal, rng: Random) -> None:
    run.person.kind, run.person._started = "absent", True


def _press(button: str, run: Rehearsal, rng: Random) -> None:
    run.person._press(button)


def _clock(run: Rehearsal, rng: Random) -> None:
    run.rig.clock.offset_s += rng.choice((-1.0, 1.0)) * rng.choice((3600.0, 86400.0, 1e9))


_OTHER: Final[tuple[FaultCase, ...]] = (
    FaultCase("controller_stopped", ("F-66", "F-69"), "The controller hangs or is stopped.",
              _set("rig.controller_dead", True), _set("rig.controller_dead", False),
              all_off_s=3.0),
    FaultCase("controller_restarts", ("F-58", "F-59", "F-60", "F-61"),
              "The controller process is killed and starts again at once.",
              _restart_controller),  # over at once, so no deadline: I-06 watches what follows
    FaultCase("guard_stopped", ("F-67", "F-68"), "The guard hangs or is stopped.",
              _set("rig.guard.dead", True), _set("rig.guard.dead", False), all_off_s=3.0),
    FaultCase("guard_restarts", ("F-67",), "The guard is killed and starts again from its file.",
              _restart_guard),
    FaultCase("blackout", ("F-58", "F-59", "F-60", "F-61"),
              "The mains go off; both processes are cut and start again.",
              _blackout, partial(_take, "mains_lost"), all_off_s=0.5),
    FaultCase("guard_hears_nothing", ("F-84",), "No message reaches the guard.",
              partial(_link, _deaf), _link_back, all_off_s=3.0),
    FaultCase("controller_hears_nothing", ("F-84",), "No message of the guard arrives.",
              partial(_link, _mute), _link_back, all_off_s=3.0),
    FaultCase("controller_lies", ("F-18", "F-90"),
              "The controller tells the guard that all is off and no methanol is there.",
              partial(_link, _Liar), _link_back, heat_off_s=3.0),
    FaultCase("probe_a_hangs", ("F-14", "F-15"), "The read of probe A does not return.",
              _set("rig.probe.hung", True), _set("rig.probe.hung", False), heat_off_s=7.0),
    FaultCase("probe_b_hangs", ("F-14", "F-15"), "The read of probe B does not return.",
              _set("rig.guard.probe.hung", True), _set("rig.guard.probe.hung", False),
              heat_off_s=7.0),
    FaultCase("disk_full", ("F-71", "F-72", "F-73"), "The record says that it cannot store.",
              partial(_disk, True, "no space left"), partial(_disk, False, ""),
              heat_off_s=13.0),
    FaultCase("disk_silent", ("F-73",), "What is handed over is never on disk, and none says so.",
              partial(_disk, True, ""), partial(_disk, False, "")),
    FaultCase("clock_jumps", ("F-76", "F-77", "F-78"), "The wall clock jumps by hours or years.",
              _clock),
    FaultCase("forged_requests", ("F-86", "F-87", "F-88", "F-89", "F-90"),
              "Requests from the network that nobody here made.", _forge),
    FaultCase("fumbling", ("F-93", "F-94", "F-98"), "Somebody presses all the buttons.", _fumble),
    FaultCase("walked_away", ("F-100",), "The person is not seen again.", _walk_away),
    FaultCase("black_pressed", ("F-93",), "Black is pressed.", partial(_press, "black")),
)

_LOW: Final = {"probe_a_offset": -3.0, "probe_b_offset": -3.0, "probe_a_drift": -10.0,
               "probe_b_drift": -10.0}
CASES: Final[dict[str, FaultCase]] = {case.name: case for case in (
    *(_plant_case(name) for name in PLANT_ROWS),
    *(_plant_case(name, value, "_low") for name, value in _LOW.items()),
    *_OTHER)}


def fits(case: FaultCase, reactor: Reactor) -> bool:
    """Whether a reactor has the part that this row breaks."""
    return (not case.needs or case.needs in reactor.fitted
            or (case.needs == "barometer" and reactor.barometer)
            or (case.needs == "ssr" and reactor.element_switch == "ssr"))
