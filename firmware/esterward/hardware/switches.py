"""The input lines, polled and debounced by ourselves.

Edge callbacks are not used: one exception in a callback ends the library's only notify thread
and no edge of any line is delivered again, and its debounce drops edges. poll() is called every
POLL_S; a level counts when two of the last three polls show it (0.1 s at most), except that a
single open sample of the e-stop opens it. A line that cannot be read raises: the guard then ends,
its beat stops, and K2 opens.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from esterward.hardware import board
from esterward.values.readings import INPUT_NAMES, Inputs

POLL_S: Final = 0.05
IMMEDIATE: Final = ("estop_closed",)
_SAMPLES: Final = 3


def open_input(factory: Any, bcm: int) -> Any:
    """One input line with its pull-down; high reads 1.

    InputDevice, not its Digital child: that one always registers an edge callback.
    """
    from gpiozero import InputDevice

    with board.claiming(bcm):
        return InputDevice(bcm, pull_up=False, pin_factory=factory)


class Switches:
    """The fitted input lines as Inputs. devices: input name -> gpiozero input device."""

    def __init__(self, devices: Mapping[str, Any]) -> None:
        unknown = set(devices) - set(INPUT_NAMES)
        if unknown:
            raise ValueError(f"there is no input named {', '.join(sorted(unknown))}")
        self._devices = dict(devices)
        # Nothing is known before three polls, so everything starts open; nobody may act on it
        # as if the e-stop had been pressed: see ready.
        self._polls = 0
        self._samples: dict[str, tuple[bool, ...]] = dict.fromkeys(devices, (False,) * _SAMPLES)

    @classmethod
    def open(cls, factory: Any, lines: Mapping[str, int]) -> Switches:
        """Claim the lines (input name -> BCM)."""
        return cls({name: open_input(factory, bcm) for name, bcm in lines.items()})

    def poll(self) -> None:
        """Take one sample of every line."""
        self._polls += 1
        for name, device in self._devices.items():
            self._samples[name] = (*self._samples[name][1:], device.value == 1)

    @property
    def ready(self) -> bool:
        """Enough polls were taken for inputs() to mean something."""
        return self._polls >= _SAMPLES

    def inputs(self) -> Inputs:
        """The debounced levels; an optional line that is not wired is None, a must False."""
        return Inputs(**{name: self._level(name) for name in self._devices})

    def _level(self, name: str) -> bool:
        samples = self._samples[name]
        if name in IMMEDIATE and not samples[-1]:
            return False
        return sum(samples) * 2 > _SAMPLES

    def close(self) -> None:
        """Let the lines go."""
        for device in self._devices.values():
            device.close()
