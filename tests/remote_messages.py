"""Random remote messages into a real controller, beside a twin that gets none: none energises.

    .venv/bin/python tests/remote_messages.py                        # 20,000 messages
    .venv/bin/python tests/remote_messages.py --messages 1000000     # the long run

The bench stands in every step of the batch, running, held, tripped and so on (CELLS). Messages
go through the real judge of requests; what it takes goes into the tick, in virtual time. A twin
in the same state gets the same buttons and no message. At no tick may an output be on that is
off in the twin, may a step have begun, a latch or the methanol flag be gone, or a hold be over
that is not over in the twin. Hold, acknowledge and observe are taken and do what they are
documented to do: the twin is then made anew from the bench, so that the search goes on. One thing
is not held against a message: a reading that changes the sheet asks the person anew, so that the
bench stays in its step, with what was on, where the twin goes on by the same press.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from math import nan
from random import Random
from typing import Any, Final

from esterward.process.stages import STEPS
from esterward.safety.faults import FAULTS
from esterward.safety.limits import PRESENCE_CLEAR_S
from esterward.telemetry.requests import Refusal, Requests
from esterward.values.outputs import OUTPUT_NAMES
from esterward.values.requests import OBSERVATIONS, Request
from fuzz_mutators import mutated
from harness import Bench

TAKEN_SHARES: Final = {"hold": 1, "acknowledge": 8, "observe": 8}  # by hand, not from the code
TAKEN: Final = tuple(TAKEN_SHARES)
# Words an enemy or a mistaken program might try.
FORGED: Final = ("reset", "resume", "release", "start", "restart", "go", "heat", "on", "HOLD",
                 "hold ", "unhold", "clear_flag", "setpoint", "override", "", "observe\x00")
FOR_PEOPLE: Final = ("horn", "lamp")  # a hold lights the lamp; that moves nothing
ENERGY: Final = tuple(name for name in OUTPUT_NAMES if name not in FOR_PEOPLE)
A_TICK: Final = 160     # messages at most
A_VISIT: Final = 400    # messages to one cell before the next
QUIET_TICKS: Final = 2  # in which what was taken may show itself late
REPLAYED: Final = 400


@dataclass(frozen=True, slots=True)
class Message:
    """What arrives on the request topic."""

    payload: bytes
    retained: bool = False
    kind: str = ""


class Sender:
    """Everybody who can publish, friend and enemy. nonces: every one that was ever shown."""

    def __init__(self, seed: str, taken: tuple[str, ...] = TAKEN) -> None:
        """taken: which of the kinds that may be taken are sent."""
        self.rng = Random(seed)
        self.taken = [name for name, share in TAKEN_SHARES.items() if name in taken
                      for _ in range(share)]
        self.nonces: list[str] = []
        self.sent: list[bytes] = []
        self._id = 0

    def _new_id(self) -> str:
        self._id += 1
        return f"q{self._id}"

    def plain(self) -> dict[str, Any]:
        """A request as a careful program sends it, under one of the last two nonces."""
        rng = self.rng
        kind = rng.choice(self.taken)
        plain: dict[str, Any] = {"id": self._new_id(), "kind": kind,
                                 "nonce": rng.choice(self.nonces[-2:] or [""])}
        if kind == "acknowledge" and rng.random() < 0.7:
            plain["name"] = rng.choice(CODES)
        elif kind == "observe":
            name = plain["name"] = rng.choice(NAMES)
            _, lowest, highest, _ = OBSERVATIONS[name]
            plain["value"] = rng.choice(
                (lowest, highest, rng.uniform(lowest, highest), rng.uniform(lowest, highest)))
        return plain

    def message(self) -> Message:
        """The next one, of a random kind."""
        rng = self.rng
        kind = rng.choice(KINDS)
        if kind == "binary":
            return Message(rng.randbytes(rng.randrange(200)), rng.random() < 0.2, kind)
        if kind == "replayed" and self.sent:
            return Message(rng.choice(self.sent), False, kind)
        plain = self.plain()
        if kind == "forged":
            plain["kind"] = rng.choice(FORGED)
            plain["name"] = rng.choice(CODES)
        elif kind == "stale":
            plain["nonce"] = rng.choice(self.nonces[:-2] or ["none yet"])
        elif kind == "guessed":
            plain["nonce"] = f"{rng.getrandbits(64):016x}"
        elif kind == "out of range":
            plain |= {"kind": "observe", "name": rng.choice(NAMES),
                      "value": rng.choice((nan, 1e300, -1e300, "55", None, True, [1]))}
        elif kind == "unknown key":
            plain[rng.choice(("power", "force", "output", "k1", "state", "latch"))] = 1
        payload = json.dumps(plain).encode()
        if kind == "oversize":
            payload += b" " * rng.randrange(1024, 3700)
        elif kind == "mangled":
            payload = mutated((payload, *self.sent[-3:]), rng)
        if len(self.sent) < REPLAYED:
            self.sent.append(payload)
        else:
            self.sent[rng.randrange(REPLAYED)] = payload
        return Message(payload, kind == "retained", kind)


CODES: Final = (*FAULTS, "nothing")
NAMES: Final = tuple(OBSERVATIONS)
KINDS: Final = ("present", "present", "replayed", "stale", "guessed", "retained", "forged",
                "out of range", "unknown key", "oversize", "binary", "mangled")


# -- where the batch stands ----------------------------------------------------------------------


def held(bench: Bench) -> None:
    bench.press("black")
    bench.ticks(3)


def tripped(bench: Bench) -> None:
    bench.override["estop_closed"] = False
    bench.ticks(3)
    del bench.override["estop_closed"]
    bench.ticks(3)


def restarting(bench: Bench) -> None:
    held(bench)
    bench.level_wet = False  # so that it waits
    bench.press("green", seconds=3)


def stopped(bench: Bench) -> None:
    bench.press("black", seconds=6)
    bench.ticks(3)


def complete(bench: Bench) -> None:
    bench.press("green")
    bench.ticks(3)


def alone(bench: Bench) -> None:
    bench.controller.state.safety.presence_age_s = PRESENCE_CLEAR_S - 10.0
    bench.ticks(8)


def as_it_is(bench: Bench) -> None:
    """Running, the outputs as the step wants them."""


# Where a bench can stand: its name, the step ("" = idle) and what was done there.
CELLS: Final[dict[str, tuple[str, Callable[[Bench], None]]]] = {
    "idle, flag set": ("", lambda bench: bench.ticks(5) and None),
    "idle, ready": ("", lambda bench: bench.to_idle_ready()),
    **{f"{step}, {what.__name__}": (step, what)
       for step in STEPS for what in (as_it_is, held, tripped)},
    "restarting": ("mix.run", restarting), "stopped": ("heat.warm", stopped),
    "complete": ("store.label", complete), "nobody there": ("heat.warm", alone),
}
# Where there is something to keep on or to add to, the search comes more often.
BUSY: Final = tuple(name for name, (step, what) in CELLS.items()
                    if what is as_it_is and (STEPS[step].mixer or STEPS[step].heat))


@cache
def place(name: str) -> bytes:
    """The bench of this cell, as a pickle."""
    step, what = CELLS[name]
    bench = in_step(step) if step else Bench()
    what(bench)
    bench.events.clear()
    return pickle.dumps(bench, pickle.HIGHEST_PROTOCOL)


@cache
def _heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


def in_step(step: str) -> Bench:
    """A bench running in this step, with the flag as it is there; the outputs have settled."""
    bench = _heating().copy()
    process, flag = bench.controller.state.process, bench.controller.state.flag
    order = list(STEPS)
    bench.set_oil(44.0)
    process.step = "settle.rest"  # everything off, as before the flag is set in a batch
    bench.ticks(6)
    flag.set = process.methanol_in = bench.guard.flag = (
        order.index("dose.gate") <= order.index(step) <= order.index("wash.statement"))
    bench.ticks(2)
    process.step = step
    process.timers.step_s = process.timers.settled_s = 0.0
    bench.ticks(6)
    return bench


def _copy(bench: Bench) -> Bench:
    copied: Bench = pickle.loads(pickle.dumps(bench, pickle.HIGHEST_PROTOCOL))
    return copied


# -- the search ----------------------------------------------------------------------------------


@dataclass
class Told:
    """What a search did and found."""

    messages: int = 0
    taken: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    ticks: int = 0
    energised: int = 0  # ticks in which the twin had an output on that a message could add to
    states: set[str] = field(default_factory=set)
    steps: set[str] = field(default_factory=set)
    found: list[str] = field(default_factory=list)


class Search:
    """One bench, its twin, the judge between the senders and the bench."""

    def __init__(self, seed: int, cells: tuple[str, ...]) -> None:
        self.rng = Random(f"buttons {seed}")
        self.sender = Sender(f"messages {seed}")
        self.judge = Requests()
        self.told = Told()
        self.cells = cells
        self._accepted: dict[str, set[str]] = {}
        self.cell = ""

    def run(self, messages: int) -> Told:
        order: list[str] = []
        while self.told.messages < messages and len(self.told.found) < 20:
            if not order:
                order = [*self.cells, *2 * [name for name in BUSY if name in self.cells]]
                self.rng.shuffle(order)
            self.visit(order.pop(), min(A_VISIT, messages - self.told.messages))
        return self.told

    def visit(self, cell: str, messages: int) -> None:
        """So many messages to a bench that stands in this cell."""
        self.cell = cell
        self._renew()
        self.bench: Bench = pickle.loads(place(cell))
        self.twin: Bench = pickle.loads(place(cell))
        self._begin()
        state = self.bench.state
        end = self.told.messages + messages
        while self.told.messages < end:
            self._buttons()
            requests = self._arriving(min(end - self.told.messages,
                                          self.rng.randrange(1, A_TICK + 1)))
            self._tick(requests)
            if requests:
                for _ in range(QUIET_TICKS):
                    self._tick(())
                if self.bench.state != state and self.rng.random() < 0.7:
                    self.bench = pickle.loads(place(cell))
                self.twin = _copy(self.bench)
                self._begin()

    def _renew(self) -> None:
        nonce = f"n{self.rng.getrandbits(32):08x}"
        self.judge.renew(nonce)
        self.sender.nonces.append(nonce)
        del self.sender.nonces[:-20]
        self._accepted = {known: self._accepted.get(known, set())
                          for known in self.sender.nonces[-2:]}

    def _begin(self) -> None:
        """From here on the two are compared."""
        self.step, self.holds = self.twin.step, False
        outputs = self.bench.controller.outputs
        self.were_on = [name for name in ENERGY if getattr(outputs, name)]
        self.k2_was_on = self.bench.guard.enabled
        self.last: list[Request] = []
        self.bench.events.clear()
        self.twin.events.clear()

    def _buttons(self) -> None:
        """A person at the reactor presses the same at both; messages come in the middle of it."""
        for name in self.bench.buttons:
            if self.rng.random() < (0.5 if self.bench.buttons[name] else 0.06):
                down = not self.bench.buttons[name]
                self.bench.buttons[name] = self.twin.buttons[name] = down

    def _arriving(self, count: int) -> tuple[Request, ...]:
        requests = []
        for _ in range(count):
            message = self.sender.message()
            self.told.messages += 1
            judged = self.judge.judge(message.payload, message.retained)
            if isinstance(judged, Refusal):
                self.told.refused[message.kind] += 1
                continue
            self.told.taken[message.kind] += 1
            self._may_be_taken(message, judged)
            requests.append(judged)
        return tuple(requests)

    def _may_be_taken(self, message: Message, request: Request) -> None:
        """The rules of the topic once more, by hand."""
        plain = json.loads(message.payload)
        nonce = plain.get("nonce")
        if message.retained:
            self._finding("a retained message was taken")
        if nonce not in self._accepted:
            self._finding(f"taken with the nonce {nonce!r}")
        elif any(request.id in ids for ids in self._accepted.values()):
            self._finding(f"id {request.id} taken twice")
        else:
            self._accepted[nonce].add(request.id)
        if plain.get("kind") not in TAKEN or request.source != "mqtt":
            self._finding(f"kind {plain.get('kind')!r} taken")
        self.holds = self.holds or request.kind == "hold"
        self.last.append(request)

    def _tick(self, requests: tuple[Request, ...]) -> None:
        bench, twin = self.bench, self.twin
        mine, other = bench.tick(requests), twin.tick()
        self.told.ticks += 1
        self.told.states.add(bench.state)
        self.told.steps.add(bench.step)
        off = [name for name in ENERGY if not getattr(other.outputs, name)]
        self.told.energised += len(off) < len(ENERGY)
        asked_anew = bench.step == self.step != twin.step
        for name in off:
            if getattr(mine.outputs, name) and not (asked_anew and name in self.were_on):
                self._finding(f"{name} is on and off in the twin")
        if bench.guard.enabled and not twin.guard.enabled and not (asked_anew and self.k2_was_on):
            self._finding("K2 is closed and open in the twin")
        if bench.state != twin.state and not (
                self.holds and bench.state in ("holding", "held", "aborting", "aborted")):
            self._finding(f"the batch is {bench.state} and {twin.state} in the twin")
        if bench.step not in (self.step, twin.step):
            self._finding(f"step {bench.step} has begun and not in the twin")
        mine_s, other_s = bench.controller.state, twin.controller.state
        if set(other_s.safety.latches) - set(mine_s.safety.latches):
            self._finding("a latch is gone and not in the twin")
        if set(twin.guard.latches) - set(bench.guard.latches):
            self._finding("a latch of the guard is gone and not in the twin")
        if other_s.flag.set and not mine_s.flag.set:
            self._finding("the methanol flag is clear and not in the twin")

    def _finding(self, what: str) -> None:
        self.told.found.append(f"{self.cell}, after {self.told.messages} messages: {what}; "
                               f"taken last: {', '.join(map(str, self.last[-4:]))}")


def search(messages: int, seed: int, cells: tuple[str, ...] = tuple(CELLS)) -> Told:
    """Feed so many messages to benches in these cells."""
    return Search(seed, cells).run(messages)


def main() -> int:
    parser = argparse.ArgumentParser(description="Random remote messages: none energises.")
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    began_s = time.process_time()
    told = search(options.messages, options.seed)
    print(json.dumps({
        "messages": told.messages, "seed": options.seed, "taken": dict(told.taken),
        "refused": dict(told.refused), "ticks": told.ticks, "energised_ticks": told.energised,
        "states": sorted(told.states), "steps": len(told.steps), "found": told.found,
        "cpu_s": round(time.process_time() - began_s, 1)}, indent=2))
    return 1 if told.found else 0


if __name__ == "__main__":
    sys.exit(main())
