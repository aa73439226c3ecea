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
# Long tests that share nothing with the others of their file.
APART = {
    "test_a_fixed_sample_with_everything_fitted_breaks_none_either",
    "test_a_story_ends_as_it_must",
    "test_copied_and_restored_anywhere_it_goes_on_identically",
    "test_a_higher_setpoint_a_larger_volume_and_a_higher_place_change_the_rehearsal",
    "test_with_nobody_there_nothing_heats_for_long",
    "test_a_lasting_fault_ends_energy_and_is_named",
    "test_boiling_the_water_off_ramps_slowly_and_cools_before_the_reaction_heat",
    "test_a_slow_person_is_waited_for_by_pauses_and_the_batch_ends_complete",
    "test_a_two_stage_plan_is_dosed_drained_dosed_again_and_checked",
    "test_the_smallest_batch_file_ends_complete_with_the_promised_keys",
    "test_no_mutated_input_gets_past_a_surface",
}
# Tests that share with one of those what it made.
WITH = {
    "test_a_fan_that_goes_off_with_the_heat_a_fault_takes_is_found":
        "test_a_fixed_sample_with_everything_fitted_breaks_none_either",
}


def group(nodeid: str) -> str:
    """What one worker does in one go: a file, so that what its tests share is made once.

    processes/ is one, since it mostly waits, and its deadlines would feel the rigs of a second
    worker; beside it only test_run_command.py, with one rig at a time, which weighs less than a
    worker that computes.
    """
    path, _, name = nodeid.partition("::")
    name = name.partition("[")[0]
    name = WITH.get(name, name)
    if "/processes/" in path and not path.endswith("/test_run_command.py"):
        return "processes"
    return name if name in APART else path


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """The groups above for --dist loadscope (the xdist_group of xdist 3.8 does nothing on pytest
    9.2)."""
    if config.getoption("dist") != "loadscope":
        return None
    from xdist.scheduler import LoadScopeScheduling

    class ByGroup(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return group(nodeid)

    return ByGroup(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what takes longest, so that no worker is left alone with it at the end."""
    def rank(item: pytest.Item) -> int:
        folder = item.path.parent.name
        return LONGEST.index(folder) if folder in LONGEST else len(LONGEST)

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
