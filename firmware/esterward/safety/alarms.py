"""The life of an alarm after IEC 62682: raised, acknowledged, returned, latched.

An alarm is one entry, not a stream: raising it again while it stands changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward.safety.faults import FAULTS
from esterward.values.events import EventLog
from esterward.values.status import Alarm

SOUNDS: Final = ("trip", "fault", "alarm")
# Its cause gone too: energy was taken off, and somebody must come.
SOUNDS_ON: Final = ("trip", "fault")


@dataclass(slots=True)
class AlarmEntry:
    """present: the cause is there; acknowledged: a person has seen it."""

    present: bool = True
    acknowledged: bool = False


def word(entry: AlarmEntry, latched: bool) -> str:
    """The entry's state in the standard's words."""
    if entry.present:
        return "acknowledged" if entry.acknowledged else "unacknowledged"
    if latched:
        return "latched"
    return "returned"


def raise_alarm(alarms: dict[str, AlarmEntry], code: str, log: EventLog) -> None:
    """The cause is there: a new entry, or the old one present again."""
    entry = alarms.get(code)
    if entry is not None and entry.present:
        return
    alarms[code] = AlarmEntry()
    fault = FAULTS[code]
    log.add("alarm_raised", code=code, severity=fault.severity, sentence=fault.sentence,
            action=fault.action)


def return_alarm(
    alarms: dict[str, AlarmEntry], code: str, latched: bool, log: EventLog
) -> None:
    """The cause is gone: an acknowledged entry without a latch leaves the list."""
    entry = alarms.get(code)
    if entry is None:
        return
    if entry.present:
        entry.present = False
        log.add("alarm_returned", code=code)
    if entry.acknowledged and not latched:
        del alarms[code]


def acknowledge(
    alarms: dict[str, AlarmEntry], latches: list[str], log: EventLog, code: str = ""
) -> int:
    """Acknowledge one alarm, or all of them; gives how many it was."""
    count = 0
    for name, entry in list(alarms.items()):
        if entry.acknowledged or (code and name != code):
            continue
        entry.acknowledged = True
        count += 1
        log.add("alarm_acknowledged", code=name)
        if not entry.present and name not in latches:
            del alarms[name]
    return count


def unacknowledged(alarms: dict[str, AlarmEntry]) -> bool:
    """Whether any alarm waits for a short press of blue."""
    return any(not entry.acknowledged for entry in alarms.values())


def sounding(alarms: dict[str, AlarmEntry]) -> bool:
    """True while an unacknowledged alarm should be heard.

    What only warned and went by itself is silent, and stays listed until somebody has seen it: a
    horn that one dip of the supply leaves on all night is unplugged, and then no trip is heard.
    """
    return bool(alarms) and any(
        not entry.acknowledged
        and FAULTS[code].severity in (SOUNDS if entry.present else SOUNDS_ON)
        for code, entry in alarms.items())


def listed(alarms: dict[str, AlarmEntry], latches: list[str]) -> tuple[Alarm, ...]:
    """The alarms for a person, first-out first, then in the order they came."""
    if not alarms:
        return ()
    codes = [code for code in latches if code in alarms]
    codes += [code for code in alarms if code not in codes]
    return tuple(
        Alarm(code, FAULTS[code].severity, word(alarms[code], code in latches),
              FAULTS[code].sentence, FAULTS[code].action)
        for code in codes
    )
