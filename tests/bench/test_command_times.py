"""How long the commands take from the shell, against a bare Python in the same run.

    python -m pytest tests/bench/test_command_times.py --benchmark-only

Numbers to reach (issue "bench chemistry"): --help 0.12 s, ceiling 0.3 s, sheet 0.6 s.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

CONFIG = Path(__file__).parents[2] / "firmware" / "config"
RUN = "from esterward.cli import main; main()"


@pytest.mark.parametrize(("code", "args"), [
    ("pass", ()),
    (RUN, ("--help",)),
    (RUN, ("ceiling", "--altitude", "1120 m")),
    (RUN, ("ceiling", "--altitude", "3675 ft")),  # only here Pint converts, and is loaded
    (RUN, ("sheet", str(CONFIG / "batch.toml"))),
    (RUN, ("sheet", str(CONFIG / "batch.toml"), "--json")),
], ids=["bare python", "--help", "ceiling m", "ceiling ft", "sheet", "sheet --json"])
def test_a_command_starts_and_ends(benchmark: Any, code: str, args: tuple[str, ...]) -> None:
    done = benchmark.pedantic(
        lambda: subprocess.run([sys.executable, "-c", code, *args], capture_output=True,
                               check=False, timeout=60),
        rounds=10, warmup_rounds=1)
    assert done.returncode == 0
