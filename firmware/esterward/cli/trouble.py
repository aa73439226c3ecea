"""What a person at the log is told of a device in trouble: when it begins, changes and is over."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

WELL_S: Final = 60.0  # what fails and recovers each few seconds is told once


class Trouble:
    """Says each reason once, until all was well for WELL_S; never at every try."""

    def __init__(self, what: str, advice: str, say: Callable[[str], None]) -> None:
        self._what, self._advice, self._say = what, advice, say
        self._said: set[str] = set()
        self._well_since_s: float | None = None

    def look(self, fault: str, now_s: float) -> None:
        """fault: what is wrong now, "" when nothing is."""
        if fault:
            self._well_since_s = None
            if fault not in self._said:
                self._said.add(fault)
                self._say(f"{self._what}: {fault}; {self._advice}")
        elif self._said:
            if self._well_since_s is None:
                self._well_since_s = now_s
            elif now_s - self._well_since_s >= WELL_S:
                self._said.clear()
                self._say(f"{self._what}: well again.")


def of_barometer(say: Callable[[str], None]) -> Trouble:
    """What guard and controller say of a barometer that is fitted and gives no reading."""
    return Trouble("barometer", "until it reads, the limits are those without one, or stricter "
                   "(from 10 minutes after its last reading on); see esterward wiring --check.",
                   say)
