"""What guard and controller cost as real processes while heating: resident memory and CPU.

Run: .venv/bin/python tests/bench/process_cost.py [SECONDS]. Prints one JSON object. The
controller is tests/stand_in_controller.py unless a command is given after the seconds.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from bench_rig import STAND_IN, Rig


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text("ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def main(seconds: float, controller: tuple[str, ...]) -> None:
    with tempfile.TemporaryDirectory() as folder, Rig(Path(folder) / "rig", controller) as rig:
        rig.heat()
        assert rig.guard is not None and rig.controller is not None
        pids = {"guard": rig.guard.pid, "controller": rig.controller.pid}
        before = {name: cpu_s(pid) for name, pid in pids.items()}
        time.sleep(seconds)
        print(json.dumps({name: {
            "resident_peak_mb": round(peak_mb(pid), 1),
            "cpu_percent": round((cpu_s(pid) - before[name]) / seconds * 100, 2),
        } for name, pid in pids.items()}))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0, tuple(sys.argv[2:]) or STAND_IN)
