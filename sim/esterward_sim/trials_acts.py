"""What is done to a rehearsal when a fault of the trials begins or ends.

An act is called with the rehearsal and the trial's own random numbers; the tables of
trials_faults.py name them. Nothing here judges.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Any

from esterward.tick import from_plain
from esterward.values.outputs import SAFE
from esterward.values.requests import Request
from esterward_sim.trials_truth import guard_state

if TYPE_CHECKING:
    from esterward_sim.rehearsal import Rehearsal

Act = Callable[["Rehearsal", Random], None]


def give(name: str, value: float | None, run: Rehearsal, rng: Random) -> None:
    run.rig.plant.faults.start(name, value)


def take(name: str, run: Rehearsal, rng: Random) -> None:
    run.rig.plant.faults.end(name)


def set_to(path: str, value: Any) -> Act:
    """Set an attribute of the rehearsal, named by dots."""
    return partial(_set_now, path, value)


def _set_now(path: str, value: Any, run: Rehearsal, rng: Random) -> None:
    *way, last = path.split(".")
    target: Any = run
    for name in way:
        target = getattr(target, name)
    setattr(target, last, value)


def restart_controller(run: Rehearsal, rng: Random) -> None:
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


def restart_guard(run: Rehearsal, rng: Random) -> None:
    guard = run.rig.guard
    record: Any = run.record
    guard.state = guard_state(*record.guard_file)
    guard.message, guard.newest, guard.enable, guard.stored = None, None, False, False


def blackout(run: Rehearsal, rng: Random) -> None:
    run.rig.plant.faults.start("mains_lost")
    restart_guard(run, rng)
    restart_controller(run, rng)


class Liar:
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


def link(make: Callable[[Rehearsal], Any], run: Rehearsal, rng: Random) -> None:
    run.rig.loop.ports.guard = make(run)


def link_back(run: Rehearsal, rng: Random) -> None:
    run.rig.loop.ports.guard = run.rig.guard


def deaf(run: Rehearsal) -> Any:
    return _OneWay(run, False)


def mute(run: Rehearsal) -> Any:
    return _OneWay(run, True)


def disk(stuck: bool, why: str, run: Rehearsal, rng: Random) -> None:
    record: Any = run.record
    record.stuck, record.fault = stuck, why


def forge(run: Rehearsal, rng: Random) -> None:
    """A burst of requests as from the network: old, forged, nonsense; none asks for a hold."""
    record: Any = run.record
    for number in range(40):
        kind = rng.choice(("start", "reset", "resume", "heat", "go", "setpoint", "observe", ""))
        record.forged.append(Request(
            f"forged-{rng.random()}-{number}", kind, "mqtt",
            rng.choice(("e-stop", "probe-a", "methoxide_c", "washed", "glycerol_l", "")),
            rng.choice((None, 0.0, -1.0, 20.0, 1e9)), text=rng.choice(("", "let me in"))))


def fumble(run: Rehearsal, rng: Random) -> None:
    """Somebody presses whatever there is, for a minute."""
    plan: list[tuple[Any, ...]] = []
    for _ in range(12):
        button = rng.choice(("green", "black", "blue", "green", "blue"))
        plan += [("set", button, True), ("wait", rng.choice((0.3, 0.8, 2.6, 5.5))),
                 ("set", button, False), ("wait", rng.choice((0.3, 1.0, 3.0)))]
    run.person._queue.extend(plan)


def walk_away(run: Rehearsal, rng: Random) -> None:
    run.person.kind, run.person._started = "absent", True


def press(button: str, run: Rehearsal, rng: Random) -> None:
    run.person._press(button)


def clock(run: Rehearsal, rng: Random) -> None:
    run.rig.clock.offset_s += rng.choice((-1.0, 1.0)) * rng.choice((3600.0, 86400.0, 1e9))


def restart_without_a_clock(run: Rehearsal, rng: Random) -> None:
    """A start after which nobody knows the time of day."""
    run.rig.plant.faults.start("clock_unset")
    restart_controller(run, rng)


def reset_again(run: Rehearsal, rng: Random) -> None:
    """A probe that latches again and again, and a hand that resets and goes on each time."""
    run.rig.plant.faults.start("probe_a_bursts", 0.9)
    plan: list[tuple[Any, ...]] = []
    for _ in range(15):
        for button, held_s in (("blue", 5.75), ("green", 2.75)):
            plan += [("wait", rng.uniform(4.0, 40.0)), ("set", button, True),
                     ("wait", held_s), ("set", button, False)]
    run.person._queue.extend(plan)
