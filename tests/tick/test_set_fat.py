"""Set fat: pulses of heat with nothing stirring, then the pump by hand, then heating as ever."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.process import control
from esterward.process.learnt import EVENT
from esterward.safety import limits
from esterward.status import status_of
from esterward.values.events import EVENT_KINDS
from esterward.values.readings import ProbeReading
from harness import BATCH, Bench

FAT = replace(BATCH, oil_set=True)


def melting_bench() -> Bench:
    """A batch in fill.melt whose count of element time has run down."""
    bench = Bench(batch=FAT)
    bench.to_idle_ready()
    bench.hold_green()
    bench.ticks(4)
    bench.press("blue")
    bench.hold_green()
    assert bench.step == "fill.melt" and bench.state == "running"
    bench.controller.state.safety.melt_s = 0.0
    return bench


@pytest.fixture(scope="module")
def melted() -> Bench:
    return melting_bench()


@pytest.fixture
def melting(melted: Bench) -> Bench:
    return melted.copy()


def on_s(bench: Bench, seconds: int) -> int:
    """Seconds of the element; the mixer must never run."""
    count = 0
    for _ in range(seconds):
        bench.tick()
        count += bench.controller.outputs.k1
        assert not bench.controller.outputs.mixer
    return count


def flow(bench: Bench, seconds: int) -> None:
    """Hold green down in fill.try."""
    bench.buttons["green"] = True
    bench.ticks(seconds)
    bench.buttons["green"] = False
    bench.ticks(3)


def test_the_element_gets_six_seconds_of_each_minute_and_nothing_is_withheld(
    melting: Bench,
) -> None:
    melting.events.clear()
    assert 58 <= on_s(melting, 600) <= 61
    assert melting.controller.state.safety.alarms == {}
    assert "grant_withheld" not in melting.kinds()


def test_between_the_pulses_neither_contactor_is_wanted(melting: Bench) -> None:
    both = set()
    for _ in range(120):
        out = melting.tick().outputs
        both.add((out.k1, out.k2_wanted))
    assert both == {(True, True), (False, False)}


def test_a_process_that_never_ends_its_pulse_is_held_to_an_eighth_by_the_safety_layer(
    melting: Bench, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(control, "melt_pulse", lambda step_s, oil_c: True)
    assert on_s(melting, 60) <= 15
    assert on_s(melting, 1200) <= 1200 * limits.MELT_SHARE + 10
    assert melting.why_withheld() in ({}, {"heat": "mixer"})


def test_after_a_restart_no_pulse_for_seven_minutes(melting: Bench) -> None:
    melting.controller.state.safety.melt_s = limits.MELT_UNKNOWN_S
    assert on_s(melting, 420) == 0
    assert on_s(melting, 120) >= 6


def test_the_hotter_probe_ends_it_whichever_that_is(melting: Bench) -> None:
    melting.set_oil(49.0)
    assert on_s(melting, 60) == 6
    safety = melting.controller.state.safety
    safety.probe_b.good_c = melting.guard.good_c = 50.125
    count = 0
    for _ in range(120):
        melting.probe_b = ProbeReading(50.125, melting.now_s + 1.0)
        count += melting.tick().outputs.k1
    assert count == 0 and safety.withheld in ({}, {"heat": "mixer"})
    melting.probe_b = None
    safety.probe_b.good_c = melting.guard.good_c = 49.0
    assert on_s(melting, 60) == 6
    melting.set_oil(50.0)
    assert on_s(melting, 120) == 0, "the process itself ends a kelvin earlier"


def test_probes_that_differ_in_still_fat_forbid_nothing_but_do_once_it_is_stirred(
    melting: Bench,
) -> None:
    safety = melting.controller.state.safety
    safety.probe_b.good_c = melting.guard.good_c = melting.oil_c - 4.0

    def apart(seconds: int, green: bool = False) -> int:
        count = 0
        melting.buttons["green"] = green
        for _ in range(seconds):
            melting.probe_b = ProbeReading(melting.oil_c - 4.0, melting.now_s + 1.0)
            count += melting.tick().outputs.k1
        return count

    assert apart(120) == 12
    apart(3, green=True)
    apart(3)
    apart(14, green=True)
    apart(30)
    assert melting.step == "heat.warm" and not melting.controller.outputs.k1
    assert melting.why_withheld() == {"heat": "probes-apart"}


def test_a_float_that_was_dry_a_moment_ago_forbids_a_pulse_by_its_own_rule_too(
    melting: Bench,
) -> None:
    melting.controller.state.safety.wet_s = 0.0
    melting.tick()
    assert melting.controller.process.state.state == "running"
    assert not melting.controller.facts.mixer_or_melt and not melting.controller.outputs.k1


@pytest.mark.parametrize(("what", "name"), [
    ("level_wet", "level_wet"), ("probe_a", ""), ("probe_b", "")])
def test_what_every_heat_needs_a_pulse_needs_too(
    what: str, name: str, melting: Bench,
) -> None:
    melting.ticks(55)
    if name:
        melting.override[name] = False
    count = 0
    for second in range(70):
        if not name:
            setattr(melting, what, ProbeReading(None, melting.now_s + 1.0, "unplugged"))
        count += melting.tick().outputs.k1 and second > 6
        assert second < 7 or not melting.controller.facts.mixer_or_melt, "by this rule alone, too"
    assert count == 0


def test_a_set_flag_forbids_every_pulse_warm_hold_or_not(melting: Bench) -> None:
    melting.controller.state.flag.set = True
    assert on_s(melting, 120) == 0


def test_oil_that_was_not_declared_set_gets_no_pulse_whatever_the_process_wishes(
    melting: Bench,
) -> None:
    assert on_s(melting.copy(batch=BATCH), 130) == 0
    assert on_s(melting, 130) >= 12


def test_once_a_dose_was_begun_there_is_no_pulse_whatever_the_process_wishes(
    melting: Bench,
) -> None:
    melting.controller.state.process.repeats["dose"] = 1
    assert on_s(melting, 130) == 0


def test_a_contact_that_says_closed_counts_as_heat_whether_commanded_or_not(
    melting: Bench,
) -> None:
    melting.override["k1_open"] = False
    melting.tick(dt_s=0.5)
    assert melting.controller.state.safety.melt_s > 0.4


def test_presence_is_asked_for_and_pauses_it(melting: Bench) -> None:
    melting.controller.state.safety.presence_age_s = limits.PRESENCE_CLEAR_S - 300.0
    melting.ticks(10)
    assert melting.controller.presence_wanted() and melting.controller.outputs.horn
    melting.ticks(330)
    assert melting.state == "paused"
    melting.press("green")
    melting.ticks(3)
    assert (melting.state, melting.step) == ("running", "fill.melt"), "a press answers nothing else"
    melting.press("green")
    assert melting.step == "fill.melt", "nor does a short press by the way"


def test_blue_says_no_to_the_very_question_that_stands_at_a_try(melting: Bench) -> None:
    # The account of the batch keeps question and answer: stiff fat must not read as flowing.
    melting.hold_green()
    shown = status_of(melting.controller, 0.0)
    assert shown.prompt_text.endswith("Does it flow?") and shown.answers.endswith("blue = no")
    melting.press("blue")
    assert melting.step == "fill.melt"


def test_a_try_too_early_trips_nothing_and_goes_back_to_melting(melting: Bench) -> None:
    melting.override["mixer_proof"] = False
    melting.hold_green()
    assert melting.step == "fill.try"
    flow(melting, 20)
    assert melting.step == "fill.try" and melting.controller.state.safety.latches == []
    melting.press("blue")
    assert melting.step == "fill.melt"


def test_ten_seconds_of_proven_flow_by_hand_begin_the_heating(melting: Bench) -> None:
    melting.hold_green()
    flow(melting, 7)
    assert melting.step == "fill.try", "shorter proves nothing, nor do two short ones"
    flow(melting, 7)
    assert melting.step == "fill.try"
    flow(melting, 14)
    assert melting.step == "heat.warm"
    melting.ticks(20)
    assert melting.controller.outputs.k1 and melting.controller.outputs.mixer


def test_a_mixer_that_stalls_again_gets_no_pulses_and_the_way_on_is_by_hand(
    melting: Bench,
) -> None:
    melting.hold_green()
    flow(melting, 14)
    melting.ticks(30)
    safety = melting.controller.state.safety
    safety.melt_s = 0.0
    melting.override["mixer_proof"] = False
    melting.tick()
    assert not melting.controller.outputs.k1, "at once, whatever the count says"
    melting.ticks(10)
    assert safety.latches == ["mixer"] and melting.state == "held"
    del melting.override["mixer_proof"]
    melting.press("blue", seconds=6)
    melting.hold_green()
    melting.ticks(5)
    assert (melting.state, melting.step) == ("running", "fill.try")
    assert not melting.controller.outputs.mixer
    melting.press("blue")
    assert melting.step == "fill.melt"


@pytest.mark.parametrize("step", ["dewater.warm", "dewater.boil", "heat.warm", "methoxide.sheet"])
def test_after_a_hold_before_the_methoxide_the_pump_is_tried_by_hand_again(
    step: str, melting: Bench,
) -> None:
    """Over night it set again: the mixer, switched on by itself, would trip for ever."""
    melting.controller.state.process.step = step
    melting.press("black")
    melting.ticks(5)
    melting.override["mixer_proof"] = False
    melting.hold_green()
    melting.ticks(20)
    assert (melting.state, melting.step) == ("running", "fill.try")
    assert melting.controller.state.safety.latches == []
    melting.press("blue")
    assert melting.step == "fill.melt"
    ended = [e.data["outcome"] for e in melting.events if e.kind == "stage_ended"]
    assert ended[-1] == "held", "the row that is gone back from was not done"


def test_what_the_heater_law_learnt_of_melting_fat_is_not_kept_for_the_next_batch(
    melting: Bench, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(control, "lesson", lambda *given: dict.fromkeys(EVENT_KINDS[EVENT], 1.0))
    other = melting.copy(batch=BATCH)
    for bench in (melting, other):
        bench.controller.state.process.step = "heat.warm"
        bench.ticks(30)
        bench.press("black", seconds=7)
        assert bench.state == "stopped"
    assert EVENT not in melting.kinds() and EVENT in other.kinds()


def test_in_doubt_about_the_flag_melting_asks_whether_methanol_is_in(melting: Bench) -> None:
    melting.controller.state.flag.set = True
    melting.ticks(5)
    assert melting.controller.state.process.asked == "washed"
    melting.press("green", "blue", seconds=6)
    melting.ticks(5)
    assert melting.step == "fill.melt" and not melting.controller.state.flag.set


def test_fat_that_swallows_heat_is_no_dead_element_but_only_up_to_its_heat_of_melting(
    melting: Bench,
) -> None:
    melting.hold_green()
    flow(melting, 14)
    melting.warms = False
    melting.ticks(90)
    safety = melting.controller.state.safety
    safety.probe_a.good_c = melting.oil_c
    seconds = 0
    while safety.latches == [] and seconds < 7200:
        melting.oil_c += 0.0625 if seconds % 2 else -0.0625
        melting.controller.state.safety.presence_age_s = 0.0
        melting.tick()
        seconds += 1
    assert safety.latches == ["no-response"]
    by_then_k = 3000.0 * seconds / (120.0 * 0.918 * 2030.0)
    assert limits.MELT_SHORT_K < by_then_k < limits.MELT_SHORT_K + 12.0


def test_oil_that_was_not_declared_set_is_never_excused() -> None:
    bench = Bench()
    bench.to_heating()
    bench.element_share = 0.0
    bench.ticks(400)
    assert bench.controller.state.safety.latches == ["no-response"]
