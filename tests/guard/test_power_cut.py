"""A power cut and the guard's file: what a write of it asks of the disk, and in which order."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from esterward.guard import process

WRITE = ("import sys, pathlib; from esterward.guard.process import write_state; "
         "write_state(pathlib.Path(sys.argv[1]), sys.argv[2]); print('stored', flush=True)")
CALLS = "trace=write,fsync,fdatasync,?rename,?renameat,?renameat2"
CALL = re.compile(r"^\d+ +(write|fsync|fdatasync|rename)(?:at|at2)?\((.*)\) += \d+$", re.MULTILINE)


def calls_of_a_write(path: Path, text: str) -> list[tuple[str, str]]:
    """Each system call of a real write and the file it is on, up to the word that it is stored."""
    log = path.parents[1] / "calls"
    subprocess.run(["strace", "-f", "-y", "-o", str(log), "-e", CALLS, sys.executable, "-c", WRITE,
                    str(path), text], check=True, timeout=120, stdout=subprocess.DEVNULL)
    found = []
    for call, arguments in CALL.findall(log.read_text()):
        if '"stored' in arguments:
            return [*found, ("stored", "")]
        # rename(old, new), or renameat with the folder before each name
        names = re.findall(r'"(.+?)"' if call == "rename" else r"<(.+?)>", arguments)
        if names and Path(names[0]) in (path.parent, path, path.with_suffix(".new")):
            found.append((call, " to ".join(Path(name).name for name in names)))
    raise AssertionError("the write never ended")


def test_the_new_file_is_on_disk_before_its_name_and_its_name_before_it_counts(
    tmp_path: Path,
) -> None:
    """Else a power cut brings back an older file, flag clear and nothing latched, or an empty one.

    That the name needs a sync of its own, of the folder: man 2 fsync, DESCRIPTION (from memory).
    """
    if shutil.which("strace") is None or subprocess.run(
            ["strace", "-f", "true"], capture_output=True).returncode:
        pytest.skip("strace is not installed or may not trace here")
    folder = tmp_path / "state"
    folder.mkdir()
    path = folder / process.STATE_FILE
    process.write_state(path, "clear")
    assert calls_of_a_write(path, "set") == [
        ("write", "guard-state.new"), ("fsync", "guard-state.new"),
        ("rename", "guard-state.new to guard-state.json"), ("fsync", "state"), ("stored", "")]
    assert path.read_text("ascii") == "set" and [*folder.iterdir()] == [path]
