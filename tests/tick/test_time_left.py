"""The time left while heating: the sheet's own sum, from where the oil is now."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.chemistry.figures import warming_up
from esterward.process.timers import AT_TARGET_S
from esterward.status import status_of
from harness import BATCH, REACTOR, Bench


def heated(**reactor: float) -> Bench:
    bench = Bench(replace(REACTOR, **reactor), BATCH)  # type: ignore[arg-type]
    bench.to_heating()
    return bench


def left_s(bench: Bench) -> float:
    left = status_of(bench.controller, bench.now_s).left_s
    assert left is not None
    return left


def test_it_is_what_the_sheet_says_of_the_same_oil() -> None:
    bench = heated()
    setpoint_c = bench.controller.sheet.setpoint_c
    assert setpoint_c is not None
    warming = warming_up(BATCH, bench.reactor, round(bench.oil_c * 16) / 16, setpoint_c)
    assert warming is not None
    assert left_s(bench) == pytest.approx(warming.time_min * 60.0 + AT_TARGET_S, rel=0.01)


def test_a_measured_vessel_a_loss_and_lagging_all_count() -> None:
    plain = left_s(heated())
    heavy = left_s(heated(measured_heat_kj_per_k=300.0, measured_oil_l=120.0))
    leaky = left_s(heated(measured_loss_w_per_k=25.0))
    lagged = left_s(heated(lagging_mm=60.0))
    assert heavy > 1.2 * plain and leaky > 1.1 * plain and lagged < 0.99 * plain


def test_an_element_that_cannot_do_it_leaves_it_unknown() -> None:
    bench = heated(measured_loss_w_per_k=100.0)
    assert status_of(bench.controller, bench.now_s).left_s is None


@pytest.mark.parametrize(("state", "says"), [
    ("complete", "the batch is complete"), ("stopped", "the batch was stopped")])
def test_a_batch_that_has_ended_is_not_called_by_its_last_step(state: str, says: str) -> None:
    """It stands behind "Now:" in the last alert."""
    bench = heated()
    bench.controller.state.process.step = "store.label"
    bench.controller.state.process.state = state
    assert status_of(bench.controller, bench.now_s).title == says


def test_oil_that_has_stood_its_time_but_is_still_too_warm_has_no_minutes_left_to_show() -> None:
    # "0:00 left" stood there for hours, until oil warmed to 60 degC was down at the setpoint.
    bench = Bench(batch=replace(BATCH, dewater="settle"))
    bench.to_heating()
    state = bench.controller.state.process
    state.step, state.timers.settled_s = "dewater.stand", 600.0
    bench.controller.state.flag.set = False
    assert left_s(bench) == pytest.approx(3000.0)
    state.timers.settled_s = 3601.0
    shown = status_of(bench.controller, bench.now_s)
    assert (shown.left_s, shown.progress) == (None, None)
    assert shown.title.endswith("the oil cools to the setpoint")
