"""The start checks in idle: inputs must be seen to move before they are believed.

A check counts for 30 days, across a boot only by a trusted wall clock, and for the lines it was
done on; the safety contactor is tried at every start. A start is refused naming what is missing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs

if TYPE_CHECKING:
    from esterward.process.state import World

# Sources as in timers.py.
VALID_S: Final = 30 * 86400.0  # [design]
K2_TEST_S: Final = 5.0         # [design] a contactor follows in 0.1 s
# Water freezes at 0 degC; twice the sensor's 0.5 K (data sheet) is left for both ends of a pipe.
FROST_C: Final = 1.0
FROST: Final = (
    "Frost: the probe reads below 1 degC, so water left in pump, hoses and valves may be ice. Thaw "
    "them first, with warm cloths, never with a flame, and see that the pump turns freely. ")

# check -> (input that must be seen bad, then good; what the person does)
CHECKS: Final[dict[str, tuple[str, str]]] = {
    "e-stop": ("estop_closed", "press the e-stop, release it, hold blue 5 s"),
    "level": ("level_wet", "let the level float hang dry, then lift it"),
    "lid": ("lid_closed", "open the lid and shut it"),
    "vent": ("vent_proof", "the fan is tried by itself, off and on; if this stays, see to "
             "fan, duct and flow switch"),
}
OPTIONAL: Final = {"lid": "lid_closed", "vent": "vent_proof"}


@dataclass(slots=True)
class Check:
    """One check: bad state seen, then when it became good (boot and its seconds, wall seconds)."""

    seen_bad: bool = False
    done_boot: str = ""
    done_s: float = 0.0
    done_wall_s: float | None = None


@dataclass(slots=True)
class StartChecks:
    """All checks, the lines they were done on, and the running test of the safety contactor."""

    pins: tuple[tuple[str, int], ...] = ()
    checks: dict[str, Check] = field(default_factory=lambda: {name: Check() for name in CHECKS})
    k2_test_s: float | None = None
    k2_closed_seen: bool = False


def needed(reactor: Reactor) -> tuple[str, ...]:
    """The checks this reactor has to pass."""
    return tuple(name for name in CHECKS
                 if name not in OPTIONAL or OPTIONAL[name] in reactor.fitted)


def see(state: StartChecks, reactor: Reactor, inputs: Inputs, world: World) -> list[str]:
    """Take one look at the inputs; return the checks completed by it."""
    if state.pins != reactor.pins:
        state.pins = reactor.pins
        state.checks = {name: Check() for name in CHECKS}
    done = []
    for name, (input_name, _) in CHECKS.items():
        level = getattr(inputs, input_name)
        check = state.checks[name]
        if level is False:
            check.seen_bad = True
        elif level is True and check.seen_bad:
            check.seen_bad = False
            check.done_boot, check.done_s = world.boot, world.now_s
            check.done_wall_s = world.wall_s
            done.append(name)
    return done


def missing(
    state: StartChecks, reactor: Reactor, batch: Batch, world: World
) -> tuple[str, ...]:
    """What stands between idle and a start, in order, each with what the person does."""
    found = []
    if world.flag:
        found.append("methanol flag: answer whether all methanol is out of the vessel")
    if not batch.oil_volume_l > 0.0:
        found.append("a batch: none is loaded; esterward run --batch FILE")
    found += [f"{name}: {CHECKS[name][1]}" for name in needed(reactor)
              if not _valid(state.checks[name], world)]
    if reactor.altitude_m is None:
        found.append("no altitude, so no limit for methanol: add [site] altitude to the "
                     'reactor file, such as altitude = "350 m", and start again')
    if not world.stores:
        found.append("the record cannot store what happens: free the disk or replace the card")
    if world.latched:
        found.append(f"a latch is set ({', '.join(world.latched)}): reset it first, the "
                     "question says how")
    return tuple(found)


def frost(oil_c: float | None) -> str:
    """What to mind before a cold start, "" when it is not cold. Forbids nothing: decision 012."""
    return FROST if oil_c is not None and oil_c < FROST_C else ""


def _valid(check: Check, world: World) -> bool:
    if check.done_boot and check.done_boot == world.boot:
        return 0.0 <= world.now_s - check.done_s <= VALID_S
    if check.done_wall_s is None or world.wall_s is None:
        return False
    return 0.0 <= world.wall_s - check.done_wall_s <= VALID_S


def begin_k2_test(state: StartChecks) -> None:
    """Ask for the safety contactor alone, for a moment."""
    state.k2_test_s, state.k2_closed_seen = 0.0, False


def step_k2_test(state: StartChecks, dt_s: float, k2_open: bool | None) -> str:
    """One tick of the test: "" while it runs, "passed", or the sentence that says what failed."""
    if state.k2_test_s is None:
        return ""
    state.k2_test_s += dt_s
    if k2_open is False:
        state.k2_closed_seen = True
    elif k2_open is True and state.k2_closed_seen:
        state.k2_test_s = None
        return "passed"
    if state.k2_test_s > K2_TEST_S:
        what = "open again" if state.k2_closed_seen else "close"
        state.k2_test_s = None
        return f"start refused: the safety contactor K2 did not {what}"
    return ""


def wants_vent(state: StartChecks, reactor: Reactor, world: World) -> bool:
    """True while the vent proof was seen off, and to be seen on it needs the fan."""
    check = state.checks["vent"]
    return "vent" in needed(reactor) and check.seen_bad and not _valid(check, world)


def wants_k2(state: StartChecks) -> bool:
    """True while the test wants K2 closed."""
    return state.k2_test_s is not None and not state.k2_closed_seen
