"""The board's own voltage sensor: has its 5 V supply been too low?

The kernel's driver raspberrypi-hwmon (docs.kernel.org/hwmon) asks the firmware every 2 s whether
there was an under-voltage since it last asked, and shows the answer as 0 or 1 in a file. Reading
that file asks nobody, but no kernel read is made in the loop: see probes.DeadlineReader.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from esterward.hardware.folders import HWMON_DIR
from esterward.hardware.probes import PERIOD_S, DeadlineReader, ReaderStuck

SENSOR: Final = "rpi_volt"
ALARM: Final = "in0_lcrit_alarm"


def find(hwmon_dir: str | Path) -> Path | None:
    """The file of the under-voltage alarm, None on a board that has none."""
    for folder in sorted(Path(hwmon_dir).glob("hwmon*")):
        with suppress(OSError):
            name = (folder / "name").read_text("utf-8", errors="replace").strip()
            if name == SENSOR and (folder / ALARM).exists():
                return folder / ALARM
    return None


def is_low(path: Path) -> bool:
    """What the file says; OSError when it cannot be read, ValueError when it is no 0 or 1."""
    text = path.read_text("utf-8", errors="replace").strip()
    if text not in ("0", "1"):
        raise ValueError(f"{path} says {text[:20]!r}, not 0 or 1")
    return text == "1"


class SupplySensor:
    """Finds the sensor, also when it comes later or gets another number, and reads it."""

    def __init__(self, hwmon_dir: str | Path = HWMON_DIR) -> None:
        self._hwmon_dir = Path(hwmon_dir)
        self._path: Path | None = None

    def low(self) -> bool | None:
        """One blocking read; None: no such sensor, and there never was. Raises as is_low does."""
        if self._path is not None:
            with suppress(OSError, ValueError):
                return is_low(self._path)
        found = find(self._hwmon_dir)
        if found is None and self._path is None:
            return None
        self._path = found or self._path
        assert self._path is not None
        return is_low(self._path)

    def told(self) -> bool | None:
        """The same, and low when it cannot be read any more: the stricter rule."""
        try:
            return self.low()
        except (OSError, ValueError):
            return True


class BoardSupply:
    """The Supply port, read by a worker."""

    def __init__(self, clock: Callable[[], float], hwmon_dir: str | Path = HWMON_DIR) -> None:
        self._reader = DeadlineReader(SupplySensor(hwmon_dir).told, clock, name="supply",
                                      period_s=PERIOD_S)
        self._low: bool | None = None

    def read(self, now_s: float) -> bool | None:
        """Whether it was low in the newest read; True as long as reads do not return."""
        try:
            if self._reader.look(now_s) and self._reader.result is not None:
                _, low, why = self._reader.result
                self._low = True if why else low
        except ReaderStuck:  # heat goes off for it; there is no need to end the process
            self._low = True
        return self._low

    def close(self) -> None:
        self._reader.close()
