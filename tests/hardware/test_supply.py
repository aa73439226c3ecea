"""The board's voltage sensor: the real driver and its worker on folders like the kernel's.

The kernel's names are those of its driver raspberrypi-hwmon (docs.kernel.org/hwmon): the file
in0_lcrit_alarm holds 0 or 1; the folder's name is from memory.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from esterward.hardware import supply
from esterward.hardware.probes import DEADLINE_S
from esterward.hardware.supply import BoardSupply, SupplySensor
from esterward.values.batch import Batch
from esterward_sim.virtual import NoRecord, VirtualClock
from esterward_sim.wires import HwmonFolder, WiredRig
from harness import REACTOR


@pytest.fixture
def folder(tmp_path: Path) -> HwmonFolder:
    return HwmonFolder(tmp_path / "hwmon")


@pytest.fixture
def board(folder: HwmonFolder, clock: VirtualClock) -> Iterator[BoardSupply]:
    made = BoardSupply(clock.now_s, folder.root)
    yield made
    made.close()


def until(true: Callable[[], bool], what: str) -> None:
    end_s = time.monotonic() + 10.0
    while not true():
        assert time.monotonic() < end_s, what
        time.sleep(0.002)


def reads(board: BoardSupply, clock: VirtualClock, low: bool | None) -> None:
    """Within a few reads of the worker it says so."""
    for _ in range(3):
        clock.time_s += 1.0
        board.read(clock.time_s)
        job = board._reader._job
        until(lambda job=job: job.done is not None, "the read did not end")  # type: ignore[misc]
    assert board.read(clock.time_s) is low


def test_what_the_kernels_file_says_is_read_by_a_worker(
    board: BoardSupply, folder: HwmonFolder, clock: VirtualClock,
) -> None:
    assert board.read(clock.time_s) is None, "nothing is waited for"
    reads(board, clock, False)
    folder.show(True)
    reads(board, clock, True)
    folder.show(False)
    reads(board, clock, False)


def test_a_board_without_the_sensor_tells_nothing_and_one_that_comes_later_is_found(
    tmp_path: Path, clock: VirtualClock,
) -> None:
    (tmp_path / "hwmon0").mkdir()
    (tmp_path / "hwmon0/name").write_text("cpu_thermal\n")
    (tmp_path / "hwmon0" / supply.ALARM).write_text("1\n")
    (tmp_path / "hwmon2").mkdir()
    board = BoardSupply(clock.now_s, tmp_path)
    reads(board, clock, None)
    (tmp_path / "hwmon2/name").write_text(supply.SENSOR + "\n")
    reads(board, clock, None)
    (tmp_path / "hwmon2" / supply.ALARM).write_text("0\n")
    reads(board, clock, False)
    board.close()
    missing = BoardSupply(clock.now_s, tmp_path / "missing")
    reads(missing, clock, None)
    missing.close()


@pytest.mark.parametrize("text", [None, "", "2\n", "low", "\xff"])
def test_a_sensor_that_was_there_and_cannot_be_read_counts_as_low(
    board: BoardSupply, folder: HwmonFolder, clock: VirtualClock, text: str | None,
) -> None:
    reads(board, clock, False)
    path = folder.root / "hwmon1" / supply.ALARM
    if text is None:
        path.unlink()
    else:
        path.write_text(text, "latin-1")
    reads(board, clock, True)
    path.write_text("0\n")
    reads(board, clock, False)


def test_a_sensor_that_never_could_be_read_counts_as_low(folder: HwmonFolder) -> None:
    (folder.root / "hwmon1" / supply.ALARM).write_text("\n")
    assert SupplySensor(folder.root).told() is True


def test_a_sensor_that_got_another_number_is_found_again(folder: HwmonFolder) -> None:
    sensor = SupplySensor(folder.root)
    assert sensor.told() is False
    (folder.root / "hwmon1").rename(folder.root / "hwmon4")
    assert sensor.told() is False
    (folder.root / "hwmon4" / supply.ALARM).write_text("1\n")
    assert sensor.told() is True


def test_reads_that_do_not_return_count_as_low_until_they_do_and_end_nothing(
    board: BoardSupply, folder: HwmonFolder, clock: VirtualClock,
) -> None:
    reads(board, clock, False)
    path = folder.root / "hwmon1" / supply.ALARM
    path.unlink()
    os.mkfifo(path)  # as a driver that hangs: opening it waits
    before_s = time.monotonic()
    said = []
    for _ in range(5 * round(DEADLINE_S)):
        clock.time_s += 1.0
        said.append(board.read(clock.time_s))
    assert time.monotonic() - before_s < 5.0, "25 looks, and none of them waited"
    assert said[0] is False and said[-10:] == [True] * 10
    waiting = os.open(path, os.O_RDWR)  # the driver answers again
    path.unlink()
    path.write_text("0\n")
    os.close(waiting)
    until(lambda: board._reader.abandoned == 0, "the reads did not return")
    reads(board, clock, False)


def test_over_the_wires_a_low_supply_is_told_at_once_and_ends_the_heat_after_30_s() -> None:
    """The real sensor on a folder in virtual time: what the loop is given."""
    with WiredRig(REACTOR, Batch(oil_volume_l=120.0), record=NoRecord()) as rig:
        safety = rig.controller.state.safety
        for _ in range(20):
            rig.quarter()
        assert rig.loop.ports.supply is not None and safety.supply.low_s == 0.0
        rig.plant.faults.start("supply_low")
        for _ in range(5):
            rig.quarter()
        assert "supply-low" in safety.alarms and rig.controller.facts.supply_recovers
        for _ in range(4 * 31):
            rig.quarter()
        assert not rig.controller.facts.supply_recovers
        rig.plant.faults.end("supply_low")
        for _ in range(4 * 12):
            rig.quarter()
        assert rig.controller.facts.supply_good and safety.alarms["supply-low"].present is False
