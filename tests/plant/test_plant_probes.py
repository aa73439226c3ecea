"""What a probe of the simulated plant loses: single readings if healthy, any number if not."""

from __future__ import annotations

from itertools import groupby

import pytest

from plant.plant_rig import plant_with_oil


def longest_silence(*faults: str) -> int:
    """Conversions in a row without a value, of both probes with a very bad cable, in 5,000."""
    plant = plant_with_oil(lost_share=0.5)
    for name in faults:
        plant.faults.start(name)
    longest = 0
    for read in (plant.probe_a_c, plant.probe_b_c):
        silent = [read() is None for _ in range(5000)]
        longest = max([longest, *(len(list(run)) for lost, run in groupby(silent) if lost)])
    return longest


def test_a_healthy_probe_loses_readings_but_never_four_in_a_row() -> None:
    """Guard and controller bridge 5 s from the last conversion: four lost are over 4 s, a fault."""
    assert longest_silence() == 3


@pytest.mark.parametrize("which", ["a", "b"])
def test_a_probe_that_loses_bursts_is_silent_for_longer(which: str) -> None:
    assert longest_silence(f"probe_{which}_bursts") > 4
