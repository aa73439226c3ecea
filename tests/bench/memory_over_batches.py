"""Whether memory stays flat over many rehearsals in one process.

    .venv/bin/python tests/bench/memory_over_batches.py --batches 1000 --minutes 20
    .venv/bin/python tests/bench/memory_over_batches.py --batches 30          # whole batches

Each batch is a new rig (plant, guard rule, controller, person) with a record on disk; --minutes
ends it after that much simulated time. Prints the resident memory of the process after a tenth
and at the end, its growth a batch (least squares over the last nine tenths), and what
tracemalloc still holds. Exit 1 when the growth is above --allowed KiB a batch.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
import tempfile
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

from esterward.record.journal import Journal
from esterward.settings.files import load_pair
from esterward.values.batch import Wash
from esterward_sim.rehearsal import Rehearsal

DEMO = Path(__file__).parents[2] / "sim/scenarios/demo"


def resident_kib() -> float:
    """Pages in memory now, from the kernel."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1024.0


def one_batch(folder: Path, number: int, minutes: float | None) -> float:
    """Simulated hours that ran."""
    batch, reactor = load_pair(DEMO / "batch.toml", DEMO / "reactor.toml")
    assert reactor is not None
    short = replace(batch, settle_h=0.1, washes=(Wash(0.5, True),), wash_stand_min=20.0,
                    dry_min=45.0)
    path = folder / f"{number}.sqlite"
    journal = Journal(path, boot="rehearsal-1", now_s=0.0, durable=False)
    rehearsal = Rehearsal(reactor, short, journal, seed=number)
    if minutes is None:
        rehearsal.run()
    else:
        for _ in range(int(minutes * 240)):
            rehearsal.step()
    journal.close(rehearsal.rig.clock.now_s())
    for left in folder.glob(f"{number}.sqlite*"):
        left.unlink()
    return rehearsal.rig.clock.time_s / 3600.0


def slope(values: list[float]) -> float:
    """Least-squares growth from one value to the next."""
    n = len(values)
    middle = (n - 1) / 2.0
    mean = sum(values) / n
    return sum((i - middle) * (v - mean) for i, v in enumerate(values)) / sum(
        (i - middle) ** 2 for i in range(n))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batches", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=None)
    parser.add_argument("--allowed", type=float, default=2.0, help="KiB a batch")
    parser.add_argument("--trace", action="store_true", help="also ask tracemalloc (slower)")
    given = parser.parse_args()
    seen, hours, began_s = [], 0.0, time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(given.batches):
            hours += one_batch(Path(folder), number, given.minutes)
            gc.collect()
            seen.append(resident_kib())
            if number == given.batches // 10 and given.trace:
                tracemalloc.start()
    held = f", {tracemalloc.get_traced_memory()[0] / 1024.0:.0f} KiB traced" if given.trace else ""
    tenth = given.batches // 10
    growth = slope(seen[tenth:])
    print(f"{given.batches} batches, {hours:.0f} h simulated in "
          f"{time.perf_counter() - began_s:.0f} s: {seen[tenth] / 1024.0:.1f} MiB after a tenth, "
          f"{seen[-1] / 1024.0:.1f} MiB at the end, {growth:+.3f} KiB a batch{held}")
    return 0 if growth <= given.allowed else 1


if __name__ == "__main__":
    sys.exit(main())
