"""The ports of the loop: what a driver, a record or a simulator must offer.

None of these starts a thread, sleeps or blocks; step(now_s) does a bounded piece of work.
"""

from __future__ import annotations

from typing import Protocol

from esterward.values.events import Event
from esterward.values.messages import ControllerReport, GuardReport
from esterward.values.outputs import Outputs
from esterward.values.readings import ProbeReading
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot
from esterward.values.status import Status


class Clock(Protocol):
    """Time of this boot. wall_s is a label only, None when no clock is trusted."""

    boot: str

    def now_s(self) -> float: ...
    def wall_s(self) -> float | None: ...
    def wait(self, until_s: float) -> None: ...


class Probe(Protocol):
    """One temperature probe; read() gives the newest conversion and never blocks."""

    def read(self, now_s: float) -> ProbeReading: ...


class Barometer(Protocol):
    """Absolute pressure in kPa, or None."""

    def read(self, now_s: float) -> float | None: ...


class Supply(Protocol):
    """Whether the board's own supply is too low; None: the board has no sensor for it."""

    def read(self, now_s: float) -> bool | None: ...


class Relays(Protocol):
    """The controller's outputs. write() renews the leases; a lease not renewed lapses."""

    def write(self, outputs: Outputs, now_s: float) -> None: ...


class GuardLink(Protocol):
    """The guard's side of the socket. take() gives the newest report not yet taken, or None."""

    def send(self, report: ControllerReport, now_s: float) -> None: ...
    def take(self, now_s: float) -> GuardReport | None: ...


class Record(Protocol):
    """The durable account. stored is the number of the last event on disk."""

    @property
    def stored(self) -> int: ...
    @property
    def fault(self) -> str: ...

    def add(self, snapshot: Snapshot, outputs: Outputs, events: tuple[Event, ...],
            checkpoint: str | None) -> None: ...
    def take_requests(self) -> tuple[Request, ...]: ...
    def step(self, now_s: float) -> None: ...


class Telemetry(Protocol):
    """Publishes; never waits. events are those of the last tick, stored the last on disk."""

    def take_requests(self) -> tuple[Request, ...]: ...
    def show(self, status: Status, events: tuple[Event, ...], now_s: float,
             wall_s: float | None, stored: int) -> None: ...
    def step(self, now_s: float) -> None: ...
