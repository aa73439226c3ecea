"""The methanol flag of the controller: set at once, cleared only by a person and once on disk.

It knows no stage: it is told that dosing is about to be armed, that the clearing gesture was
made on the open question, what is on disk and what the guard's own copy says; a guard that is
not heard says "set". In doubt: set.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward.values.events import EventLog

CLEAR_S: Final = 10.0  # a clearing not stored, or not followed by the guard, in this time


@dataclass(slots=True)
class FlagState:
    """The methanol flag. Unknown means set, so it starts set."""

    set: bool = True
    number: int = 0              # event that must be on disk before "set" counts as stored
    clear_number: int = 0        # event that must be on disk before "clear" counts
    clear_age_s: float = 0.0
    apart_s: float = 0.0

    def restarted(self) -> None:
        """A clearing cut off by a restart was not followed by the guard: it is asked anew."""
        self.clear_number, self.clear_age_s, self.apart_s = 0, 0.0, 0.0


def step(flag: FlagState, log: EventLog, *, dt_s: float, arming: bool, gesture: bool,
         evidence: str, stored: int, guard_flag: bool) -> None:
    """One tick. gesture: both buttons were held on the open question; evidence: for the record."""
    if not flag.set and arming:
        _set(flag, log)
    if flag.set and flag.clear_number:
        flag.clear_age_s += dt_s
        if stored >= flag.clear_number:
            flag.set, flag.clear_number, flag.apart_s = False, 0, 0.0
        elif flag.clear_age_s > CLEAR_S:
            _set(flag, log)
    elif flag.set and gesture:
        flag.clear_number, flag.clear_age_s = log.add("flag_cleared", evidence=evidence), 0.0
    flag.apart_s = flag.apart_s + dt_s if guard_flag and not flag.set else 0.0
    if flag.apart_s > CLEAR_S:
        _set(flag, log)  # the guard did not follow: in doubt, methanol


def _set(flag: FlagState, log: EventLog) -> None:
    flag.set, flag.clear_number, flag.apart_s = True, 0, 0.0
    flag.number = log.add("flag_set")
