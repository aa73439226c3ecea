"""The guard's two outputs: the beat that holds the timer in front of K2, and the enable level.

The timer wants edges, not a level, and gets one only from a completed guard cycle. A decision
against heat drops the enable before anything else happens in that cycle.
"""

from __future__ import annotations

from typing import Any

from esterward.hardware.relays import OutputRefused, check_output


class Beat:
    """beat and enable as gpiozero output devices, both off at the start."""

    def __init__(self, beat: Any, enable: Any) -> None:
        self._beat = check_output("beat", beat)
        self._enable = check_output("enable", enable)

    def set_enable(self, enable: bool) -> None:
        """Let K2 close, or not; only True and False are levels."""
        if enable is True:
            self._enable.on()
            return
        self._enable.off()
        if enable is not False:
            raise OutputRefused(f"enable: {enable!r} is neither True nor False")

    def edge(self) -> None:
        """One edge; call it once at the end of a completed cycle."""
        self._beat.toggle()

    def off(self) -> None:
        """Enable low, then the beat low and still."""
        for device in (self._enable, self._beat):
            if not device.closed:
                device.off()

    def close(self) -> None:
        """Low, then let the lines go."""
        self.off()
        self._enable.close()
        self._beat.close()
