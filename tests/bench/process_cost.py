"""What `esterward guard` and `esterward run` cost as real processes: memory and CPU of one core.

Run: .venv/bin/python tests/bench/process_cost.py [SECONDS]. Prints one JSON object: both idle (no
batch, waiting), both while element, mixer and air are on, and the time of `esterward --help`.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from bench_rig import Rig

HELPS = 15


def cpu_s(pid: int) -> float:
    """Seconds of CPU of the process and all its threads."""
    return sum(int(path.read_text("ascii").split()[0]) for path in
               Path(f"/proc/{pid}/task").glob("*/schedstat")) / 1e9


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text("ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def cost(rig: Rig, seconds: float) -> dict[str, dict[str, float]]:
    assert rig.guard is not None and rig.controller is not None
    pids = {"guard": rig.guard.pid, "controller": rig.controller.pid}
    before = {name: cpu_s(pid) for name, pid in pids.items()}
    time.sleep(seconds)
    return {name: {
        "resident_peak_mb": round(peak_mb(pid), 1),
        "cpu_percent": round((cpu_s(pid) - before[name]) / seconds * 100, 2),
    } for name, pid in pids.items()}


def help_s() -> dict[str, float]:
    """Wall and CPU seconds of the command that only shows its table, and of a bare Python."""
    found = {}
    for name, code in (("help", "from esterward.cli import main; main()"), ("python", "pass")):
        walls, cpus = [], []
        for _ in range(HELPS):
            began_s, before = time.perf_counter(), os.times()
            subprocess.run([sys.executable, "-c", code, "--help"], stdout=subprocess.DEVNULL,
                           check=True)
            after = os.times()
            walls.append(time.perf_counter() - began_s)
            cpus.append(after.children_user + after.children_system
                        - before.children_user - before.children_system)
        found[f"{name}_wall_s"] = round(statistics.median(walls), 3)
        found[f"{name}_cpu_s"] = round(statistics.median(cpus), 3)
    return found


def main(seconds: float) -> None:
    told: dict[str, object] = {"--help": help_s()}
    with tempfile.TemporaryDirectory() as folder:
        with Rig(Path(folder) / "idle") as rig:
            rig.start_guard()
            rig.start_controller()
            rig.said("no batch")
            time.sleep(5.0)
            told["idle"] = cost(rig, seconds)
        with Rig(Path(folder) / "drying") as rig:
            rig.dry()
            told["drying"] = cost(rig, seconds)
    print(json.dumps(told, indent=1))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
