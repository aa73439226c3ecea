"""The pace of a rehearsal on a terminal: shows what is new, and waits as long as was asked."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Final

from esterward_sim.rehearsal import Rehearsal
from esterward_sim.view import PlainView

DRAWN_EVERY_S: Final = 0.1


class Pace:
    """Called once a simulated second. factor: how many times faster than real time, None = max.

    heard: the subscriber's link of a rehearsal with a broker, which then tells the events.
    """

    def __init__(self, rehearsal: Rehearsal, view: PlainView | None, factor: float | None,
                 heard: Any, sampler: Callable[[Rehearsal], None] | None = None) -> None:
        self.rehearsal, self.view, self.factor = rehearsal, view, factor
        self.heard, self.sampler = heard, sampler
        self.began_s = time.monotonic()
        self.drawn_s = 0.0
        self.seen = 0
        self.asked = ""

    def __call__(self, rehearsal: Rehearsal) -> None:
        if self.sampler is not None:
            self.sampler(rehearsal)
        if self.factor is not None:
            ahead_s = (rehearsal.rig.clock.time_s / self.factor
                       - (time.monotonic() - self.began_s))
            if ahead_s > 0.02:
                time.sleep(ahead_s)
        if self.view is None:
            return
        events = rehearsal.result.events
        status = rehearsal.rig.loop.status
        asked = status.prompt_text if status is not None else ""
        now_s = time.monotonic()
        if len(events) == self.seen and asked == self.asked and (
                now_s - self.drawn_s < DRAWN_EVERY_S):
            return
        if self.heard is None:  # else what the subscriber heard tells it
            self.view.events(events[self.seen:])
        self.asked, self.seen, self.drawn_s = asked, len(events), now_s
        if status is not None:
            if self.heard is None:
                self.view.question(status)
            self.view.show(status, self.heard.lines() if self.heard else [])

    def last(self) -> None:
        """Show how it stands at the end."""
        self.drawn_s = 0.0
        self(self.rehearsal)
