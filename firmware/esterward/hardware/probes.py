"""Temperature probes and barometer: kernel files read by a worker that may be abandoned.

A kernel read of a 1-wire probe starts a conversion, sleeps 0.75 s, and has no timeout. So each
bus has one worker thread that does nothing else. read() never blocks: it gives the newest
result and asks for the next. A read that does not return within DEADLINE_S is abandoned with
its thread; while ABANDONED_MAX of them have still not returned, a probe's read() raises
ReaderStuck and the process ends. Every other trouble becomes ProbeReading(None, at, why).

The stamp is the moment the read began: the conversion is never older than it says, also when
the process was stopped in between. Reads that take more than 2.2 s make the reading stale by
themselves; one probe a bus takes 0.8 s.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread
from typing import Any, Final, Generic, TypeVar

from esterward.hardware.folders import W1_DIR
from esterward.values.readings import NO_READING, ProbeReading

# A little under the tick: with the tick's own period its jitter, a millisecond, let one reading in
# three go by.
PERIOD_S: Final = 0.9
DEADLINE_S: Final = 5.0
ABANDONED_MAX: Final = 3
BAROMETER_PERIOD_S: Final = 10.0
BAROMETER_AGE_S: Final = 60.0
FAMILY: Final = "28"
# What the sensor can tell at all (DS18B20 data sheet); a field report has -110 on unplugging.
SENSOR_LOW_C, SENSOR_HIGH_C = -55.0, 125.0
POWER_ON_C: Final = 85.0
POWER_ON_NEAR_K: Final = 1.0
POWER_ON_NEAR_S: Final = 5.0

T = TypeVar("T")


class ReaderStuck(RuntimeError):
    """Three reads of one device have not returned."""


class _Job(Generic[T]):
    """One thread and what it is doing; an abandoned one is never looked at again."""

    def __init__(self, take: Callable[[], T], clock: Callable[[], float], name: str) -> None:
        self.take, self.clock = take, clock
        self.go = Event()
        self.began_s: float | None = None
        self.done: tuple[float, T | None, str] | None = None
        self.ended = False
        self.thread = Thread(target=self._work, name=name, daemon=True)
        self.thread.start()

    def _work(self) -> None:
        while True:
            self.go.wait()
            self.go.clear()
            if self.ended:
                return
            began_s = self.clock()
            try:
                value, why = self.take(), ""
            except Exception as error:  # the library leaks IndexError and UnicodeDecodeError
                value, why = None, reason(error)
            self.done = (began_s, value, why)

    def start(self, now_s: float) -> None:
        self.began_s, self.done = now_s, None
        self.go.set()

    def end(self) -> None:
        self.ended = True
        self.go.set()


class DeadlineReader(Generic[T]):
    """Calls take() in a worker at most every period_s. result: (began_s, value, why) or None."""

    def __init__(self, take: Callable[[], T], clock: Callable[[], float], *, name: str,
                 period_s: float, deadline_s: float = DEADLINE_S) -> None:
        self._take, self._clock, self.name = take, clock, name
        self._period_s, self._deadline_s = period_s, deadline_s
        self._job = _Job(take, clock, name)
        self._next_s = float("-inf")
        self._abandoned: list[_Job[T]] = []
        self.result: tuple[float, T | None, str] | None = None

    @property
    def abandoned(self) -> int:
        """How many abandoned reads have still not returned."""
        self._abandoned = [job for job in self._abandoned if job.thread.is_alive()]
        return len(self._abandoned)

    def look(self, now_s: float) -> bool:
        """Collect, give up or start a read; True when result is new. ReaderStuck as long as
        ABANDONED_MAX reads have not returned."""
        job = self._job
        if job.began_s is None:
            if now_s >= self._next_s:
                self._next_s = now_s + self._period_s
                job.start(now_s)
            return False
        done = job.done
        if done is not None and not job.ended:
            job.began_s = None
            self.result = done
            if not now_s - done[0] <= self._deadline_s:
                self.result = (now_s, None, f"the read took longer than {self._deadline_s:g} s")
            if now_s >= self._next_s:
                self._next_s = now_s + self._period_s
                job.start(now_s)
            return True
        if now_s - job.began_s <= self._deadline_s:
            return False
        job.end()
        if job not in self._abandoned:
            self._abandoned.append(job)
        if self.abandoned >= ABANDONED_MAX:
            raise ReaderStuck(f"{self.name}: {ABANDONED_MAX} reads did not return within "
                              f"{self._deadline_s:g} s each")
        self._job = _Job(self._take, self._clock, self.name)
        self._next_s = now_s
        self.result = (now_s, None, f"the read did not return within {self._deadline_s:g} s")
        return True

    def close(self) -> None:
        """Let the worker end when its read returns; nothing waits for it."""
        self._job.end()


def reason(error: Exception) -> str:
    """Why there is no value, in words that fit one line."""
    words = {
        "NoSensorFoundError": "the probe is not on its bus",
        "SensorNotReadyError": "the probe gave no valid answer",
        "ResetValueError": "85.0 degC without a neighbour near it is the power-on value",
        "FileNotFoundError": "the device's file is gone",
    }
    known = words.get(type(error).__name__)
    text = " ".join(str(error).split())
    if type(error) is LookupError:  # ours
        return text
    return known or f"{type(error).__name__}: {text}"[:80]


class OneWireSensor:
    """One DS18B20 and its conversions. sensor: its folder's name, such as "28-0316a2794ff1"."""

    def __init__(self, sensor: str, clock: Callable[[], float],
                 w1_dir: str | Path = W1_DIR) -> None:
        self.sensor, self._clock, self._w1_dir = sensor, clock, Path(w1_dir)
        self._neighbour: tuple[float, float] | None = None  # when, degC

    def convert(self) -> float:
        """One blocking conversion in degC; raises what the library raises, and ValueError."""
        library = _library()
        family, _, number = self.sensor.partition("-")
        if family != FAMILY or not number:
            raise ValueError(f"{self.sensor} is no DS18B20 (28-...)")
        library.W1ThermSensor.BASE_DIRECTORY = self._w1_dir
        # Always with type and id: without them an empty bus sleeps a second.
        device = library.W1ThermSensor(library.Sensor.DS18B20, number)
        try:
            c = float(device.get_temperature())
        except library.errors.ResetValueError:
            # Oil that really is at 85.0 comes with a neighbour; a sensor that lost power does
            # not, or is then right within POWER_ON_NEAR_K all the same.
            if not self._near_power_on():
                raise
            c = POWER_ON_C
        if not SENSOR_LOW_C <= c <= SENSOR_HIGH_C:
            raise ValueError(f"{c:g} degC is not a DS18B20's")
        self._neighbour = (self._clock(), c)
        return c

    def _near_power_on(self) -> bool:
        neighbour = self._neighbour
        return (neighbour is not None and self._clock() - neighbour[0] <= POWER_ON_NEAR_S
                and abs(neighbour[1] - POWER_ON_C) <= POWER_ON_NEAR_K)

    def reading(self, began_s: float) -> ProbeReading:
        """One blocking conversion as a reading; every trouble is "no value, because ..."."""
        try:
            return ProbeReading(self.convert(), began_s)
        except Exception as error:  # the library leaks IndexError and UnicodeDecodeError
            return ProbeReading(None, began_s, reason(error))


class OneWireProbe:
    """The Probe port on one DS18B20, read by a worker."""

    def __init__(self, sensor: str, clock: Callable[[], float], w1_dir: str | Path = W1_DIR,
                 deadline_s: float = DEADLINE_S) -> None:
        self._reader = DeadlineReader(
            OneWireSensor(sensor, clock, w1_dir).convert, clock, name=f"probe {sensor}",
            period_s=PERIOD_S, deadline_s=deadline_s)
        self._newest = NO_READING

    def read(self, now_s: float) -> ProbeReading:
        """The newest conversion; ReaderStuck when three did not return."""
        if self._reader.look(now_s) and self._reader.result is not None:
            began_s, c, why = self._reader.result
            self._newest = ProbeReading(c, began_s, why)
        return self._newest

    def close(self) -> None:
        self._reader.close()


def _library() -> Any:
    """w1thermsensor, imported so that it loads no kernel modules."""
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
    import w1thermsensor
    import w1thermsensor.errors

    return w1thermsensor


def _find_barometer(iio_dir: Path) -> Path:
    """The kernel's file of the one pressure sensor; LookupError when there is none, or two."""
    found = sorted(iio_dir.glob("*/in_pressure_input"))
    if len(found) != 1:
        raise LookupError(f"{len(found)} files in_pressure_input are there, one is needed")
    return found[0]


class IioBarometer:
    """The Barometer port on the kernel's IIO file: absolute kPa (Linux ABI sysfs-bus-iio).

    The file is looked for in each read, so that a sensor may come late, come back or be numbered
    anew. fault: why there is no reading, "" when there is one or nothing is known yet.
    """

    def __init__(self, iio_dir: str | Path, clock: Callable[[], float]) -> None:
        self._iio_dir = Path(iio_dir)
        self.fault = ""
        self._reader = DeadlineReader(self._take, clock, name="barometer",
                                      period_s=BAROMETER_PERIOD_S)
        self._good: tuple[float, float] | None = None

    def _take(self) -> float:
        return float(_find_barometer(self._iio_dir).read_text("ascii"))

    def read(self, now_s: float) -> float | None:
        """The newest reading, None when there is none of the last minute, for whatever reason."""
        with suppress(ReaderStuck):  # the limits get stricter for it; no need to end the process
            if self._reader.look(now_s) and self._reader.result is not None:
                began_s, kpa, _ = self._reader.result
                if kpa is not None:
                    self._good = (began_s, kpa)
        good = self._good
        if good is None or not 0.0 <= now_s - good[0] + 0.1 <= BAROMETER_AGE_S:
            self.fault = self._reader.result[2] if self._reader.result is not None else ""
            return None
        self.fault = ""
        return good[1]

    def close(self) -> None:
        self._reader.close()
