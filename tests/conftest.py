"""What every test shares: nothing hidden, so the end lists each part that could not run."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import settings

# A busy machine is no mistake: how long one example takes is never a test's business.
settings.register_profile("esterward", deadline=None)
settings.load_profile("esterward")


# What takes longest is begun first, so that no worker is left alone with it at the end.
LONGEST = ("trials", "processes", "scenarios", "sim", "hardware")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    def rank(item: pytest.Item) -> int:
        folder = item.path.parent.name
        return LONGEST.index(folder) if folder in LONGEST else len(LONGEST)

    items.sort(key=rank)
    # pytest-xdist cuts the list into one piece a worker: deal, so that each begins with its share.
    workers = int(getattr(config, "workerinput", {}).get("workercount", 1))
    items[:] = [item for first in range(workers) for item in items[first::workers]]


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
