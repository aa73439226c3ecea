"""A further rehearsal in the record of earlier ones, as batches follow each other on a reactor."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from esterward.process import learnt
from esterward.record.read import newest, read_marks, read_rows
from esterward.record.schema import BadRecord
from esterward_sim.virtual import WALL_START_S, VirtualClock

BOOT: Final = "rehearsal-"
A_DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Earlier:
    """What the record holds already: how often it was begun, its last moment, its last lesson."""

    starts: int
    wall_s: float
    learnt: object

    def clock(self) -> VirtualClock:
        """Another boot, the day after."""
        clock = VirtualClock(f"{BOOT}{self.starts + 1}")
        clock.offset_s = self.wall_s + A_DAY_S - WALL_START_S
        return clock


def earlier(path: Path) -> Earlier:
    """BadRecord, in one sentence, when no rehearsal may go on in this file."""
    marks = list(read_marks(path))
    starts = [mark for mark in marks if mark.kind == "start"]
    if not starts or not all(mark.boot.startswith(BOOT) for mark in starts):
        raise BadRecord(f"{path}: this record is not of rehearsals, and a rehearsal never goes "
                        "among real batches; name a new file")
    under_way, wall_s = False, WALL_START_S
    for row in read_rows(path):
        if row.event.kind in ("batch_started", "batch_ended"):
            under_way = row.event.kind == "batch_started"
        wall_s = max(wall_s, row.wall_s or 0.0)
    if under_way:
        raise BadRecord(f"{path}: the last rehearsal in this record did not end; name a new file")
    return Earlier(len(starts), wall_s, newest(path, learnt.EVENT))


def go_on(rehearsal: Any, last_number: int, before: Earlier) -> None:
    """Let the fresh controller number its events after the record's and start from its lesson."""
    controller = rehearsal.rig.controller
    controller.state.last_event = last_number
    controller.process.take_learnt(before.learnt)
