"""Cost of the record beside a batch: per tick, per stored event, and its size on the disk.

pytest tests/bench/test_bench_record.py -o addopts=--import-mode=importlib --benchmark-only -s
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from esterward.record.journal import Journal
from esterward.record.trace import CHUNK_TICKS, Tick, decode, encode
from esterward.values.events import Event
from esterward.values.messages import GuardReport
from esterward.values.outputs import SAFE, Outputs
from esterward.values.readings import Inputs, ProbeReading
from esterward.values.snapshot import Snapshot

HOUR = 3600


def hour(*, exact: bool) -> list[Tick]:
    """An hour of heating. exact: a virtual clock; else stamps with the jitter of a real one."""
    chance, now_s, oil_c = random.Random(1), 12345.678912345, 40.0
    ticks = []
    for second in range(HOUR):
        late_s = 0.0 if exact else chance.random()
        now_s = float(second) if exact else now_s + 1.0 + late_s * 1e-3
        oil_c += 0.0625 * (chance.random() < 0.2)
        on = second % 40 < 20
        guard = GuardReport(4 * second, now_s - late_s / 4, "b" * 36, Inputs(k1_open=not on),
                            ProbeReading(oil_c, now_s - 0.5 - late_s / 3), on, (), False, 60.5,
                            None, "h" * 16)
        ticks.append((Snapshot(now_s, "b" * 36, True, 1.8e9 + now_s + late_s * 1e-6,
                               ProbeReading(oil_c, now_s - 0.5 - late_s / 2), None, guard,
                               second // 500), Outputs(k1=on, k2_wanted=on, mixer=True)))
    return ticks


@pytest.mark.parametrize("exact", [True, False], ids=["virtual clock", "real clock"])
def test_trace_encode(benchmark: BenchmarkFixture, exact: bool) -> None:
    ticks = hour(exact=exact)
    chunks = [ticks[start:start + CHUNK_TICKS] for start in range(0, HOUR, CHUNK_TICKS)]
    bodies = benchmark(lambda: [encode(chunk) for chunk in chunks])
    benchmark.extra_info["bytes_per_hour"] = sum(map(len, bodies))
    benchmark.extra_info["us_per_tick"] = benchmark.stats.stats.median / HOUR * 1e6
    print(dict(benchmark.extra_info))
    assert [tick for body in bodies for tick in decode(body)] == ticks


@pytest.mark.parametrize("durable", [True, False], ids=["durable", "no disk waited for"])
def test_tick_without_events(benchmark: BenchmarkFixture, tmp_path: Path, durable: bool) -> None:
    ticks = hour(exact=False)
    journal = Journal(tmp_path / "record.sqlite", boot="b", now_s=ticks[0][0].now_s,
                      durable=durable)

    def run() -> None:
        for snapshot, outputs in ticks:
            journal.add(snapshot, outputs, (), None)
            journal.step(snapshot.now_s)

    benchmark.pedantic(run, rounds=3)
    benchmark.extra_info["us_per_tick"] = benchmark.stats.stats.median / HOUR * 1e6
    print(dict(benchmark.extra_info))
    journal.close(1e6)


def test_add_alone(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    ticks = hour(exact=False)
    journal = Journal(tmp_path / "record.sqlite", boot="b", now_s=0.0, durable=False)

    def run() -> None:
        for snapshot, outputs in ticks:
            journal.add(snapshot, outputs, (), None)

    benchmark.pedantic(run, rounds=5)
    benchmark.extra_info["us_per_tick"] = benchmark.stats.stats.median / HOUR * 1e6
    print(dict(benchmark.extra_info))
    journal.close(1e6)


def test_event_stored(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """One event to the disk: two syncs, so mostly the disk's own time."""
    journal = Journal(tmp_path / "record.sqlite", boot="b", now_s=0.0)
    snapshot = Snapshot(1.0, "b", True, None, ProbeReading(20.0, 0.5), None, None, 0)
    number = 0

    def run() -> None:
        nonlocal number
        number += 1
        journal.add(snapshot, SAFE, (Event(number, 1.0, "note", {"text": "x"}),), "s" * 4000)
        journal.step(1.0)
        assert journal.stored == number

    benchmark(run)
    journal.close(2.0)
