"""What a rehearsal's picture needs, gathered once a simulated second. Draws nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

EVERY_S: Final = 10.0
BIN_S: Final = 300.0
# What a reader of the picture wants marked; the rest is in the record.
MARKED: Final = {
    "alarm_raised": "{severity} {code}: {sentence}",
    "latch_reset": "{code} reset",
    "flag_set": "methanol flag set",
    "flag_cleared": "methanol flag cleared: {evidence}",
}


@dataclass(slots=True)
class Series:
    """Seconds of the rehearsal against degC; None breaks a line.

    began_s: the batch's start, after the start checks; all that is told counts from it.
    element: share of each BIN_S with current flowing; mixer and flag: (from, to) while true;
    stages: (words, from, to); marks: (at, words) in order.
    """

    title: str = ""
    true_c: list[tuple[float, float]] = field(default_factory=list)
    probe_c: list[tuple[float, float | None]] = field(default_factory=list)
    setpoint_c: list[tuple[float, float | None]] = field(default_factory=list)
    ceiling_c: list[tuple[float, float | None]] = field(default_factory=list)
    element: list[float] = field(default_factory=list)
    mixer: list[tuple[float, float]] = field(default_factory=list)
    flag: list[tuple[float, float]] = field(default_factory=list)
    stages: list[tuple[str, float, float]] = field(default_factory=list)
    marks: list[tuple[float, str]] = field(default_factory=list)
    end_s: float = 0.0
    began_s: float = 0.0


class Sampler:
    """Call it with the Rehearsal once a simulated second; series grows."""

    def __init__(self) -> None:
        self.series = Series()
        self._due_s = self._last_s = 0.0
        self._events = 0
        self._faults: tuple[str, ...] = ()

    def __call__(self, rehearsal: Any) -> None:
        series, rig = self.series, rehearsal.rig
        now_s, plant, status = rig.clock.time_s, rig.plant, rig.loop.status
        dt_s, self._last_s = now_s - self._last_s, now_s
        series.end_s = now_s
        while len(series.element) * BIN_S <= now_s:
            series.element.append(0.0)
        if plant.element_on:
            series.element[int(now_s / BIN_S)] += dt_s / BIN_S
        self._during(series.mixer, plant.mixer_on, now_s - dt_s, now_s)
        self._marks(rehearsal, now_s)
        if status is not None:
            self._during(series.flag, status.flag is True, now_s - dt_s, now_s)
        if now_s < self._due_s:
            return
        self._due_s = now_s + EVERY_S
        series.true_c.append((now_s, plant.oil_c))
        if status is not None:
            series.title = status.batch
            series.probe_c.append((now_s, status.oil_c))
            heats = status.setpoint_c if status.state == "running" else None
            series.setpoint_c.append((now_s, heats))
            series.ceiling_c.append((now_s, status.ceiling_c))

    @staticmethod
    def _during(spans: list[tuple[float, float]], is_true: bool, since: float, to: float) -> None:
        if not is_true:
            return
        if spans and since - spans[-1][1] < 1.5:
            spans[-1] = (spans[-1][0], to)
        else:
            spans.append((since, to))

    def _marks(self, rehearsal: Any, now_s: float) -> None:
        from esterward_sim.view import stage_words

        series, faults = self.series, rehearsal.rig.plant.faults.names()
        for name in faults:
            if name not in self._faults:
                series.marks.append((now_s, f"fault given: {name}"))
        for name in self._faults:
            if name not in faults:
                series.marks.append((now_s, f"fault ended: {name}"))
        self._faults = faults
        for event in rehearsal.result.events[self._events:]:
            if event.kind == "batch_started":
                series.began_s = now_s
            if event.kind in MARKED:
                series.marks.append((now_s, MARKED[event.kind].format(**event.data)))
            elif event.kind == "stage_started":
                series.stages.append((stage_words(str(event.data["stage"])), now_s, now_s))
        self._events = len(rehearsal.result.events)
        if series.stages and not rehearsal.over:
            words, since, _ = series.stages[-1]
            series.stages[-1] = (words, since, now_s)
