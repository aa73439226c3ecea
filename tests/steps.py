"""Bench and rehearsal brought where a test begins, as a person would."""

from __future__ import annotations

from esterward.values.status import Status
from esterward_sim.person import Person
from esterward_sim.rehearsal import Rehearsal
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


class Content(Person):
    """Takes the first wash for clear and the first drying for dry: a shorter batch."""

    def _do_wash_clear(self, status: Status) -> None:
        self._press("green")

    _do_wash_ph = _do_dry = _do_wash_clear


def content(rehearsal: Rehearsal) -> Rehearsal:
    """The same rehearsal with a person content with less; it can still be copied."""
    rehearsal.person.__class__ = Content
    return rehearsal
