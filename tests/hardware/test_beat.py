"""The guard's two outputs."""

from __future__ import annotations

import math
from typing import Any

import pytest
from gpiozero import DigitalOutputDevice

from esterward.hardware.beat import Beat
from esterward.hardware.relays import OutputRefused, open_output


@pytest.fixture
def beat(factory: Any) -> Beat:
    return Beat(open_output(factory, 12), open_output(factory, 13))


def test_each_edge_is_one_change_and_enable_makes_none(factory: Any, beat: Beat) -> None:
    beat.set_enable(True)
    for _ in range(3):
        beat.edge()
    assert factory.log == [(13, True), (12, True), (12, False), (12, True)]


def test_off_drops_the_enable_before_the_beat(factory: Any, beat: Beat) -> None:
    beat.set_enable(True)
    beat.edge()
    factory.log.clear()
    beat.off()
    assert factory.log == [(13, False), (12, False)]


@pytest.mark.parametrize("level", [math.nan, 5, 1, None, "yes"])
def test_an_enable_that_is_neither_true_nor_false_drops_it(factory: Any, beat: Beat,
                                                           level: Any) -> None:
    beat.set_enable(True)
    with pytest.raises(OutputRefused):
        beat.set_enable(level)
    assert not factory.pin("GPIO13").state


def test_active_low_is_refused(factory: Any) -> None:
    with pytest.raises(OutputRefused, match="active-low"):
        Beat(open_output(factory, 12),
             DigitalOutputDevice(13, active_high=False, pin_factory=factory))
