"""What the start question says of a cold shed and of unchecked probes, and refuses nothing."""

from __future__ import annotations

from dataclasses import replace
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


def test_the_start_question_says_that_the_probe_check_is_wanted_before_methoxide() -> None:
    """The installed file says checked = false; six hours of heating are too late to hear of it."""
    bench = ready(20.0)
    assert "two-point check" not in status_of(bench.controller, bench.now_s).prompt_text
    bench.controller.reactor = replace(bench.controller.reactor, probes_checked=False)
    text = status_of(bench.controller, bench.now_s).prompt_text
    assert "two-point check of the probes is not on record" in text
    assert text.endswith("Ready to start.")


@pytest.mark.parametrize("oil_c", [None, nan])
def test_without_a_reading_nothing_is_said_of_frost(oil_c: float | None) -> None:
    assert start.frost(oil_c) == ""
