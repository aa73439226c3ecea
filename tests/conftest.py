"""What every test shares: nothing hidden, so the end lists each part that could not run."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import settings

# A busy machine is no mistake: how long one example takes is never a test's business.
settings.register_profile("esterward", deadline=None)
settings.load_profile("esterward")


LONGEST = ("trials", "scenarios", "sim", "hardware")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Begin with what takes longest, so that no worker is left alone with it at the end.

    All of processes/ begins on the first worker alone: it mostly waits, and its deadlines would
    feel the rigs of a second one. pytest-xdist cuts the list into one equal piece a worker.
    """
    def rank(item: pytest.Item) -> int:
        folder = item.path.parent.name
        return LONGEST.index(folder) if folder in LONGEST else len(LONGEST)

    workers = int(getattr(config, "workerinput", {}).get("workercount", 1))
    pieces = [[item for item in items if item.path.parent.name == "processes"],
              *([] for _ in range(workers - 1))]
    rest = sorted((item for item in items if item.path.parent.name != "processes"), key=rank)
    rooms = [(len(items) + k) // workers for k in range(workers)]
    turns = itertools.cycle(range(workers))
    for item in rest:
        pieces[next(k for k in turns if len(pieces[k]) < rooms[k])].append(item)
    items[:] = [item for piece in pieces for item in piece]


def pytest_terminal_summary(terminalreporter: Any) -> None:
    skipped = terminalreporter.stats.get("skipped", [])
    benches = [report for report in skipped if "benchmark" in str(report.longrepr)]
    others = [report for report in skipped if report not in benches]
    terminalreporter.section("what could not run here")
    if not others:
        terminalreporter.write_line("nothing: every part ran")
    for report in others:
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        terminalreporter.write_line(f"{report.nodeid}: {reason}")
    if benches:
        terminalreporter.write_line(
            f"{len(benches)} benchmarks are run by their own command (see DEVELOPERS.md)")


@pytest.fixture(autouse=True)
def _quiet_places(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test may load kernel modules through the sensor library's import."""
    monkeypatch.setenv("W1THERMSENSOR_NO_KERNEL_MODULE", "1")
