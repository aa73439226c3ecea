"""What one rehearsed hour costs, by hand: `.venv/bin/python tests/bench/rehearsal_speed.py`.

The first hour of the example batch through ports, as `rehearse --speed max` runs it: with no
record, with a record nobody asked for, with one that waits for the disk. In turns within one run,
so that the ratios hold on a busy machine; then the whole batch without a record and with one, and
its hour from the eighth on, at rest, under cProfile, where the time goes. A call of simple-pid
beside it says how fast the machine was.
"""

from __future__ import annotations

import cProfile
import hashlib
import json
import pstats
import statistics
import sys
import tempfile
import time
import timeit
from dataclasses import asdict
from pathlib import Path

from simple_pid import PID

from esterward.record.journal import Journal
from esterward.settings.files import load_pair
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import NoRecord

CONFIG = Path(__file__).parents[2] / "firmware/config"
HOUR_S, TURNS = 3600.0, 5


BATCH, REACTOR = load_pair(CONFIG / "batch.toml", CONFIG / "reactor.toml")


def start(record: object) -> Rehearsal:
    assert REACTOR is not None
    return Rehearsal(REACTOR, BATCH, record)  # type: ignore[arg-type]


def go_to(rehearsal: Rehearsal, time_s: float) -> Rehearsal:
    while rehearsal.rig.clock.time_s < time_s:
        rehearsal.step()
    return rehearsal


def pid_us() -> float:
    """Processor time of one simple-pid call, the fastest of twenty runs."""
    law = PID(1.0, 0.01, 0.1, setpoint=55.0, sample_time=None)
    return min(timeit.repeat(lambda: law(54.0, dt=1.0), number=5000, repeat=20,
                             timer=time.process_time)) / 5000 * 1e6


def record_of(kind: str, folder: Path) -> NoRecord | Journal:
    return NoRecord() if kind == "no record" else Journal(
        folder / f"{time.monotonic_ns()}.sqlite", boot="rehearsal-1", now_s=0.0,
        durable=kind == "durable")


def timed(kind: str, folder: Path) -> tuple[float, float, str]:
    """Wall and processor seconds, and the checksum of the events."""
    record = record_of(kind, folder)
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    events = go_to(start(record), HOUR_S).result.events
    if isinstance(record, Journal):
        record.close(HOUR_S)
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    text = json.dumps([asdict(event) for event in events])
    return wall_s, cpu_s, hashlib.sha256(text.encode()).hexdigest()[:16]


def main() -> None:
    kinds = ("no record", "throw-away", "durable")
    found: dict[str, list[tuple[float, float, str]]] = {kind: [] for kind in kinds}
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        for _ in range(TURNS):
            for kind in kinds:
                found[kind].append(timed(kind, Path(folder)))
    for kind, rows in found.items():
        wall_s, cpu_s = (statistics.median(row[n] for row in rows) for n in (0, 1))
        print(f"{kind:12} wall {wall_s:6.3f} s, processor {cpu_s:6.3f} s "
              f"({cpu_s / (4 * HOUR_S) * 1e6:5.1f} us a quarter second), "
              f"fastest {min(row[1] for row in rows):.3f} s; events {rows[0][2]}")
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        for kind in kinds[:2]:
            whole, cpu_s = start(record_of(kind, Path(folder))), time.process_time()
            result = whole.run()
            cpu_s = time.process_time() - cpu_s
            print(f"whole batch, {kind}: processor {cpu_s:.2f} s for "
                  f"{result.simulated_s / 3600:.2f} h, {result.state}: "
                  f"{cpu_s / result.simulated_s * 86400:.2f} s for 24 h; "
                  f"simple-pid {pid_us():.2f} us a call")
    rest, profile = go_to(start(NoRecord()), 8 * HOUR_S), cProfile.Profile(time.process_time)
    print(f"from here on: {rest.rig.controller.process.state.step}")
    profile.runcall(go_to, rest, 9 * HOUR_S)
    pstats.Stats(profile, stream=sys.stdout).sort_stats("cumtime").print_stats(40)


if __name__ == "__main__":
    main()
