"""What `esterward run` starts with: the state found, or held with the flag set, never a guess."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from esterward.cli.errors import NotNow, Refused
from esterward.cli.run_start import NO_BATCH, Files, _load, controller_of, load
from esterward.record.journal import Journal
from esterward.record.resume import NOTHING, Found
from esterward.safety import gate
from esterward.safety.alarms import AlarmEntry
from esterward.safety.faults import FAULTS
from esterward.state import ControllerState
from esterward.status import LOST, status_of
from esterward.tick import Controller
from esterward.values.batch import Batch
from esterward.values.outputs import SAFE
from esterward.values.plain import from_plain as build
from esterward.values.plain import to_plain
from esterward.values.requests import Request
from harness import BATCH, REACTOR, Bench

CONFIG = Path(__file__).parents[2] / "firmware/config"
OTHER = replace(BATCH, name="another lot", oil_volume_l=80.0)


def files(asked: object = None, recorded: object = None) -> Files:
    return Files(REACTOR, asked, recorded, "" if recorded else "the record holds no batch file",
                 {})


def found(state: ControllerState, clean: bool = False) -> Found:
    return Found(json.dumps(to_plain(state)), "", clean, 1, 41, 30.0)


def left(state: str, step: str = "heat.warm", flag: bool = False) -> ControllerState:
    made = ControllerState()
    made.process.state, made.process.step, made.flag.set = state, step, flag
    return made


def begun(files: Files, found: Found) -> Controller:
    return controller_of(files, found, Path("lot.toml"))


def test_a_first_start_waits_in_idle_with_the_flag_set() -> None:
    made = begun(files(BATCH), NOTHING)
    assert made.process.state.state == "idle" and made.state.flag.set
    assert made.file_batch == BATCH and made.outputs == SAFE


def test_without_a_batch_there_is_none() -> None:
    assert begun(files(), NOTHING).file_batch is NO_BATCH


def test_an_unfinished_batch_is_taken_up_held_with_its_own_file() -> None:
    made = begun(files(recorded=BATCH), found(left("running")))
    assert made.process.state.state == "held" and made.process.state.step == "heat.warm"
    assert "without a clean stop" in made.process.state.why
    assert made.file_batch == BATCH and made.state.last_event == 41


@pytest.mark.parametrize(("step", "outage_s", "said"), [
    ("mix.run", 1800.0, ""), ("mix.run", 1801.0, "for 30 min"),
    ("check.ask", 7200.0, "for 120 min"), ("mix.run", None, "for how long nobody knows"),
    ("heat.warm", 7200.0, ""), ("heat.warm", None, "")])
def test_a_mix_that_stood_long_or_nobody_knows_how_long_is_told_to_be_doubtful(
    step: str, outage_s: float | None, said: str,
) -> None:
    was = replace(found(left("running", step, flag=True)), outage_s=outage_s)
    process = begun(files(recorded=BATCH), was).process.state
    assert ("reaction is doubtful" in process.why) is bool(said) and said in process.why
    assert process.timers.unmixed_s == (0.0 if step == "heat.warm" else outage_s), (
        "and it is said again when mixing goes on")


def test_a_batch_that_sits_goes_on_by_itself() -> None:
    made = begun(files(recorded=BATCH), found(left("running", "settle.first", flag=True)))
    assert made.process.state.state == "running" and made.state.flag.set


@pytest.mark.parametrize(("starts", "locked"), [(2, False), (3, True)])
def test_a_third_unclean_start_in_half_an_hour_locks_out_until_a_person_says_why(
    starts: int, locked: bool,
) -> None:
    was = replace(found(left("running", "settle.first", flag=True)), unclean_starts=starts)
    made = begun(files(recorded=BATCH), was)
    bench = Bench()
    bench.controller = made
    bench.ticks(3)
    assert ("restarts" in made.state.safety.latches) is locked
    assert (made.process.state.state != "running") is locked, "even a batch that only sits"
    if locked:
        bench.press("blue", seconds=6)
        assert "restarts" in made.state.safety.latches, "blue alone does not reset it"
        made.state.safety.reasons_age_s["restarts"] = 0.0
        bench.press("blue", seconds=6)
        assert made.state.safety.latches == []
        bench.ticks(5)
        assert made.state.safety.latches == [], "and it is not said twice"


def test_another_batch_than_the_unfinished_one_is_refused_and_named() -> None:
    with pytest.raises(Refused, match=r"--batch lot.toml: the batch 'bench lot' is not finished "
                                      r"\(running in heat\)"):
        begun(files(OTHER, recorded=BATCH), found(left("running")))


def test_the_same_numbers_in_a_file_written_otherwise_are_the_same_batch() -> None:
    made = begun(files(replace(BATCH, digest="comments"), recorded=BATCH), found(left("held")))
    assert made.process.state.state == "held"


def test_an_unfinished_batch_whose_file_is_not_kept_asks_for_it() -> None:
    with pytest.raises(Refused, match="holds no batch file; name its file with --batch"):
        begun(files(), found(left("running")))
    assert begun(files(BATCH), found(left("running"))).file_batch == BATCH


@pytest.mark.parametrize("broken", [
    Found(None, "the record is damaged: events 7", False, 1, 6, None, "record.damaged-1"),
    Found('{"version": 99}', "", False, 1, 6, None),
    Found(json.dumps(to_plain(ControllerState(version=1))), "", False, 1, 6, None),
    Found("[]", "", False, 1, 6, None),
    Found("nonsense", "", False, 1, 6, None),
])
def test_a_state_that_cannot_be_read_is_held_with_the_flag_set(broken: Found) -> None:
    made = begun(files(recorded=BATCH), broken)
    assert made.process.state.state == "held" and made.state.flag.set
    assert made.process.state.why
    assert made.outputs == SAFE and made.state.last_event == 6
    assert made.process.state.methanol_in, "no question may say that none was added"
    assert made.process.state.lost


def test_latches_that_were_lost_with_the_record_are_one_that_needs_a_typed_reason() -> None:
    """A welded contactor is silent at rest: without it the next batch would begin as if unseen."""
    bench = Bench()
    bench.to_idle_ready()
    bench.controller = begun(files(recorded=BATCH), Found("nonsense", "", False, 1, 6, None))
    bench.ticks(3)
    safety = bench.controller.state.safety
    assert safety.latches == ["record-lost"] and safety.alarms["record-lost"].present is False
    assert [event.data["code"] for event in bench.events if event.kind == "latched"][-1:] == [
        "record-lost"]
    bench.press("black", seconds=6)
    bench.ticks(3)
    assert bench.state == "stopped"
    told = status_of(bench.controller, bench.now_s)
    assert told.prompt_text.startswith("What was latched before this start is not known")
    assert "gone" not in told.prompt_text and "stands. " not in told.prompt_text
    assert told.answers == ("type `esterward record reset record-lost --why TEXT`, then hold "
                            "blue 5 s")
    bench.press("blue", seconds=6)
    assert safety.latches == ["record-lost"], "blue alone does not reset it"
    again = begun(files(OTHER, recorded=BATCH), found(bench.controller.state, clean=True))
    assert again.process.state.state == "idle" and again.state.safety.latches == ["record-lost"]
    safety.reasons_age_s["record-lost"] = 0.0
    bench.press("blue", seconds=6)
    bench.ticks(5)
    assert safety.latches == [], "and it is not said twice"


def test_a_lost_past_hides_no_other_cause_and_black_is_named_in_an_abort_too() -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.controller = begun(files(recorded=BATCH), Found("nonsense", "", False, 1, 6, None))
    bench.ticks(3)
    bench.override["estop_closed"] = False
    bench.ticks(5)
    assert bench.state == "aborted"
    assert bench.controller.state.safety.latches[:2] == ["record-lost", "e-stop"]
    told = status_of(bench.controller, bench.now_s)
    assert told.answers == "hold black 5 s to end this batch"
    assert told.prompt_text.startswith("Aborted (") and told.prompt_text.endswith(LOST)
    assert FAULTS["e-stop"].sentence in told.prompt_text
    bench.press("black", seconds=6)
    bench.ticks(5)
    assert bench.state == "stopped"
    told = status_of(bench.controller, bench.now_s)
    assert FAULTS["e-stop"].sentence in told.prompt_text and "record-lost" in told.answers


def test_a_lost_batch_beside_a_welded_contactor_is_not_told_that_black_alone_ends_it() -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.controller = begun(files(recorded=BATCH), Found("nonsense", "", False, 1, 6, None))
    bench.ticks(3)
    bench.controller.state.safety.latches.append("k1-welded")
    bench.ticks(1)
    told = status_of(bench.controller, bench.now_s)
    assert told.answers == "once it is gone: hold black 5 s to end this batch"


def test_without_a_stored_word_there_is_no_past_to_lose() -> None:
    never = begun(files(BATCH), replace(NOTHING, clean=False))
    assert never.process.state.state == "held" and not never.state.safety.past_lost
    before = replace(NOTHING, why="no state was stored since the record was lost", clean=False)
    assert begun(files(BATCH), before).state.safety.past_lost


def test_a_batch_whose_stage_is_not_known_can_only_be_ended() -> None:
    """Green led to "fill in 120 L", whatever was in the vessel."""
    bench = Bench()
    bench.to_idle_ready()
    bench.controller = begun(files(recorded=BATCH), Found("nonsense", "", False, 1, 6, None))
    bench.ticks(3)
    for why in (bench.controller.state.process.why, "something that came later"):
        bench.controller.state.process.why = why
        told = status_of(bench.controller, bench.now_s)
        assert told.prompt_text == f"Held ({why}). {LOST}"
        assert told.answers == "hold black 5 s to end this batch"
    bench.press("green", seconds=3)
    bench.ticks(70)
    assert bench.state == "held" and bench.controller.outputs == replace(
        SAFE, vent=bench.controller.outputs.vent, horn=bench.controller.outputs.horn,
        lamp=bench.controller.outputs.lamp)
    bench.press("black", seconds=6)
    bench.ticks(3)
    assert bench.state == "stopped"


@pytest.mark.parametrize("end", ["complete", "stopped"])
def test_after_a_batch_the_next_one_keeps_flag_latches_and_checks_and_nothing_else(
    end: str,
) -> None:
    old = left(end, "store.label", flag=False)
    old.safety.latches.append("k1-welded")
    old.safety.alarms = {"k1-welded": AlarmEntry(present=False, acknowledged=True),
                         "half-power": AlarmEntry()}
    old.safety.resets["level"] = old.safety.guard_resets["probe"] = 3
    old.process.checks.checks["level"].done_boot = "b1"
    old.process.observed.append(("titration_ml", 3.0))
    made = begun(files(OTHER, recorded=BATCH), found(old, clean=True))
    assert made.process.state.state == "idle" and made.process.state.step == "fill.pump"
    assert not made.state.flag.set and made.state.safety.latches == ["k1-welded"]
    assert made.process.state.checks.checks["level"].done_boot == "b1"
    assert made.state.safety.alarms == {
        "k1-welded": AlarmEntry(present=False, acknowledged=True)}, "what is latched is told"
    assert made.state.safety.resets == made.state.safety.guard_resets == {}
    assert made.process.state.observed == []
    assert made.file_batch == OTHER


def test_what_was_locked_out_in_a_batch_stays_so_after_it() -> None:
    old = left("stopped", "store.label", flag=False)
    old.safety.latches += ["level", "guard-resets", "lid"]
    old.safety.resets = {"level": 3, "lid": 2, "probe": 3}
    old.safety.guard_resets = {"probe": 3, "k1": 2}
    old.safety.guard_over, old.safety.guard_latches = ["probe"], ["probe"]
    old.safety.vapour_rest_s = 300.0
    safety = begun(files(OTHER, recorded=BATCH), found(old, clean=True)).state.safety
    assert [gate.needs_word(safety, code) for code in safety.latches] == [True, True, False]
    assert safety.resets == {"level": 3}, "and nothing that is no lock-out"
    assert safety.guard_over == ["probe"], "the question says which cause it was"
    assert (safety.guard_resets, safety.guard_latches) == ({"probe": 3}, ["probe"])
    assert safety.vapour_rest_s == 300.0


def test_a_lock_out_that_was_reset_before_a_batch_weighs_no_more_in_it() -> None:
    bench = Bench()
    bench.to_idle_ready()
    safety = bench.controller.state.safety
    safety.latches.append("level")
    safety.resets["level"] = safety.guard_resets["probe"] = 3
    safety.guard_latches = ["probe"]
    bench.press("blue", seconds=6)
    assert safety.latches == ["level"], "blue alone is not enough"
    bench.tick((Request("1", "reset", "local", "level", text="a hose had slipped off"),))
    bench.press("blue", seconds=6)
    bench.ticks(3)
    assert safety.latches == [] and safety.resets == safety.guard_resets == {}


def test_a_rig_without_buttons_is_not_asked_to_end_what_it_cannot() -> None:
    """Level watch runs no batch: whatever an earlier level left, it is only watched."""
    watch = replace(files(recorded=BATCH), reactor=replace(REACTOR, rig_level="watch"))
    made = begun(watch, Found("nonsense", "", False, 1, 6, None))
    assert made.process.state.state == "idle" and made.state.flag.set


def test_a_start_that_ended_before_it_stored_a_word_says_so() -> None:
    made = begun(files(BATCH), Found(None, NOTHING.why, False, 1, 0, None))
    assert made.process.state.why == "the last start ended before it stored a word"


def test_what_was_told_in_idle_stays_with_its_batch() -> None:
    old = left("idle", "fill.pump")
    old.process.observed.append(("titration_ml", 3.0))
    assert begun(files(BATCH, recorded=BATCH), found(old)).process.state.observed
    assert not begun(files(OTHER, recorded=BATCH), found(old)).process.state.observed


def test_the_files_are_read_in_a_process_that_ends_and_every_mistake_comes_at_once(
    tmp_path: Path,
) -> None:
    whole = load(CONFIG / "reactor.toml", CONFIG / "batch.toml", tmp_path / "none.sqlite")
    assert whole.batch is not None and whole.batch.oil_volume_l == 120.0
    assert whole.reactor.altitude_m == 1120.0 and whole.recorded is None
    assert whole.texts["batch.toml"].startswith("# One batch")
    (tmp_path / "batch.toml").write_text((CONFIG / "batch.toml").read_text().replace(
        '"120 L"', '"120,5 L"'))
    (tmp_path / "reactor.toml").write_text((CONFIG / "reactor.toml").read_text().replace(
        '"3000 W"', '"3000"'))
    with pytest.raises(Refused) as refused:
        load(None, tmp_path / "batch.toml", tmp_path / "none.sqlite")
    assert len(refused.value.sentences) == 2


def test_the_recorded_batch_is_read_without_a_file_on_a_disk_that_may_be_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    journal = Journal(tmp_path / "record.sqlite", boot="b", now_s=1.0)
    journal.attach({"batch.toml": (CONFIG / "batch.toml").read_text("utf-8")})
    journal.close(2.0)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    for name in ("tempfile.TemporaryDirectory", "tempfile.mkstemp"):
        monkeypatch.setattr(name, full)
    plain = _load(CONFIG / "reactor.toml", CONFIG / "batch.toml", tmp_path / "record.sqlite")
    assert plain["why"] == "" and plain["recorded"]["oil_volume_l"] == 120.0
    assert replace(build(Batch, plain["recorded"]), digest="") == replace(
        build(Batch, plain["batch"]), digest="")


def test_files_whose_reading_breaks_off_are_one_sentence_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("esterward.cli.run_start.READ", "import os; os.kill(os.getpid(), 9)")
    with pytest.raises(NotNow, match=r"ended early \(exit code -9\)"):
        load(CONFIG / "reactor.toml", None, tmp_path / "none.sqlite")


@pytest.mark.parametrize(("level", "kept"), [("watch", False), ("small", True)])
def test_a_trip_outlives_a_restart_except_where_no_button_could_reset_it(
    level: str, kept: bool,
) -> None:
    was = left("idle")
    was.safety.latches = ["over-trip"]
    reactor = replace(REACTOR, rig_level=level)
    made = begun(replace(files(), reactor=reactor), found(was, clean=True))
    assert (made.state.safety.latches == ["over-trip"]) is kept
