"""The one test command brings what the tests ask for."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

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


@pytest.mark.parametrize(("asked", "said"), [
    ("tests/nix", "tests/nix: there is no such file, folder or test; name one that is there."),
    ("--nonsense", "unrecognized arguments: --nonsense"),
    ("-kand and", "Wrong expression passed to '-k'"), ("-cno.ini", "no.ini")])
def test_what_is_not_there_is_said_with_exit_2_and_no_worker_is_started(
    asked: str, said: str, tmp_path: Path,
) -> None:
    """The script and pytest are the real ones, in a project with nothing but a test."""
    for name in ("tests/run.sh", ".ci/venv.sh", "pyproject.toml"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        shutil.copy(TOP / name, tmp_path / name)
    shutil.copy(TOP / "pyproject.toml", (tmp_path / ".venv/bin").mkdir(parents=True)
                or tmp_path / ".venv/esterward-test")  # so that nothing is installed
    (tmp_path / "tests/test_one.py").write_text("def test_one(): pass\n")
    there = tmp_path / "there"
    there.mkdir()
    for program in (*(tmp_path / ".venv/bin" / name for name in ("ruff", "mypy")),
                    *(there / name for name in ("mosquitto", "mosquitto_sub", "strace"))):
        program.symlink_to("/bin/true")
    python = tmp_path / ".venv/bin/python"
    python.write_text(f'#!/bin/sh\nexec {sys.executable} "$@"\n')
    python.chmod(0o755)
    done = subprocess.run(["sh", "tests/run.sh", asked], cwd=tmp_path, capture_output=True,
                          text=True, env={**os.environ, "WORKERS": "1",
                                          "PATH": f"{there}:{os.environ['PATH']}"})
    assert done.returncode == 2 and said in done.stderr, done.stdout + done.stderr
    assert "pytest ..." not in done.stderr


def test_what_is_dealt_apart_is_there_and_rigs_that_are_hurt_are_one_workers() -> None:
    here = {name for file in (TOP / "tests").rglob("test_*.py")
            for name in re.findall(r"^def (test_\w+)", file.read_text(), re.MULTILINE)}
    assert here >= APART | set(WITH) and set(WITH.values()) <= APART
    assert group("tests/processes/test_a.py::test_b") == group("tests/processes/c.py::test_d[e]")
    assert group("tests/processes/test_run_command.py::test_a") != group("tests/processes/c.py::d")
    assert {group(f"tests/x.py::{name}") for name in WITH} == set(WITH.values())
    assert group("tests/sim/test_a.py::test_b[1]") == group("tests/sim/test_a.py::test_c")
    assert {group(f"tests/x.py::{name}[a::b]") for name in APART} == APART
