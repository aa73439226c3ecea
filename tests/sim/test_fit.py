"""The maker's own reactor from a recorded heat-up: known vessels are found again."""

from __future__ import annotations

import builtins
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from esterward.values.readings import ProbeReading
from esterward_sim.fit.window import NotEnough, best_window, stirred
from esterward_sim.rehearse import rehearse
from libraries import fit
from samples import SMALLEST_BATCH
from sim.fit_rig import heat_up, truth, vessel, write

if TYPE_CHECKING:
    from esterward_sim.fit.model import Estimate

REACTOR_TOML = (Path(__file__).parents[2] / "firmware/config/reactor.toml").read_text("utf-8")
DOCUMENTS = {"batch_toml": SMALLEST_BATCH, "reactor_toml": REACTOR_TOML}

# litres, W, W/K, room; what else the plant is made with; seed
VESSELS: list[tuple[tuple[float, float, float, float], dict[str, Any], int]] = [
    ((120.0, 3000.0, 8.0, 15.0), {"lag_a_s": 15.0, "lag_b_s": 45.0}, 2),
    ((60.0, 2000.0, 5.0, 20.0),
     {"lag_a_s": 40.0, "lag_b_s": 20.0, "vessel_kg": 25.0, "element_rise_k": 60.0}, 3),
    ((30.0, 1000.0, 3.0, 10.0), {"lag_a_s": 20.0, "vessel_kg": 4.0, "element_rise_k": 50.0}, 4),
    ((200.0, 9000.0, 20.0, 5.0), {"lag_a_s": 30.0, "vessel_kg": 40.0}, 5),
]


def holds(one: Estimate, true: float) -> bool:
    return one.low <= true <= one.high


@pytest.mark.parametrize(("made", "other", "seed"), VESSELS)
def test_a_known_vessel_is_found_again_within_five_percent_from_a_noisy_record(
    made: tuple[float, float, float, float], other: dict[str, Any], seed: int
) -> None:
    reactor = vessel(*made)
    ticks, plant = heat_up(reactor, made[0], seed, **other)
    true = truth(plant)
    window = best_window(ticks, [], ssr=False)
    found = fit(window, element_w=made[1], oil_l=made[0], room_c=made[3])
    assert found.capacity_j_per_k.value == pytest.approx(true["capacity"], rel=0.05)
    assert found.loss_w_per_k.value == pytest.approx(true["loss"], rel=0.05)
    assert found.run_on_s.value == pytest.approx(true["run_on"], rel=0.05)
    assert holds(found.probe_lag_s, true["lag"])
    for one, name in ((found.capacity_j_per_k, "capacity"), (found.loss_w_per_k, "loss"),
                      (found.run_on_s, "run_on")):
        assert holds(one, true[name]), name
        assert 0.0 < one.half_share < 0.15


def test_a_probe_lag_measured_by_itself_is_taken_over_and_sharpens_the_split() -> None:
    ticks, plant = heat_up(vessel(60.0, 2000.0, 5.0, 20.0), 60.0, 3, lag_a_s=20.0)
    told = fit(best_window(ticks, [], ssr=False), element_w=2000.0, oil_l=60.0, room_c=20.0,
               probe_lag_s=20.0)
    assert told.probe_lag_s.value == pytest.approx(20.0, rel=0.1)
    assert told.probe_lag_s.half_share < 0.15
    assert told.run_on_s.value == pytest.approx(truth(plant)["run_on"], rel=0.05)


def test_exchanged_lags_of_element_and_probe_give_one_and_the_same_reading() -> None:
    # closed form: two first-order lags in series commute. So no heat-up tells one from the
    # other, and the interval of the probe's lag has to cover both.
    reactor = vessel(120.0, 3000.0, 8.0, 15.0)
    seen = []
    for lag_s, element_s in ((20.0, 42.0), (42.0, 20.0)):
        ticks, _ = heat_up(reactor, 120.0, 1, at_most_s=1200.0, lag_a_s=lag_s,
                           element_rise_k=element_s / 0.7)
        seen.append([tick[0].probe_a.c for _, tick in ticks])
    apart = [abs(x - y) for x, y in zip(*seen, strict=True) if x is not None and y is not None]
    assert sum(apart) / len(apart) < 0.0625


def test_the_interval_shrinks_with_the_length_of_the_record() -> None:
    reactor = vessel(120.0, 3000.0, 8.0, 15.0)
    ticks, _ = heat_up(reactor, 120.0, 6)
    widths = []
    for end in (950.0, 1e9):
        part = [one for one in ticks if one[1][0].now_s < end]
        found = fit(best_window(part, [], ssr=False), element_w=3000.0, oil_l=120.0,
                    room_c=15.0)
        widths.append(found.loss_w_per_k.half_share)
    assert widths[0] > 0.25 > 4.0 * widths[1]


def test_oil_poured_in_meanwhile_is_no_vessel_and_is_said_to_be_none() -> None:
    reactor = vessel(120.0, 3000.0, 8.0, 15.0)
    ticks, _ = heat_up(reactor, 120.0, 1, at_most_s=1800.0)
    jump = [(session, (replace(s, probe_a=replace(s.probe_a, c=s.probe_a.c - 6.0)), out))
            if s.now_s > 1000.0 and s.probe_a.c is not None else (session, (s, out))
            for session, (s, out) in ticks]
    with pytest.raises(NotEnough, match="no single vessel explains it"):
        fit(best_window(jump, [], ssr=False), element_w=3000.0, oil_l=120.0, room_c=15.0)


def test_readings_without_the_pump_are_not_believed() -> None:
    reactor = vessel(120.0, 3000.0, 8.0, 15.0)
    ticks, _ = heat_up(reactor, 120.0, 1, at_most_s=1200.0)
    still = [(n, (replace(s, guard=replace(s.guard, inputs=replace(
        s.guard.inputs, mixer_proof=s.guard.inputs.mixer_proof and not 400.0 < s.now_s < 700.0)))
        if s.guard else s, out)) for n, (s, out) in ticks]
    spans = stirred(best_window(still, [], ssr=False))
    (begin, stop), (again, _) = spans
    assert (begin, stop) == (0.0, pytest.approx(400.0, abs=2.0))
    assert again == pytest.approx(700.0 + 60.0, abs=2.0)  # a minute after the pump came back


def run(*arguments: str) -> Any:
    return CliRunner().invoke(rehearse, list(arguments))


def test_the_command_writes_a_table_that_reactor_toml_takes(tmp_path: Path) -> None:
    from esterward.settings.files import load_reactor

    reactor = replace(vessel(120.0, 3000.0, 8.0, 15.0), vessel_l=200.0)
    ticks, plant = heat_up(reactor, 120.0, 7)
    path = write(tmp_path / "r.sqlite", ticks, **DOCUMENTS)
    done = run("--fit", str(path))
    assert done.exit_code == 0, done.output
    assert "95 %" in done.output and "guard --prepare" in done.output
    table = done.output[done.output.index("[measured]"):]
    text = REACTOR_TOML.replace("[measured]\n", table)
    (tmp_path / "reactor.toml").write_text(text, "utf-8")
    told = load_reactor(tmp_path / "reactor.toml")
    true = truth(plant)
    assert told.measured_heat_kj_per_k == pytest.approx(true["capacity"] / 1000.0, rel=0.05)
    assert told.measured_run_on_s == pytest.approx(true["run_on"], rel=0.05)
    assert told.measured_probe_lag_s is None and '# probe_lag = "' in table
    plain = json.loads(run("--fit", str(path), "--json").stdout)
    assert plain["loss"]["low"] < 8.0 < plain["loss"]["high"] and plain["loss"]["enough"]


def short(**made: Any) -> Any:
    return heat_up(vessel(120.0, 3000.0, 8.0, 15.0), 120.0, 1, **made)[0]


@pytest.mark.parametrize(("ticks", "code", "words"), [
    (lambda: short(heat=False, at_most_s=900.0), 1, "no heat-up"),
    (lambda: short(at_most_s=400.0), 1, "too short"),
    (lambda: short(at_most_s=1500.0, fault="probe_a_stuck"), 1, "stood still at 15.0 degC"),
    (lambda: short(at_most_s=950.0), 1, "does not hold enough to tell everything: loss"),
    (list, 1, "no heat-up"),
])
def test_a_record_that_does_not_hold_enough_says_so_in_one_sentence(
    ticks: Any, code: int, words: str, tmp_path: Path
) -> None:
    path = write(tmp_path / "r.sqlite", ticks(), **DOCUMENTS)
    done = run("--fit", str(path))
    assert done.exit_code == code, done.output
    assert words in done.stderr and len(done.stderr.splitlines()) == 1
    for line in done.stdout.splitlines():
        assert not line.startswith("loss = "), "what is not known must not be written down"


def test_no_probe_at_all_is_said_too(tmp_path: Path) -> None:
    gone = [(n, (replace(s, probe_a=ProbeReading(None, s.now_s, "lost")), out))
            for n, (s, out) in short(at_most_s=900.0)]
    done = run("--fit", str(write(tmp_path / "r.sqlite", gone, **DOCUMENTS)))
    assert done.exit_code == 1 and "probe A gave no reading" in done.stderr


def test_bad_input_is_one_sentence_and_exit_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = tmp_path / "text"
    text.write_text("no record")
    bare = write(tmp_path / "bare.sqlite", short(at_most_s=700.0))
    for path, words in ((tmp_path / "none", "no such record"), (text, "not a record"),
                        (bare, "no batch.toml is kept")):
        done = run("--fit", str(path))
        assert done.exit_code == 2 and words in done.stderr, done.output
        assert len(done.stderr.splitlines()) == 1
    kept, real = write(tmp_path / "r.sqlite", short(at_most_s=700.0), **DOCUMENTS), (
        builtins.__import__)

    def without_scipy(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("esterward_sim.fit.model"):
            raise ImportError("scipy")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without_scipy)
    done = run("--fit", str(kept))
    assert done.exit_code == 2 and '.venv/bin/pip install -e ".[fit]"' in done.stderr
    assert len(done.stderr.splitlines()) == 1
