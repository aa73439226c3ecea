"""The methanol flag of the controller: set at once, cleared only by a person and once on disk.

It knows no stage: it is told that dosing is about to be armed, that the clearing gesture was
made on the open question, what is on disk and what the guard's own copy says. A guard that says
"set" is believed at once; only after a clearing it has FLAG_FOLLOWS_S to come along. A guard
that is not heard for FLAG_SILENT_S counts as one that says "set". In doubt: set.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward.safety import limits
from esterward.values.events import EventLog

NOT_STORED: Final = ("the clearing of the methanol flag was not stored, so the flag stays set: "
                     "see to the record, then answer again")
NOT_FOLLOWED: Final = ("the guard did not clear its methanol flag, so it is set here again: let go "
                       "of both buttons, then hold green and blue 5 s once more; see its messages")
GUARD_SAYS_SET: Final = ("the guard was silent, or says set after a silence: "
                         "the methanol flag is set here too")


@dataclass(slots=True)
class FlagState:
    """The methanol flag. Unknown means set, so it starts set."""

    set: bool = True
    number: int = 0              # event that must be on disk before "set" counts as stored
    clear_number: int = 0        # event that must be on disk before "clear" counts
    clear_age_s: float = 0.0
    apart_s: float = 0.0
    followed: bool = True        # the guard said clear since the last clearing here

    def restarted(self) -> None:
        """A clearing cut off by a restart was not followed by the guard: it is asked anew."""
        self.clear_number, self.clear_age_s, self.apart_s = 0, 0.0, 0.0
        self.followed = True


def step(flag: FlagState, log: EventLog, *, dt_s: float, arming: bool, gesture: bool,
         evidence: str, stored: int, guard_flag: bool | None) -> None:
    """One tick. gesture: both buttons were held on the open question; evidence: for the record;
    guard_flag: what the guard says, None when it is not heard."""
    if arming and (not flag.set or flag.clear_number):
        _set(flag, log)  # a clearing on its way to the disk is overtaken
    if flag.set and flag.clear_number:
        flag.clear_age_s += dt_s
        if stored >= flag.clear_number:
            flag.set, flag.clear_number, flag.followed = False, 0, False
        elif flag.clear_age_s > limits.FLAG_STORED_S:
            _set(flag, log, NOT_STORED)
    elif flag.set and gesture:
        flag.clear_number, flag.clear_age_s = log.add("flag_cleared", evidence=evidence), 0.0
    if flag.set or guard_flag is False:
        flag.followed, flag.apart_s = flag.followed or guard_flag is False, 0.0
        return
    flag.apart_s += dt_s
    if guard_flag and (flag.followed or flag.apart_s > limits.FLAG_FOLLOWS_S):
        _set(flag, log, GUARD_SAYS_SET if flag.followed else NOT_FOLLOWED)
    elif flag.apart_s > limits.FLAG_SILENT_S:
        _set(flag, log, GUARD_SAYS_SET)


def _set(flag: FlagState, log: EventLog, why: str = "") -> None:
    flag.set, flag.clear_number, flag.apart_s, flag.followed = True, 0, 0.0, True
    flag.number = log.add("flag_set")
    if why:
        log.add("note", text=why)
