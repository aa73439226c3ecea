"""A cold shed: the start question begins with the frost, and refuses nothing."""

from __future__ import annotations

from math import nan

import pytest

from esterward.process import start
from esterward.status import status_of
from harness import Bench


def ready(oil_c: float) -> Bench:
    bench = Bench()
    bench.oil_c = oil_c
    bench.to_idle_ready()
    bench.ticks(3)
    return bench


@pytest.mark.parametrize(("oil_c", "said"), [(-5.0, True), (0.9375, True), (1.0, False)])
def test_below_one_degree_the_start_question_begins_with_the_frost(
    oil_c: float, said: bool,
) -> None:
    text = status_of((bench := ready(oil_c)).controller, bench.now_s).prompt_text
    assert text.endswith("Ready to start.")
    assert text.startswith("Frost: the probe reads below 1 degC") is said


def test_a_start_in_the_cold_is_not_refused() -> None:
    bench = ready(-5.0)
    bench.hold_green()
    bench.ticks(4)
    assert (bench.state, bench.step) == ("running", "fill.pump")


@pytest.mark.parametrize("oil_c", [None, nan])
def test_without_a_reading_nothing_is_said_of_frost(oil_c: float | None) -> None:
    assert start.frost(oil_c) == ""
