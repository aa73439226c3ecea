"""Starts that followed no clean stop are counted, and how long nothing ran is told or unknown."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from esterward.record.journal import Journal
from esterward.record.resume import Found, last_state


def _boots(path: Path, crash: Any, feeder: Any, boots: list[tuple[str, float, float | None,
                                                                  float]]) -> list[Found]:
    """Start and crash again and again: (boot id, now_s of the start, wall offset, seconds run)."""
    found = []
    for boot, now_s, wall_s, ran_s in boots:
        journal = Journal(path, boot=boot, now_s=now_s,
                          wall_s=None if wall_s is None else wall_s + now_s)
        found.append(journal.found)
        fed = feeder(journal, now_s, wall_s)
        fed.now_s += ran_s
        fed.tick(1)
        crash(journal)
    return found


def test_unclean_starts_of_the_last_half_hour_are_counted_by_the_wall_clock(
        path: Path, crash: Any, feeder: Any) -> None:
    found = _boots(path, crash, feeder, [
        ("a", 20.0, 1.8e9, 60.0), ("b", 20.0, 1.8e9 + 300, 60.0), ("c", 20.0, 1.8e9 + 600, 60.0),
        ("d", 20.0, 1.8e9 + 900, 60.0), ("e", 20.0, 1.8e9 + 90_000, 60.0)])
    assert [item.unclean_starts for item in found] == [0, 1, 2, 3, 1]
    assert [item.clean for item in found] == [True, False, False, False, False]


@pytest.mark.parametrize(("gap_s", "starts"), [(1799.0, 2), (1801.0, 1)])
def test_half_an_hour_is_what_unclean_starts_are_counted_within(
        path: Path, crash: Any, feeder: Any, gap_s: float, starts: int) -> None:
    found = _boots(path, crash, feeder, [("a", 20.0, 1.8e9, 60.0), ("b", 20.0, 1.8e9 + 300, 60.0),
                                         ("c", 20.0, 1.8e9 + 300 + gap_s, 60.0)])
    assert found[-1].unclean_starts == starts


def test_without_a_clock_a_loop_of_brown_outs_is_counted_all_the_same(
        path: Path, crash: Any, feeder: Any) -> None:
    found = _boots(path, crash, feeder, [(name, 20.0, None, 30.0) for name in "abcd"])
    assert [item.unclean_starts for item in found] == [0, 1, 2, 3]


def test_without_a_clock_long_runs_between_stops_are_no_loop(
        path: Path, crash: Any, feeder: Any) -> None:
    found = _boots(path, crash, feeder, [(name, 20.0, None, 4000.0) for name in "abcd"])
    assert [item.unclean_starts for item in found] == [0, 1, 1, 1]


def test_restarts_within_one_boot_are_counted_by_its_own_clock(
        path: Path, crash: Any, feeder: Any) -> None:
    found = _boots(path, crash, feeder, [
        ("a", 100.0, None, 10.0), ("a", 200.0, None, 10.0), ("a", 300.0, None, 10.0),
        ("a", 9000.0, None, 10.0)])
    assert [item.unclean_starts for item in found] == [0, 1, 2, 1]
    assert [item.outage_s for item in found] == [None, 89.0, 89.0, 8689.0]


def test_a_clean_stop_ends_the_count(path: Path, crash: Any, feeder: Any) -> None:
    _boots(path, crash, feeder, [("a", 20.0, 1.8e9, 60.0), ("b", 20.0, 1.8e9, 60.0)])
    Journal(path, boot="c", now_s=20.0, wall_s=1.8e9).close(30.0)
    assert last_state(path, boot="d", now_s=20.0, wall_s=1.8e9).unclean_starts == 0


@pytest.mark.parametrize(("then_wall_s", "wall_s", "outage_s"), [
    (1.8e9, 1.8e9 + 3600.0, 3619.0),  # both trusted: 20 s into the boot, one tick at 21 + 60
    (None, 1.8e9, None), (1.8e9, None, None), (None, None, None),
    (1.8e9, 1.5e9, None),  # the clock stepped back: unknown, not negative
])
def test_an_outage_counts_only_between_two_trusted_clocks(
        path: Path, crash: Any, feeder: Any, then_wall_s: float | None, wall_s: float | None,
        outage_s: float | None) -> None:
    _boots(path, crash, feeder, [("a", 20.0, then_wall_s, 60.0)])
    found = last_state(path, boot="b", now_s=100.0,
                       wall_s=None if wall_s is None else wall_s + 100.0)
    assert found.checkpoint == "state of 1"
    assert found.outage_s == outage_s
