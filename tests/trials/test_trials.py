"""Faults on simulated reactors: a fixed sample holds every invariant, and broken rules are found.

The whole table, with a real half hour behind each reaction, is the command `esterward trials`.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from esterward import tick
from esterward.guard import rule
from esterward.safety import limits
from esterward_sim.plant.faults import ROWS
from esterward_sim.trials import trials
from esterward_sim.trials_faults import CASES, NOT_TRIED
from esterward_sim.trials_oracles import INVARIANTS, Watch
from esterward_sim.trials_page import bound
from esterward_sim.trials_run import (
    ALL_PLANTS,
    TO_END_EVERY,
    Batch,
    Trial,
    Tried,
    attempt,
    cells,
    fault_free,
    trials_of,
)

SAMPLE = 650
STRONGEST, ALL_FITTED = 3, 1


@pytest.fixture(scope="module")
def strongest() -> Batch:
    """The whole batch of the strongest small vessel."""
    return fault_free(STRONGEST, STRONGEST + 1)


@pytest.fixture(scope="module")
def all_fitted() -> Batch:
    """The whole batch of the vessel with everything fitted."""
    return fault_free(ALL_FITTED, ALL_FITTED + 1)


def test_a_fixed_sample_of_faults_breaks_no_invariant(strongest: Batch) -> None:
    sample_breaks_nothing(STRONGEST, strongest)


def test_a_fixed_sample_with_everything_fitted_breaks_none_either(all_fitted: Batch) -> None:
    sample_breaks_nothing(ALL_FITTED, all_fitted)


@pytest.mark.parametrize("case", ["vapour_high", "sump_wet", "estop_pressed", "level_low"])
def test_a_fan_that_goes_off_with_the_heat_a_fault_takes_is_found(
    case: str, all_fitted: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert first_broken(case, all_fitted, plant=ALL_FITTED) is None
    monkeypatch.setattr(tick, "fan_runs", lambda ran, *, flag, wanted, faults, halted: (
        flag or (wanted and not faults)))
    one = first_broken(case, all_fitted, plant=ALL_FITTED)
    assert one is not None and "I-16 fan" in one.broken


def sample_breaks_nothing(plant: int, batch: Batch) -> None:
    assert batch.state == "complete" and batch.watch.broken == {}
    assert set(batch.watch.worst) >= {row.name for row in INVARIANTS} - {"I-01 guard"}
    tried = [attempt(trial, batch=batch) for trial in trials_of(
        range(SAMPLE), 1, [plant], ends=False, tail_s=8.0, wait_s=30.0)]
    assert {f"{one.case} {one.number}": one.broken for one in tried if one.broken} == {}
    assert {one.case for one in tried} == {case for case, _ in cells([plant])}
    assert sum(one.outcome in ("held", "aborted") for one in tried) > SAMPLE // 5


def first_broken(case: str, batch: Batch, without: tuple[str, ...] = (), tail_s: float = 20.0,
                 step: str = "heat.warm", plant: int = STRONGEST,
                 wait_s: float = 60.0) -> Tried | None:
    """The first of six trials of this fault in this step that breaks something."""
    only_there = replace(batch, steps=[row for row in batch.steps if row[0] == step])
    for number in range(6):
        one = attempt(Trial(number, plant, case, 1, tail_s=tail_s, wait_s=wait_s,
                            without=without), batch=only_there)
        if one.broken:
            return one
    return None


@pytest.mark.parametrize(("codes", "case"), [
    (("mixer",), "mixer_stalled"), (("mixer",), "pump_dry"), (("k1-open",), "k1_mirror_stuck"),
    (("record",), "disk_full"), (("k2-open",), "k2_mirror_stuck"), (("supply",), "supply_low"),
    (("probe-a", "probes-apart"), "probe_a_lost"),  # the heater law alone ends it a tick too late
])
def test_a_row_taken_out_of_the_interlocks_is_found(
    codes: tuple[str, ...], case: str, strongest: Batch,
) -> None:
    # That one is told at once and acts after 30 s; the person's press counts the time anew.
    tail_s = 60.0 if case == "supply_low" else 20.0
    assert first_broken(case, strongest, tail_s=tail_s) is None
    assert first_broken(case, strongest, codes, tail_s=tail_s) is not None


@pytest.mark.parametrize(("codes", "case"), [
    (("probe-a",), "probe_a_lost"),                   # one probe cannot agree with another
    (("probe-b", "probes-apart"), "probe_b_hangs"),   # the guard looks at its own probe
    (("level",), "level_low"),                        # the float stands in K1's coil
    (("k1-welded", "warming-off"), "k1_welded"),      # the guard sees K1 closed unasked
])
def test_behind_these_rows_another_layer_stands(
    codes: tuple[str, ...], case: str, strongest: Batch,
) -> None:
    assert first_broken(case, strongest, codes) is None


def test_a_contactor_that_follows_a_flickering_proof_is_found(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    warm = replace(strongest, steps=[row for row in strongest.steps if row[0] == "heat.warm"])
    trial = Trial(0, STRONGEST, "pump_gulps", 1, tail_s=60.0, wait_s=90.0)
    assert attempt(trial, batch=warm).broken == {}
    monkeypatch.setattr(limits, "BACK_S", 0.0)
    assert list(attempt(trial, batch=warm).broken) == ["I-12 closings"]


def test_a_blind_guard_is_found_once_the_leases_do_not_lapse_either(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("esterward_sim.virtual.LEASE_S", 60.0)
    assert first_broken("controller_stopped", strongest) is None
    monkeypatch.setattr(rule, "_causes", lambda *_: [])
    monkeypatch.setattr(rule, "SILENCE_S", 60.0)
    one = first_broken("controller_stopped", strongest)
    assert one is not None and "I-01 controller" in one.broken


def test_a_contact_that_welds_while_methoxide_runs_in_is_ended_within_a_second(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert first_broken("k1_welded", strongest, step="dose.pour") is None
    assert first_broken("line_k1_high", strongest, step="dose.pour") is None
    monkeypatch.setattr(rule, "_causes", lambda *_: [])
    one = first_broken("k1_welded", strongest, ("k1-welded", "warming-off"), step="dose.pour")
    assert one is not None and "I-04 rest" in one.broken


@pytest.mark.parametrize("step", ["dose.off", "dose.flag", "dose.pour"])
def test_a_controller_that_denies_the_methanol_breaks_nothing_at_the_guard(
    strongest: Batch, step: str,
) -> None:
    assert first_broken("controller_lies", strongest, step=step) is None


def test_every_fault_that_has_a_name_is_tried_or_is_known_not_to_be() -> None:
    assert set(ROWS) - set(CASES) == set(NOT_TRIED) == {
        "record_fails", "clock_jump", "person_resets_again", "broker_gone"}
    assert all(NOT_TRIED.values())
    assert {case for case, _ in cells(ALL_PLANTS)} == set(CASES)
    for name, case in CASES.items():
        assert case.name == name and case.sentence
        assert case.rows or not ROWS[name.removesuffix("_high")].rows


@pytest.mark.parametrize(("code", "cases"), [
    ("F-15", {"probe_a_slow", "probe_b_slow", "probe_a_slow_high", "probe_b_slow_high"}),
    ("F-69", {"controller_slow", "controller_slow_high"}), ("F-78", {"clock_unset"}),
    ("F-105", {"room_frost"}), ("F-106", {"room"}), ("F-101", {"resets_again"}),
    ("F-45", {"oil_share_high"})])
def test_a_row_is_claimed_only_by_a_case_that_plays_it(code: str, cases: set[str]) -> None:
    assert {name for name, case in CASES.items() if code in case.rows} == cases


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if case.steps])
def test_what_a_person_does_wrong_comes_before_the_hands_are_there_and_stays(
    name: str, strongest: Batch,
) -> None:
    began = {(step, from_s) for step, from_s, _ in strongest.steps if step in CASES[name].steps}
    assert began
    for number in range(4):
        one = attempt(Trial(number, STRONGEST, name, 1, tail_s=1.0, wait_s=1.0), batch=strongest)
        assert (one.step, one.at_s) in began and one.lasts_s is None


@pytest.mark.parametrize(("name", "outcome", "codes"), [
    ("oil_share", "held", "over-response"), ("controller_slow", "held", "slow controller-late"),
    ("room_frost", "nothing", "")])
def test_some_of_them_show_what_they_must(
    name: str, outcome: str, codes: str, strongest: Batch,
) -> None:
    warm = replace(strongest, steps=[row for row in strongest.steps if row[0] in (
        "fill.pump", "heat.warm")][::1 if CASES[name].steps else -1])
    warm = replace(warm, steps=warm.steps[:1])
    one = attempt(Trial(0, STRONGEST, name, 1, tail_s=20.0, wait_s=1800.0), batch=warm)
    assert one.broken == {} and one.outcome == outcome and one.codes == codes.split()


def test_a_fourth_reset_of_one_cause_in_a_batch_is_found(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert first_broken("resets_again", strongest, tail_s=700.0) is None
    monkeypatch.setattr(limits, "RESETS_ALLOWED", 9)
    one = first_broken("resets_again", strongest, tail_s=700.0)
    assert one is not None and "I-10 lock-out" in one.broken


def test_a_batch_that_runs_on_after_a_start_until_somebody_presses_is_found(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert first_broken("controller_restarts", strongest, tail_s=120.0, step="mix.run") is None
    monkeypatch.setattr(tick, "RUNNING_STATES", ())
    one = first_broken("controller_restarts", strongest, step="mix.run", wait_s=120.0)
    assert one is not None and "I-06 press" in one.broken


@pytest.mark.parametrize("case", ["mixer_stalled", "pump_dry", "mixer_proof_lost"])
def test_a_mixer_that_is_driven_unproven_is_found_where_no_heat_flows(
    case: str, strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert first_broken(case, strongest, step="mix.run") is None
    monkeypatch.setattr(limits, "MIXER_START_S", 60.0)
    one = first_broken(case, strongest, step="mix.run")
    assert one is not None and "I-12 deadline" in one.broken


@pytest.mark.parametrize(("rested", "found"), [(True, False), (False, True)])
def test_each_start_of_the_mixer_has_its_time_to_prove_itself_but_no_run_has_more(
    rested: bool, found: bool,
) -> None:
    run: Any = SimpleNamespace(rig=SimpleNamespace(clock=SimpleNamespace(time_s=0.0)))
    watch, case = Watch(), CASES["mixer_proof_lost"]
    truth = watch.truth
    truth.press_age_s, truth.oil_c = 60.0, 54.0
    # proof gone 4 s before a row that rests the mixer for 2 s, as dose.flag does, and 5 s after
    for entered, driven, quarters in (("", True, 16), ("dose.flag", not rested, 1),
                                      ("", not rested, 7), ("dose.gate", True, 1), ("", True, 20)):
        truth.entered, truth.driven = entered, driven
        for _ in range(quarters):
            watch._deadlines(case, run)
    assert ("I-12 deadline" in watch.broken) is found


def test_the_same_number_is_the_same_trial_however_many_there_are() -> None:
    few, many = trials_of(range(5), 3, ALL_PLANTS), trials_of(range(500), 3, ALL_PLANTS)
    assert few == many[:5]
    assert len({(trial.case, trial.plant) for trial in many}) == 500


def test_nearly_every_fault_gets_its_chance_to_go_to_the_end() -> None:
    each = 40 * len(CASES)
    drawn = [trial for plant in ALL_PLANTS
             for trial in trials_of(range(plant * each, (plant + 1) * each), 1, [plant])]
    ends = [trial for trial in drawn if trial.to_end]
    assert 0.8 < len(ends) / (len(drawn) / TO_END_EVERY) < 1.2
    assert len({trial.case for trial in ends}) > 0.95 * len({trial.case for trial in drawn})


def test_a_disk_that_stays_full_is_watched_for_the_whole_tail(strongest: Batch) -> None:
    warm = replace(strongest, steps=[row for row in strongest.steps if row[0] == "heat.warm"])
    one = next(one for one in (attempt(Trial(number, STRONGEST, "disk_full", 1, tail_s=900.0),
                                       batch=warm) for number in range(9)) if one.lasts_s is None)
    assert one.reacted_s is not None and one.simulated_s >= one.reacted_s + 900.0


def test_the_bound_of_no_finding_is_exact_and_says_three_over_n_where_that_holds() -> None:
    assert "fewer than 0.002 (1 - 0.05^(1/1500), about 3/1500) of trials" in bound(1500, 0)
    assert "fewer than 0.78 (1 - 0.05^(1/2)) of trials" in bound(2, 0)
    assert bound(1500, 2) == "2 of 1500 broke an invariant."


def run(*args: str) -> Any:
    return CliRunner().invoke(trials, [*args], standalone_mode=True)


@pytest.mark.parametrize(("args", "part"), [
    (("--shard", "3/2"), "i/n"), (("--plants", "a"), "commas"), (("--without", "levl"), "level"),
    (("--html", "no/such/place.html"), "no folder"),
    (("--fault", "sump_wett"), "nearest is sump_wet."), (("--fault", "?"), "nearest is "),
    (("--fault", "vapour_high", "--plants", "0,3"), "vapour_low"),
    (("--fault", "sump_wet", "--fault-free", "1"), "no use for --fault: leave it out"),
    (("--number", "3", "--shard", "1/2"), "--number has no use for --shard"),
    (("--number", "3", "--fault-free", "2"), "--number has no use for --fault-free"),
    (("--fault-free", "2", "--plants", "3", "--tail", "9"), "no use for --plants, --tail"),
    (("--fault-free", "1", "--seed", "2"), "no use for --seed: leave it out"),
    (("--scheduler", "tcp://127.0.0.1:1", "--workers", "2"), "no use for --workers"),
    (("--plants", "0,,1"), "commas between"), (("--tail", "nan"), "--tail"),
    (("--wait", "nan"), "a number from 1 to 86400"), (("--runs", "0"), "from 1 to 10000000"),
    (("--html", "pyproject.toml"), "ends in .html"),
    (("--runs", "1", "--scheduler", "nonsense"), "no scheduler answers there"),
])
def test_a_mistyped_option_is_one_sentence(args: tuple[str, ...], part: str) -> None:
    refused = run(*args)
    assert refused.exit_code == 2 and part in refused.output
    assert refused.output.count("\n") == 1


def test_the_command_reports_a_broken_rule_with_the_command_that_does_it_again(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
) -> None:
    only_heat = replace(strongest, steps=[r for r in strongest.steps if r[0] == "heat.warm"])
    monkeypatch.setattr("esterward_sim.trials_run.kept", lambda plant: only_heat)
    monkeypatch.setattr("esterward_sim.trials_run.CASES", {"mixer_stalled": CASES["mixer_stalled"]})
    options = ("--plants", "3", "--tail", "15", "--wait", "60", "--workers", "1")
    page = tmp_path / "trials.html"
    good = run(*options, "--runs", "3", "--json", "--html", str(page))
    assert good.exit_code == 0
    data = json.loads(good.output)
    assert data["broken"] == 0 and data["trials"] == 3
    assert data["bound"] == pytest.approx(1.0 - 0.05 ** (1 / 3))
    assert "mixer_stalled" in page.read_text() and "1/3" in page.read_text()
    bad = run(*options, "--runs", "3", "--without", "mixer", "--fault", "mixer_stalled")
    assert bad.exit_code == 1
    told = json.loads(run(*options, "--runs", "3", "--without", "mixer", "--fault",
                          "mixer_stalled", "--json").output)["failed"][0]["again"]
    assert f"  again: {told}\n" in bad.output and " --fault mixer_stalled " in told
    again = next(line.partition("again: esterward trials ")[2]
                 for line in bad.output.splitlines() if "again:" in line)
    replayed = run(*again.split())
    assert replayed.exit_code == 1 and "BROKEN I-12 deadline" in replayed.output
    assert "mixer_stalled" in replayed.output


def test_a_page_that_cannot_be_written_in_the_end_loses_nothing_that_was_found(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
) -> None:
    folder = tmp_path / "gone"
    folder.mkdir()

    def kept(plant: int) -> Batch:
        folder.rmdir()
        return strongest

    monkeypatch.setattr("esterward_sim.trials_run.kept", kept)
    ran = run("--plants", "3", "--runs", "1", "--tail", "1", "--wait", "2", "--workers", "1",
              "--html", str(folder / "a.html"))
    assert ran.exit_code == 2 and "none of 1 broke an invariant" in ran.output
    assert ran.output.splitlines()[-1].startswith(f"--html {folder / 'a.html'}: it cannot be")


def test_chosen_faults_are_the_same_trials_by_number(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("esterward_sim.trials_run.kept", lambda plant: strongest)
    chosen = ("--plants", "3", "--fault", "level_low", "--fault", "blackout", "--tail", "1",
              "--wait", "2", "--workers", "1")
    whole = json.loads(run(*chosen, "--json").output)
    assert whole["trials"] == 2 and set(whole["matrix"]) == {"blackout", "level_low"}
    assert whole["command"] == ("esterward trials --seed 1 --plants 3 --fault level_low "
                                "--fault blackout --tail 1 --wait 2 --runs 2")
    names = [run(*chosen, "--number", str(number)).output.split()[2] for number in range(4)]
    assert sorted(names[:2]) == ["blackout", "level_low"] and names[:2] == names[2:]


def test_without_the_package_of_the_schedulers_one_sentence_says_what_brings_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    refused = run("--runs", "1", "--scheduler", "tcp://127.0.0.1:1")
    assert refused.exit_code == 2 and refused.output.count("\n") == 1
    assert "distributed is missing" in refused.output and ".[trials]" in refused.output


def test_over_a_real_scheduler_the_trials_are_those_of_this_machine(
    strongest: Batch, monkeypatch: pytest.MonkeyPatch,
) -> None:
    import distributed  # heavy, and only here

    monkeypatch.setattr("esterward_sim.trials_run.kept", lambda plant: strongest)
    options = ("--plants", "3", "--tail", "8", "--wait", "30", "--runs", "4", "--json")
    here = json.loads(run(*options, "--workers", "1").output)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None,
        host="127.0.0.1", protocol="tcp://",
    ) as cluster:
        there = json.loads(run(*options, "--scheduler", cluster.scheduler_address).output)
    assert here.pop("wall_s") and there.pop("wall_s")
    assert there == here and there["trials"] == 4
