"""Where a batch cannot go on, a person is told what to do, and doing it lets it go on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.status import status_of
from esterward.tick import from_plain
from esterward.values.requests import Request
from harness import REACTOR, Bench
from steps import to_dose_gate, to_sheet


def tell(bench: Bench, name: str, value: float) -> None:
    bench.tick((Request(f"t{bench.now_s}", "observe", "local", name, value),))
    bench.ticks(2)


def heating(**reactor: object) -> Bench:
    bench = Bench(replace(REACTOR, **reactor))  # type: ignore[arg-type]
    bench.to_heating()
    return bench


def test_without_the_probe_check_no_methoxide_is_made_and_the_words_say_what_to_do() -> None:
    bench = heating(probes_checked=False)
    to_sheet(bench)
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt == "waits" and "two-point check" in status.prompt_text
    assert "checked = true under [probes]" in status.prompt_text
    bench.hold_green()
    assert bench.step == "methoxide.sheet", "it cannot be answered away"
    opened = [e for e in bench.events if e.kind == "prompt_opened" and e.data["prompt"] == "waits"]
    assert len(opened) == 1, "said once, so that lamp, alert and record have it"
    checked = replace(bench.reactor, probes_checked=True)
    bench.controller = from_plain(checked, bench.batch, bench.controller.to_plain())
    bench.ticks(2)
    assert bench.controller.state.process.asked == "sheet"
    bench.hold_green()
    assert bench.step == "methoxide.dissolve", "taken up where it stood"


@pytest.mark.parametrize("again", ["dissolve", "dissolve_second"])
def test_methoxide_told_too_warm_is_said_and_goes_on_when_told_cool(again: str) -> None:
    bench = heating()
    if again == "dissolve":
        to_sheet(bench)
        bench.hold_green()
    else:
        to_dose_gate(bench)
        bench.controller.state.process.step = "methoxide.second"
        bench.controller.state.process.second_doses = 1
        bench.ticks(2)
    step = bench.step
    tell(bench, "methoxide_c", 52.0)
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt == "waits" and status.prompt_text.startswith(
        "The methoxide was told at 52 degC")
    assert "record add methoxide" in status.prompt_text
    bench.press("green")
    assert bench.step == step
    tell(bench, "methoxide_c", 44.0)
    assert bench.controller.state.process.asked == again
    bench.press("green")
    assert bench.step != step
