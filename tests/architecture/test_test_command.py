"""The one test command brings what the tests ask for."""

from __future__ import annotations

import re
from pathlib import Path

# On every Linux; a browser of several hundred MB and the machine's own service manager, which are
# listed at the end when missing.
LEFT = {"mount", "chromium", "chromium-browser", "systemd-analyze"}
TOP = Path(__file__).parents[2]


def test_every_program_a_test_looks_for_is_installed_by_the_test_command() -> None:
    looked_for = {name for file in (TOP / "tests").rglob("*.py")
                  for name in re.findall(r'shutil\.which\("([a-z_-]+)"\)', file.read_text())}
    assert "strace" in looked_for
    loop = re.search(r"for pair in (.*); do", (TOP / "tests/run.sh").read_text())
    assert loop is not None
    assert looked_for - LEFT <= {pair.split(":")[0] for pair in loop[1].split()}
