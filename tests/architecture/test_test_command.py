"""The one test command brings what the tests ask for."""

from __future__ import annotations

import re
from pathlib import Path

from conftest import APART, WITH, group

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


def test_what_is_dealt_apart_is_there_and_rigs_that_are_hurt_are_one_workers() -> None:
    here = {name for file in (TOP / "tests").rglob("test_*.py")
            for name in re.findall(r"^def (test_\w+)", file.read_text(), re.MULTILINE)}
    assert here >= APART | set(WITH) and set(WITH.values()) <= APART
    assert group("tests/processes/test_a.py::test_b") == group("tests/processes/c.py::test_d[e]")
    assert group("tests/processes/test_run_command.py::test_a") != group("tests/processes/c.py::d")
    assert {group(f"tests/x.py::{name}") for name in WITH} == set(WITH.values())
    assert group("tests/sim/test_a.py::test_b[1]") == group("tests/sim/test_a.py::test_c")
    assert {group(f"tests/x.py::{name}[a::b]") for name in APART} == APART
