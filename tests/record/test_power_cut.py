"""Power cuts generated from a trace of system calls: nothing acknowledged is lost."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from record.tools.power_cut import images

TOOL = Path(__file__).parent / "tools" / "power_cut.py"


def needs_strace() -> None:
    if shutil.which("strace") is None or subprocess.run(
            ["strace", "-f", "true"], capture_output=True).returncode:
        pytest.skip("strace is not installed or may not trace here")


def test_no_acknowledged_event_is_lost_by_a_power_cut_at_any_system_call() -> None:
    # The long run: python tests/record/tools/power_cut.py --images 100000 --events 60
    needs_strace()
    done = subprocess.run([sys.executable, str(TOOL), "--images", "1000", "--events", "24"],
                          capture_output=True, text=True, timeout=120)
    told = json.loads(done.stdout)
    assert told["images"] >= 900
    assert (told["bad"], told["lost"]) == ([], 0)
    # A doubt is safe (held, flag set), but it must be rare: the person would be asked for nothing.
    assert told["doubted"] <= told["images"] // 100


def test_a_cut_while_a_long_backlog_is_written_leaves_a_state_to_believe() -> None:
    needs_strace()
    told = images(3, 200, 1, "--backlog", "600")
    assert told["images"] >= 180  # type: ignore[operator]
    assert (told["bad"], told["lost"], told["doubted"]) == ([], 0, 0)


def test_a_cut_while_old_events_are_dropped_leaves_them_all_or_none() -> None:
    needs_strace()
    told = images(120, 600, 1, "--bound", "60000")
    assert told["images"] >= 500 and told["dropped"]  # type: ignore[operator]
    assert (told["bad"], told["lost"]) == ([], 0)


def test_a_cut_while_a_damaged_record_is_set_aside_never_leaves_one_that_was_never_begun() -> None:
    """Else the batch, whose stage nobody knows, would be idle and not held."""
    needs_strace()
    told = images(1, 300, 1, damaged=True)
    assert told["images"] >= 250  # type: ignore[operator]
    assert (told["bad"], told["lost"]) == ([], 0)


def test_the_power_cuts_show_a_writer_that_waits_for_no_disk() -> None:
    needs_strace()
    told = images(8, 40, 1, "--careless")
    assert told["lost"] and any("acknowledged" in bad or "start" in bad for bad in told["bad"])
