"""Which clock is believed: folders like the kernel's (Linux ABI, sysfs-class-rtc: since_epoch)."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from esterward.cli.run_start import _why
from esterward.hardware import service
from esterward.record.journal import Journal
from esterward.values.outputs import SAFE
from esterward.values.readings import NO_READING
from esterward.values.snapshot import Snapshot

NOW_S = 1_800_000_000.0


def chip(root: Path, name: str, text: str | None) -> None:
    """text None: a chip that refuses to be read, as one does that knows that it lost its time."""
    path = root / name / "since_epoch"
    if text is None:
        path.mkdir(parents=True)
    else:
        path.parent.mkdir(parents=True)
        path.write_text(text, "ascii")


@pytest.mark.parametrize(("chips", "agrees"), [
    ({}, False),
    ({"rtc0": "1800000000\n"}, True),
    ({"rtc0": "1800000055\n"}, True),
    ({"rtc0": "1799999945\n"}, True),
    ({"rtc0": "1800000070\n"}, False),
    ({"rtc0": "42\n"}, False),             # no battery: from 1970 on
    ({"rtc0": "946684842\n"}, False),      # the same, a chip that begins in 2000
    ({"rtc0": "1799971200\n"}, False),     # it went on, the system's clock took a saved time
    ({"rtc0": ""}, False),
    ({"rtc0": None}, False),
    ({"rtc0": "42\n", "rtc1": "1800000000\n"}, True),
    ({"rtc0": None, "rtc1": "1800000000\n"}, True),
])
def test_a_clock_chip_is_believed_only_where_it_tells_the_systems_time(
    tmp_path: Path, chips: dict[str, str | None], agrees: bool,
) -> None:
    for name, text in chips.items():
        chip(tmp_path, name, text)
    assert service.chip_agrees(tmp_path, NOW_S) is agrees


def clock_of(root: Path, monkeypatch: pytest.MonkeyPatch) -> service.MonotonicClock:
    monkeypatch.setattr(service, "CLOCK_CHIPS", str(root / "rtc"))
    monkeypatch.setattr(service, "CLOCK_SET", str(root / "synchronized"))
    return service.MonotonicClock()


def test_the_clock_of_a_start_is_none_until_the_network_or_a_chip_has_set_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    chip(tmp_path / "rtc", "rtc0", "42\n")
    clock = clock_of(tmp_path, monkeypatch)
    assert clock.wall_s() is None
    (tmp_path / "synchronized").touch()
    assert clock.wall_s() == pytest.approx(time.time(), abs=5.0)
    (tmp_path / "synchronized").unlink()
    chip(tmp_path / "rtc", "rtc1", f"{time.time():.0f}\n")
    kept = clock_of(tmp_path, monkeypatch)
    assert kept.wall_s() == pytest.approx(time.time(), abs=5.0)


def test_a_blackout_measured_by_a_clock_nobody_set_is_of_unknown_length(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """8 h without power; a board without a network then starts with the time saved last."""
    path = tmp_path / "record.sqlite"
    saved_s = time.time() - 60.0
    before = Journal(path, boot="1", now_s=0.0, wall_s=saved_s)
    before.add(Snapshot(1.0, "1", True, saved_s, NO_READING, None, None, 0, "", ()), SAFE, (), "{}")
    before.close(2.0, saved_s)
    chip(tmp_path / "rtc", "rtc0", "42\n")
    clock = clock_of(tmp_path, monkeypatch)
    after = Journal(path, boot="2", now_s=42.0, wall_s=clock.wall_s())
    after.close(42.0)
    assert after.found.outage_s is None
    assert "for how long nobody knows: the reaction is doubtful" in _why(after.found, "mix.run")
