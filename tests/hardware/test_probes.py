"""The real w1thermsensor on a folder like the kernel's; workers on real pipes."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from esterward.hardware.probes import (
    ABANDONED_MAX,
    DEADLINE_S,
    DeadlineReader,
    IioBarometer,
    OneWireProbe,
    OneWireSensor,
    ReaderStuck,
)
from esterward.values.readings import ProbeReading
from esterward_sim.virtual import VirtualClock
from esterward_sim.wires import KernelFolder, scratchpad, slave_text

SENSOR = "28-0316a2794ff1"


@pytest.fixture
def sensor(folder: KernelFolder, clock: VirtualClock) -> OneWireSensor:
    return OneWireSensor(SENSOR, clock.now_s, folder.root)


def take(sensor: OneWireSensor, clock: VirtualClock, after_s: float = 1.0) -> ProbeReading:
    clock.time_s += after_s
    return sensor.reading(clock.time_s)


# DS18B20 data sheet, table 1: temperature -> the two bytes of the scratchpad.
@pytest.mark.parametrize(("c", "raw"), [
    (125.0, "d0 07"), (85.0, "50 05"), (25.0625, "91 01"), (10.125, "a2 00"), (0.5, "08 00"),
    (0.0, "00 00"), (-0.5, "f8 ff"), (-10.125, "5e ff"), (-25.0625, "6f fe"), (-55.0, "90 fc"),
])
def test_the_folder_writes_what_the_data_sheet_says(c: float, raw: str) -> None:
    assert scratchpad(c)[:2].hex(" ") == raw
    assert slave_text(c).splitlines()[0].endswith("YES")


def test_the_scratchpads_crc_is_that_of_a_published_frame() -> None:
    """The power-on scratchpad with its CRC 1c, as in reference notes and many field reports."""
    assert scratchpad(85.0).hex(" ") == "50 05 4b 46 7f ff 0c 10 1c"


@pytest.mark.parametrize("c", [-20.0, 0.0, 54.125, 84.9375, 85.0625, 110.0, 125.0])
def test_a_good_file_gives_its_value_and_the_moment_the_read_began(
    sensor: OneWireSensor, clock: VirtualClock, folder: KernelFolder, c: float,
) -> None:
    folder.show(SENSOR, c)
    assert take(sensor, clock) == ProbeReading(c, 101.0)


# what is in the file -> a word of the reason
BAD_FILES: dict[str, tuple[str | bytes, str]] = {
    "empty file": ("", "no valid answer"),
    "crc wrong": (slave_text(54.0).replace("YES", "NO"), "no valid answer"),
    "one-line file": (slave_text(54.0).splitlines()[0] + "\n", "IndexError"),
    "garbage": ("???\n", "no valid answer"),
    "not text": (b"\xff\xfe\x00YES\n\xff", "UnicodeDecodeError"),
    "second line garbage": (slave_text(54.0).splitlines()[0] + "\nzz yy\n", "ValueError"),
    "all zero": ("00 00 00 00 00 00 00 00 00 : crc=00 YES\n" * 2, "no valid answer"),
    "127.9": (slave_text(127.9375), "not a DS18B20's"),
    "-110": (slave_text(-110.0), "not a DS18B20's"),
    "85.000 alone": (slave_text(85.0), "power-on value"),
}


@pytest.mark.parametrize("name", sorted(BAD_FILES))
def test_a_bad_file_is_no_value_with_a_reason(
    sensor: OneWireSensor, clock: VirtualClock, folder: KernelFolder, name: str,
) -> None:
    text, why = BAD_FILES[name]
    folder.put(SENSOR, text)
    reading = take(sensor, clock)
    assert reading.c is None and reading.at_s == 101.0
    assert why in reading.why and len(reading.why) <= 80
    folder.show(SENSOR, 54.0)
    assert take(sensor, clock).c == 54.0, "and the next good one counts again"


def test_an_unplugged_probe_and_a_missing_bus_are_no_value(
    sensor: OneWireSensor, clock: VirtualClock, folder: KernelFolder,
) -> None:
    assert "not on its bus" in take(sensor, clock).why
    folder.show(SENSOR, 54.0)
    assert take(sensor, clock).c == 54.0
    folder.remove(SENSOR)
    folder.root.rmdir()
    reading = take(sensor, clock)
    assert reading.c is None and "not on its bus" in reading.why


def test_85_between_neighbours_is_oil_and_not_the_power_on_value(
    sensor: OneWireSensor, clock: VirtualClock, folder: KernelFolder,
) -> None:
    for c in (84.875, 84.9375, 85.0, 85.0, 85.0, 85.0625):
        folder.show(SENSOR, c)
        assert take(sensor, clock).c == c


@pytest.mark.parametrize(("before_c", "after_s"), [(83.9375, 1.0), (86.0625, 1.0), (84.9375, 6.0)])
def test_85_with_a_far_or_an_old_neighbour_is_the_power_on_value(
    sensor: OneWireSensor, clock: VirtualClock, folder: KernelFolder, before_c: float,
    after_s: float,
) -> None:
    folder.show(SENSOR, before_c)
    take(sensor, clock)
    folder.show(SENSOR, 85.0)
    assert take(sensor, clock, after_s).c is None


def test_85_stays_a_value_through_one_lost_reading(
    sensor: OneWireSensor, clock: VirtualClock, folder: KernelFolder,
) -> None:
    folder.show(SENSOR, 85.0625)
    take(sensor, clock)
    folder.put(SENSOR, "")
    take(sensor, clock)
    folder.show(SENSOR, 85.0)
    assert take(sensor, clock).c == 85.0


@pytest.mark.parametrize("name", ["10-0316a2794ff1", "3b-0316a2794ff1", "28-", "", "28"])
def test_another_family_is_no_value(folder: KernelFolder, clock: VirtualClock, name: str) -> None:
    if name:
        folder.show(name, 54.0)
    reading = OneWireSensor(name, clock.now_s, folder.root).reading(1.0)
    assert reading.c is None and "no DS18B20" in reading.why


def test_the_library_is_imported_without_loading_kernel_modules(folder: KernelFolder) -> None:
    """In a process of its own with the variable unset, and a modprobe that would tell."""
    folder.show(SENSOR, 54.0)
    said = folder.root / "modprobe-ran"
    tool = folder.root / "modprobe"
    tool.write_text(f"#!/bin/sh\ntouch {said}\n", "ascii")
    tool.chmod(0o755)
    env = {name: value for name, value in os.environ.items()
           if name != "W1THERMSENSOR_NO_KERNEL_MODULE"}
    env["PATH"] = f"{folder.root}:{env['PATH']}"
    code = ("from esterward.hardware.probes import OneWireSensor\n"
            f"print(OneWireSensor({SENSOR!r}, lambda: 0.0, {str(folder.root)!r}).reading(0.0).c)")
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True,
                          timeout=30, check=False)
    assert done.stdout.strip() == "54.0" and not said.exists()


# -- the worker -----------------------------------------------------------------------------------


def until(true: Callable[[], bool], what: str) -> None:
    """Wait for a thread, for real but not for long."""
    end = time.monotonic() + 5.0
    while not true():
        assert time.monotonic() < end, what
        time.sleep(0.001)


def until_begun(begun: list[float], number: int) -> None:
    """A read that did not begin does not hang: virtual time is faster than a thread."""
    until(lambda: len(begun) == number, "no read began")


def collect(probe: OneWireProbe, clock: VirtualClock, after_s: float = 1.0) -> ProbeReading:
    """Start a read, let its thread finish, collect it."""
    before = probe.read(clock.time_s)
    clock.time_s += after_s
    newest = before

    def new() -> bool:
        nonlocal newest
        newest = probe.read(clock.time_s)
        return newest is not before

    until(new, "the worker gave nothing")
    return newest


def test_a_probe_port_gives_the_newest_conversion(
    folder: KernelFolder, clock: VirtualClock,
) -> None:
    folder.show(SENSOR, 54.0)
    probe = OneWireProbe(SENSOR, clock.now_s, folder.root)
    assert probe.read(clock.time_s).c is None
    assert collect(probe, clock).c == 54.0
    folder.put(SENSOR, "")
    collect(probe, clock)
    reading = collect(probe, clock)
    assert reading.c is None and "no valid answer" in reading.why
    probe.close()


def test_a_tick_that_comes_a_moment_early_still_starts_the_next_conversion(
    folder: KernelFolder, clock: VirtualClock,
) -> None:
    """The loop's ticks are never exact; each must bring the conversion the last one asked for."""
    folder.show(SENSOR, 54.0)
    probe = OneWireProbe(SENSOR, clock.now_s, folder.root)
    began_s = [clock.time_s]
    probe.read(clock.time_s)
    for late_s in (0.02, -0.02, 0.0, -0.01, 0.01):
        before = probe.read(clock.time_s)
        until(lambda: probe._reader._job.done is not None, "the worker gave nothing")
        clock.time_s = 101.0 + len(began_s) - 1 + late_s
        reading = probe.read(clock.time_s)
        assert reading is not before and reading.at_s == began_s[-1]
        began_s.append(clock.time_s)
    probe.close()


def test_a_blocked_read_never_blocks_us_is_abandoned_at_its_deadline_and_ends_us_after_three(
    folder: KernelFolder, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pipe nobody writes to blocks like a kernel read that does not return."""
    (folder.root / SENSOR).mkdir()
    os.mkfifo(folder.root / SENSOR / "w1_slave")
    begun: list[float] = []
    convert = OneWireSensor.convert

    def noted(self: OneWireSensor) -> float:
        begun.append(clock.time_s)
        return convert(self)

    monkeypatch.setattr(OneWireSensor, "convert", noted)
    probe = OneWireProbe(SENSOR, clock.now_s, folder.root)
    probe.read(clock.time_s)
    clock.time_s += DEADLINE_S
    assert probe.read(clock.time_s).why == "no reading yet", "within the deadline"
    clock.time_s -= DEADLINE_S
    for number in range(1, ABANDONED_MAX):
        probe.read(clock.time_s)
        until_begun(begun, number)
        clock.time_s += DEADLINE_S + 0.01
        reading = probe.read(clock.time_s)
        assert reading.c is None and "did not return within 5 s" in reading.why
    probe.read(clock.time_s)
    until_begun(begun, ABANDONED_MAX)
    clock.time_s += DEADLINE_S + 0.01
    with pytest.raises(ReaderStuck, match=f"{ABANDONED_MAX} reads did not return"):
        probe.read(clock.time_s)


def test_an_abandoned_read_that_returns_after_all_is_never_used(clock: VirtualClock) -> None:
    gates = [threading.Event(), threading.Event()]
    values = iter((1.0, 2.0))
    calls: list[int] = []

    def slow() -> float:
        calls.append(len(calls))
        value = next(values)
        gates[calls[-1]].wait(5.0)
        return value

    reader = DeadlineReader(slow, clock.now_s, name="slow", period_s=1.0)
    reader.look(clock.time_s)
    until(lambda: len(calls) == 1, "the first read did not start")
    clock.time_s += DEADLINE_S + 0.01
    assert reader.look(clock.time_s) and reader.result is not None and reader.result[1] is None
    reader.look(clock.time_s)
    until(lambda: len(calls) == 2, "the second read did not start")
    assert reader.abandoned == 1
    gates[0].set()
    gates[1].set()
    until(lambda: reader.look(clock.time_s), "nothing came")
    assert reader.result is not None and reader.result[1] == 2.0


def test_slow_reads_that_returned_are_forgotten_and_three_that_hang_at_once_are_not(
    clock: VirtualClock,
) -> None:
    gate = threading.Event()
    begun: list[float] = []

    def slow() -> float:
        begun.append(clock.time_s)
        gate.wait()
        return 55.0

    def give_up() -> None:
        number = len(begun) + 1
        clock.time_s += 1.0
        reader.look(clock.time_s)
        until_begun(begun, number)
        clock.time_s += DEADLINE_S + 0.01
        assert reader.look(clock.time_s) and reader.result is not None
        assert "did not return within 5 s" in reader.result[2]

    reader = DeadlineReader(slow, clock.now_s, name="slow", period_s=1.0)
    for _ in range(3 * ABANDONED_MAX):
        gate.clear()
        give_up()
        gate.set()
        until(lambda: reader.abandoned == 0, "the read that returned still counts")
    gate.clear()
    for _ in range(ABANDONED_MAX - 1):
        give_up()
    for _ in range(2):
        with pytest.raises(ReaderStuck, match=f"{ABANDONED_MAX} reads did not return"):
            give_up()
    assert reader.abandoned == ABANDONED_MAX
    gate.set()
    until(lambda: reader.abandoned == 0, "reads that returned still count")
    reader.look(clock.time_s)
    until(lambda: reader.look(clock.time_s) and reader.result is not None
          and reader.result[1] == 55.0, "no reading after they returned")
    reader.close()


def test_a_result_that_was_kept_waiting_is_not_taken_for_new(clock: VirtualClock) -> None:
    """The process was stopped while the read was under way: the value is as old as its start."""
    reader = DeadlineReader(lambda: 54.0, clock.now_s, name="x", period_s=1.0)
    reader.look(clock.time_s)
    until(lambda: reader._job.done is not None, "the read did not end")
    clock.time_s += 60.0
    assert reader.look(clock.time_s)
    assert reader.result is not None and reader.result[1] is None
    assert "took longer" in reader.result[2]


# -- the barometer --------------------------------------------------------------------------------


def test_the_barometer_is_the_kernels_one_file_in_kpa(tmp_path: Path, clock: VirtualClock) -> None:
    """Linux ABI, sysfs-bus-iio: in_pressureY_input is in kilopascal."""
    device = tmp_path / "iio:device0"
    device.mkdir()
    (device / "in_pressure_input").write_text("88.512343750\n", "ascii")
    barometer = IioBarometer(tmp_path, clock.now_s)
    assert barometer.read(clock.time_s) is None and barometer.fault == ""
    until(lambda: barometer.read(clock.time_s) is not None, "no reading")
    assert barometer.read(clock.time_s) == pytest.approx(88.51234375) and barometer.fault == ""
    other = tmp_path / "iio:device1"
    other.mkdir()
    (other / "in_pressure_input").write_text("88.0\n", "ascii")
    clock.time_s += 61.0
    until(lambda: barometer.read(clock.time_s) is None and "2 files" in barometer.fault,
          "which of two is meant nobody knows")


def test_a_barometer_that_comes_late_or_under_another_number_is_found(
    tmp_path: Path, clock: VirtualClock,
) -> None:
    barometer = IioBarometer(tmp_path / "devices", clock.now_s)
    until(lambda: barometer.read(clock.time_s) is None and
          barometer.fault == "0 files in_pressure_input are there, one is needed", "no word of it")
    for number, text in ((3, "88.5\n"), (4, "88.6\n")):
        device = tmp_path / f"devices/iio:device{number}"
        device.mkdir(parents=True)
        (device / "in_pressure_input").write_text(text, "ascii")
        clock.time_s += 10.0
        until(lambda text=text: barometer.read(clock.time_s) == float(text), "it is not found")
        assert barometer.fault == ""
        (device / "in_pressure_input").unlink()
    barometer.close()


@pytest.mark.parametrize("text", ["", "high", "\x00"])
def test_a_barometer_that_says_nonsense_is_bridged_for_a_minute_and_then_none(
    tmp_path: Path, clock: VirtualClock, text: str,
) -> None:
    path = tmp_path / "iio:device0/in_pressure_input"
    path.parent.mkdir()
    path.write_text("88.5\n", "ascii")
    barometer = IioBarometer(tmp_path, clock.now_s)
    until(lambda: barometer.read(clock.time_s) == 88.5, "no reading")
    path.write_text(text, "ascii")
    clock.time_s += 59.0
    assert barometer.read(clock.time_s) == 88.5
    clock.time_s += 2.0
    until(lambda: barometer.read(clock.time_s) is None, "an old reading still counts")


def test_a_barometer_whose_reads_hang_is_bridged_like_one_that_fails_and_ends_nothing(
    tmp_path: Path, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch,
) -> None:
    gate = threading.Event()
    begun: list[float] = []

    def hanging(self: IioBarometer) -> float:
        begun.append(clock.time_s)
        gate.wait()
        return 88.6

    path = tmp_path / "iio:device0/in_pressure_input"
    path.parent.mkdir()
    path.write_text("88.5", "ascii")
    barometer = IioBarometer(tmp_path, clock.now_s)
    until(lambda: barometer.read(clock.time_s) == 88.5, "no reading")
    barometer.close()
    monkeypatch.setattr(IioBarometer, "_take", hanging)
    barometer, good = IioBarometer(tmp_path, clock.now_s), barometer._good
    barometer._good = good
    said = []
    for _ in range(100):
        clock.time_s += 1.0
        said.append(barometer.read(clock.time_s))
        if len(said) in (1, 8, 15):
            until_begun(begun, 1 + len(said) // 7)
    assert said[:50] == [88.5] * 50 and said[-30:] == [None] * 30
    assert barometer._reader.abandoned == len(begun) == ABANDONED_MAX
    gate.set()
    until(lambda: barometer.read(clock.time_s) == 88.6, "it is not read any more")
    barometer.close()
