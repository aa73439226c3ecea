"""What every test shares: nothing hidden, so the end lists each part that could not run."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import settings

# A busy machine is no mistake: how long one example takes is never a test's business.
settings.register_profile("esterward", deadline=None)
settings.load_profile("esterward")


# Folders by how long they take; what stands in none of them comes after.
LONGEST = ("processes", "trials", "scenarios", "sim", "fuzz", "record", "hardware", "process")
# Whole batches that several tests of a file look at: these tests stay together.
SHARED = {"recorded", "untroubled", "poor", "copies", "just_before", "strongest"}


@pytest.hookimpl(tryfirst=True)  # before pytest-xdist reads the groups
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Say what one worker does in one go (a group), and begin with what takes longest.

    A file is one group, so that what its tests share is made once; in the first folders, where
    single tests are long, a group is a test function, unless it shares one of the batches above
    or names its own group. All of processes/ is one: it mostly waits, and its deadlines would
    feel the rigs of a second worker.
    """
    def group(item: pytest.Item) -> str:
        folder, file = item.path.parent.name, item.path.stem
        if folder == "processes":
            return folder
        alone = folder in LONGEST and not SHARED & set(getattr(item, "fixturenames", ()))
        return f"{file}-{item.name.partition('[')[0]}" if alone else file

    def rank(item: pytest.Item) -> int:
        folder = item.path.parent.name
        return LONGEST.index(folder) if folder in LONGEST else len(LONGEST)

    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(group(item)))
    items.sort(key=rank)


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
