"""Where a batch cannot go on, a person is told what to do, and doing it lets it go on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.chemistry.boiling import Limits
from esterward.chemistry.charge import second_dose
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


@pytest.mark.parametrize("told_c", [20.0, 52.0])
def test_how_warm_the_methoxide_is_is_told_at_the_machine_only(told_c: float) -> None:
    """Else a number from afar and a short press would do what green held is for, and another would
    bar the way for who has buttons only."""
    bench = heating()
    to_sheet(bench)
    bench.hold_green()
    bench.tick((Request("m1", "observe", "mqtt", "methoxide_c", told_c),))
    assert [e.data["why"] for e in bench.events if e.kind == "request_refused"] == [
        "methoxide_c is told at the machine only: esterward record add"]
    bench.ticks(2)
    assert bench.controller.state.process.asked == "dissolve"
    bench.press("green")
    assert bench.step == "dose.approach"


def test_without_an_altitude_a_start_is_refused_and_says_what_to_add() -> None:
    bench = Bench(replace(REACTOR, altitude_m=None))
    bench.to_idle_ready()  # with the flag unknown and no limit there is a latch more to reset
    bench.press("blue", seconds=6)
    bench.hold_green()
    bench.ticks(6)
    assert bench.state == "idle" and not bench.controller.outputs.k2_wanted
    assert "add [site] altitude" in status_of(bench.controller, bench.now_s).prompt_text
    (note,) = [e for e in bench.events if e.kind == "note"]
    assert "add [site] altitude" in str(note.data["text"])


def test_a_mistyped_reading_is_taken_back_by_a_new_titration_shown_and_gated() -> None:
    bench = heating()
    to_sheet(bench)
    tell(bench, "titration_ml", 19.0)
    wrong = bench.controller.sheet.catalyst
    assert wrong is not None
    tell(bench, "titration_anew_ml", 2.9)
    tell(bench, "titration_ml", 3.1)
    right = bench.controller.sheet.catalyst
    assert right is not None and right.mass_g < wrong.mass_g
    process = bench.controller.state.process
    assert bench.controller.process.batch.titration_readings_ml == (2.9, 3.1)
    assert process.asked == "sheet" and "Titration 2.9, 3.1 mL" in process.asked_text
    assert bench.step == "methoxide.sheet", "telling opens nothing"
    again = from_plain(bench.reactor, bench.batch, bench.controller.to_plain())
    assert again.sheet == bench.controller.sheet, "and it is so after a restart"
    bench.hold_green()
    assert bench.step == "methoxide.dissolve"
    tell(bench, "titration_anew_ml", 3.0)
    assert bench.kinds()[-1] == "request_refused", "the methoxide is being made from it"


def test_grams_of_an_open_question_that_change_with_what_is_told_are_asked_anew() -> None:
    bench = heating()
    to_dose_gate(bench)
    bench.controller.state.process.step = "methoxide.second"
    bench.controller.state.process.second_doses = 1
    bench.ticks(2)
    process = bench.controller.state.process
    before = process.asked_text
    bench.buttons["green"] = True
    bench.ticks(2)
    bench.tick((Request("u", "observe", "local", "unreacted_ml", 1.0),))
    bench.buttons["green"] = False
    bench.ticks(2)
    assert bench.step == "methoxide.second", "a press begun on the old grams answers nothing"
    assert process.asked == "dissolve_second" and process.asked_text != before
    sheet = bench.controller.sheet
    assert sheet.catalyst is not None and sheet.methanol is not None
    dose = second_dose(1.0, sheet.oil_l, sheet.catalyst, sheet.methanol)
    assert f"{dose.mass_g:.0f} g" in process.asked_text
    opened = bench.kinds().count("prompt_opened")
    tell(bench, "glycerol_l", 3.0)
    assert bench.kinds().count("prompt_opened") == opened, "what changes no word asks nothing anew"


def test_what_was_told_stays_bounded_however_much_is_told() -> None:
    bench = heating()
    for number in range(200):
        tell(bench, "titration_ml", 3.0)
        tell(bench, "glycerol_l", float(number))
    observed = bench.controller.state.process.observed
    assert len(observed) == 13 and ("glycerol_l", 199.0) in observed
    refused = [e for e in bench.events if e.kind == "request_refused"]
    assert len(refused) == 188 and "titration_anew_ml" in str(refused[-1].data["why"])


def too_warm_at_the_sheet() -> tuple[Bench, Limits]:
    bench = heating()
    to_sheet(bench)
    limits = bench.controller.limits
    assert limits is not None
    bench.set_oil(limits.setpoint_max_c + 0.2)
    return bench, limits


def test_while_the_mixer_rests_for_warm_oil_no_heat_is_wished_either() -> None:
    bench, _ = too_warm_at_the_sheet()
    timers = bench.controller.state.process.timers
    timers.heat_off_s, timers.stirred_off_s = 7200.0, 0.0
    bench.ticks(590)
    assert bench.controller.outputs.mixer, "off for long, but not stirred for as long"
    bench.ticks(30)
    assert bench.step == "methoxide.sheet" and not bench.controller.outputs.mixer
    assert bench.why_withheld() == {}, "and not only withheld"
    assert not bench.controller.state.safety.energised, "nobody is asked whether he is there"


def test_oil_that_the_pump_keeps_above_the_highest_setpoint_cools_before_the_dose() -> None:
    bench = heating()
    to_sheet(bench)
    bench.hold_green()
    bench.ticks(30)
    bench.press("green")
    limits = bench.controller.limits
    assert limits is not None
    while bench.step == "dose.approach":
        bench.tick()
    bench.set_oil(limits.setpoint_max_c + 0.2)
    bench.ticks(500)
    assert bench.step == "dose.off" and bench.controller.outputs.mixer, "effect checks look first"
    bench.ticks(200)
    assert not bench.controller.outputs.mixer and not bench.controller.outputs.k1
    assert "mixer rests" in status_of(bench.controller, bench.now_s).title
    bench.set_oil(limits.setpoint_max_c - 0.1)
    bench.ticks(5)
    assert bench.step == "dose.gate", "cool enough for the dose"
    assert not bench.controller.outputs.mixer, "but not to and fro at the limit"
    assert "proof of the mixer" in status_of(bench.controller, bench.now_s).prompt_text
    bench.set_oil(limits.aim_max_c - 0.1)
    bench.ticks(60)
    assert bench.controller.outputs.mixer and bench.controller.state.process.asked == "dose_gate"


def test_oil_too_warm_before_the_sheet_ends_heat_and_in_time_the_mixer() -> None:
    bench, limits = too_warm_at_the_sheet()
    bench.ticks(5)
    assert bench.controller.outputs.mixer
    bench.ticks(650)
    assert not bench.controller.outputs.mixer and not bench.controller.outputs.k1
    bench.set_oil(limits.aim_max_c - 0.1)
    bench.ticks(5)
    assert bench.controller.outputs.mixer


def test_a_probe_check_taken_back_before_the_dose_is_said_at_the_gate() -> None:
    bench = heating()
    to_dose_gate(bench)
    assert bench.controller.state.process.asked == "dose_gate"
    unchecked = replace(bench.reactor, probes_checked=False)
    bench.controller = from_plain(unchecked, bench.batch, bench.controller.to_plain())
    bench.ticks(3)
    status = status_of(bench.controller, bench.now_s)
    assert "probe check" in status.prompt_text, status
    bench.hold_green()
    assert bench.step == "dose.gate"
