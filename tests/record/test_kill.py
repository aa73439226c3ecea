"""A writing process killed with SIGKILL loses no event it acknowledged."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

WRITER = Path(__file__).with_name("writer.py")


def test_no_acknowledged_event_is_lost_at_two_hundred_kills(path: Path) -> None:
    # The long run: python tests/record/writer.py /tmp/kill/record.sqlite --kills 10000
    done = subprocess.run([sys.executable, str(WRITER), str(path), "--kills", "200"],
                          capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    told = json.loads(done.stdout)
    assert told["kills"] == 200
    assert told["acknowledged"] > 200  # the kills did hit while it wrote
    assert (told["lost"], told["torn"], told["doubted"]) == (0, 0, 0)


def test_a_kill_while_a_long_backlog_is_written_leaves_a_state_to_believe(path: Path) -> None:
    # The long run: the same with --kills 1000
    done = subprocess.run([sys.executable, str(WRITER), str(path), "--kills", "25",
                           "--backlog", "1500"], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    told = json.loads(done.stdout)
    assert told["kills"] == 25 and told["acknowledged"] > 1500
    assert (told["lost"], told["torn"], told["doubted"]) == (0, 0, 0)


def test_the_kills_show_a_writer_that_acknowledges_before_it_has_stored(path: Path) -> None:
    done = subprocess.run([sys.executable, str(WRITER), str(path), "--kills", "6", "--careless"],
                          capture_output=True, text=True, timeout=120)
    assert json.loads(done.stdout)["lost"] > 0
