"""The controller's outputs: levels with a lease that runs out by itself.

write() renews the lease of every line; step() drives everything low once the lease is over, so
a loop that hangs loses its outputs even while the process lives. Only True and False are
levels: NaN, 5, 1 and None are refused and everything goes low, because `bool(nan)` is True.
Lines go low in OFF_ORDER and high in the reverse: the solid-state switch opens before K1 does,
and K1 closes before it conducts. A program says board.at_exit(relays.off) besides its own
way out, so that an exception anywhere ends the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from threading import RLock
from typing import Any, Final

from esterward.hardware import board
from esterward.values.outputs import OUTPUT_NAMES, Outputs

LEASE_S: Final = 2.5   # the loop renews each second; with the timer's step 3.0 s is kept
OFF_ORDER: Final = ("ssr", "k1", "air", "mixer", "vent", "horn", "lamp")


class OutputRefused(ValueError):
    """A level that is neither True nor False, or a device that could be on when it must be off."""


def open_output(factory: Any, bcm: int) -> Any:
    """One output line, low from its first moment."""
    from gpiozero import DigitalOutputDevice

    with board.claiming(bcm):
        return DigitalOutputDevice(bcm, active_high=True, initial_value=False,
                                   pin_factory=factory)


def check_output(name: str, device: Any) -> Any:
    """The device, if it is active high and off; OutputRefused otherwise."""
    if device.active_high is not True:
        raise OutputRefused(f"{name}: active-low is refused; a broken wire would switch it on")
    if device.value != 0:
        raise OutputRefused(f"{name}: the line is high although nothing asked for it")
    return device


class LeasedRelays:
    """The Relays port on real lines. devices: name -> gpiozero output device."""

    def __init__(self, devices: Mapping[str, Any], lease_s: float = LEASE_S) -> None:
        unknown = set(devices) - set(OFF_ORDER)
        if unknown:
            raise OutputRefused(f"there is no output named {', '.join(sorted(unknown))}")
        self._devices = {name: check_output(name, devices[name])
                         for name in OFF_ORDER if name in devices}
        self._lease_s = lease_s
        self._renewed_s: float | None = None
        self._lock = RLock()

    @classmethod
    def open(cls, factory: Any, lines: Mapping[str, int],
             lease_s: float = LEASE_S) -> LeasedRelays:
        """Claim the lines (name -> BCM) one after the other, each low."""
        return cls({name: open_output(factory, bcm) for name, bcm in lines.items()}, lease_s)

    def write(self, outputs: Outputs, now_s: float) -> None:
        """Drive every line that is there; a wish for one that is not wired does nothing."""
        with self._lock:
            levels = {name: getattr(outputs, name) for name in OUTPUT_NAMES}
            for name, level in levels.items():
                if level is not True and level is not False:
                    self.off()
                    raise OutputRefused(f"{name}: {level!r} is neither True nor False")
            for name, device in self._devices.items():
                if not levels[name]:
                    device.off()
            for name, device in reversed(self._devices.items()):
                if levels[name]:
                    device.on()
            self._renewed_s = now_s

    def step(self, clock: Callable[[], float]) -> None:
        """Low when the lease is over, or when the time makes no sense. For a thread of its own.

        The clock is read under the lock: else a write in between would be of later than now.
        """
        with self._lock:
            if self._renewed_s is not None and not (
                0.0 <= clock() - self._renewed_s <= self._lease_s
            ):
                self.off()

    def off(self) -> None:
        """Everything low, in order; also when one line fails, the others are still driven."""
        failed: Exception | None = None
        with self._lock:
            self._renewed_s = None
            for device in self._devices.values():
                try:
                    if not device.closed:
                        device.off()
                except Exception as error:  # the next line matters more than this one's story
                    failed = failed or error
        if failed is not None:
            raise failed

    def close(self) -> None:
        """Low, then let the lines go."""
        self.off()
        for device in self._devices.values():
            device.close()
