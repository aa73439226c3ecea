"""The bench brought to a step by hand, as a person would."""

from __future__ import annotations

from harness import Bench


def to_sheet(bench: Bench) -> None:
    """Warm oil; the batch sheet waits to be confirmed."""
    bench.oil_c = bench.controller.sheet.setpoint_c - 0.4 if bench.controller.sheet.setpoint_c \
        else 54.6
    bench.controller.state.safety.probe_a.good_c = bench.oil_c
    bench.controller.state.safety.probe_b.good_c = bench.oil_c
    bench.warms = False
    for _ in range(120):
        bench.tick()
        if bench.step == "methoxide.sheet":
            break
    assert bench.step == "methoxide.sheet"
    bench.ticks(2)


def to_dose_gate(bench: Bench) -> None:
    """Sheet confirmed, methoxide made, flag stored."""
    to_sheet(bench)
    bench.hold_green()
    assert bench.step == "methoxide.dissolve"
    bench.ticks(30)
    bench.press("green")
    assert bench.step == "dose.approach"
    bench.ticks(400)
