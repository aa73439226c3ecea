"""The simulator's vessel loses what the batch sheet reckons with, however it was told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.chemistry.figures import reactor_loss_w_per_k
from esterward_sim.plant.parameters import Parameters
from esterward_sim.plant.thermal import Thermal
from plant.plant_rig import REACTOR


@pytest.mark.parametrize("lagging_mm", [None, 0.0, 40.0])
def test_the_plant_loses_what_the_sheet_reckons_with(lagging_mm: float | None) -> None:
    reactor = replace(REACTOR, lagging_mm=lagging_mm)
    thermal = Thermal(reactor, Parameters(), 15.0)
    whole = 1.0 / (1.0 / thermal.outside_w_per_k + 1.0 / thermal.wall_w_per_k)
    assert whole == pytest.approx(reactor_loss_w_per_k(reactor), rel=1e-9)


def test_lagging_lowers_the_loss() -> None:
    bare, lagged = (Thermal(replace(REACTOR, lagging_mm=mm), Parameters(), 15.0).outside_w_per_k
                    for mm in (0.0, 40.0))
    assert lagged < 0.5 * bare
