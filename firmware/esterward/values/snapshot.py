"""Everything one tick may know. What is not in here, the controller does not know."""

from __future__ import annotations

from dataclasses import dataclass

from esterward.values.messages import GuardReport
from esterward.values.readings import ProbeReading
from esterward.values.requests import Request


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One reading of the world.

    now_s: monotonic seconds of this boot; boot: id of this boot; periodic: True for the tick
    of each second, False for an extra tick because the guard reported a changed input;
    wall_s: Unix time as a label, None when no clock is trusted; stored: number of the last
    event that is on disk; record_fault: why the record cannot store, empty when it can;
    supply_low: the board reports under-voltage, None when it has no sensor for it.
    """

    now_s: float
    boot: str
    periodic: bool
    wall_s: float | None
    probe_a: ProbeReading
    barometer_kpa: float | None
    guard: GuardReport | None
    stored: int
    record_fault: str = ""
    requests: tuple[Request, ...] = ()
    supply_low: bool | None = None
