"""What the questions say: the sheet's own numbers and warnings, and what follows from an answer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.chemistry.boiling import CLEAR_ALARM_C
from esterward.process.words import words
from esterward.status import status_of
from esterward.values.batch import Batch
from esterward.values.requests import Request
from harness import BATCH, Bench
from steps import to_sheet


def at_step(step: str, batch: Batch = BATCH) -> Bench:
    """Heating, then put into a later step."""
    bench = Bench(batch=batch)
    bench.to_heating()
    process = bench.controller.state.process
    process.step, process.methanol_in = step, True
    bench.ticks(3)
    return bench


@pytest.mark.parametrize(("changes", "warning"), [
    ({"titration_readings_ml": (3.0,)}, "Only 1 titration reading"),
    ({"titration_readings_ml": (2.0, 3.0, 4.1)}, "titrate once more"),
    ({"titration_readings_ml": (11.0, 11.1, 11.0)}, "free fatty acid is in the zone"),
    ({"methanol_start_c": 25.0}, "let it cool"),
    ({"methanol_start_c": 40.0}, "enough to boil it"),
])
def test_the_sheets_warnings_stand_in_the_question_that_confirms_it(
    changes: dict[str, object], warning: str,
) -> None:
    bench = Bench(batch=replace(BATCH, **changes))  # type: ignore[arg-type]
    bench.to_heating()
    to_sheet(bench)
    process = bench.controller.state.process
    assert process.asked == "sheet"
    for sentence in bench.controller.sheet.warnings:
        assert sentence in process.asked_text
    assert warning in process.asked_text and process.asked_text.endswith("Right?")


def test_a_sheet_that_opens_after_one_reading_says_so_until_there_are_three() -> None:
    bench = Bench(batch=replace(BATCH, titration_readings_ml=()))
    bench.to_heating()
    to_sheet(bench)
    process = bench.controller.state.process
    said = []
    for number in range(3):
        bench.tick((Request(f"r{number}", "observe", "local", "titration_ml", 3.0),))
        bench.ticks(2)
        said.append("titration reading" in process.asked_text)
    assert process.asked == "sheet" and said == [True, True, False]


@pytest.mark.parametrize("done", [0, 1, 3, 7])
def test_wash_water_in_the_question_is_that_of_the_sheet(done: int) -> None:
    bench = Bench()
    process, sheet = bench.controller.process, bench.controller.sheet
    process.state.washes_done = done
    planned = sheet.wash_water_l[min(done, 3)]
    assert words(process, process.batch, sheet, ())["wash_l"] == f"{planned:.0f}"
    assert sheet.products is not None and sheet.products.ester_l != sheet.oil_l


def test_murky_water_leads_to_the_next_planned_wash_without_asking_for_its_ph() -> None:
    bench = at_step("wash.clear")
    bench.press("blue")
    assert bench.step == "wash.water"


def test_after_the_planned_washes_murky_water_is_asked_on_and_the_question_says_why() -> None:
    bench = at_step("wash.clear")
    bench.controller.state.process.washes_done = 3
    bench.ticks(2)
    bench.press("blue")
    assert bench.step == "wash.ph"
    assert bench.controller.state.process.asked_text.startswith("Not clear, but two of")


def test_a_batch_that_two_further_doses_did_not_turn_says_that_it_is_not_fuel() -> None:
    bench = at_step("check.ask")
    bench.controller.state.process.second_doses = 2
    bench.ticks(2)
    bench.press("blue")
    assert bench.step == "check.failed"
    status = status_of(bench.controller, bench.now_s)
    assert status.prompt == "unconverted" and "NOT fuel" in status.prompt_text
    assert any(e.kind == "prompt_opened" and e.data["prompt"] == "unconverted"
               for e in bench.events), "an event, so lamp, alert and record have it"
    bench.ticks(3)
    bench.press("green")
    assert bench.step == "settle.first"
    process = bench.controller.process
    assert "FAILED" in words(process, process.batch, bench.controller.sheet, ())["not_fuel"]


@pytest.mark.parametrize("step", ["dewater.stand", "dewater.drain", "cool.stand", "dry.ask"])
def test_oil_that_stands_hot_without_methanol_is_not_shown_over_a_ceiling_that_calls_nobody(
    step: str,
) -> None:
    # Warmed to 60 degC for dewatering it stands for hours above what holds with methanol in.
    bench = at_step(step)
    bench.controller.state.flag.set = False
    bench.controller.state.process.step = step
    assert status_of(bench.controller, 0.0).ceiling_c == CLEAR_ALARM_C
    bench.controller.state.flag.set = True
    with_methanol = status_of(bench.controller, 0.0).ceiling_c
    assert with_methanol is not None and with_methanol < 60.0
