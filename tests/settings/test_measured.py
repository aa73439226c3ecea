"""[measured] of reactor.toml: what belongs together, and what it changes and does not change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from esterward.chemistry.energy import oil_kj_per_k
from esterward.chemistry.sheet import batch_sheet, sheet_json
from esterward.settings import files
from esterward.settings.mistakes import SettingsError
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.plant import Plant

CONFIG = Path(__file__).parents[2] / "firmware/config"
BATCH = Batch(oil_volume_l=100.0, oil_start_c=15.0, titration_readings_ml=(3.0, 3.0, 3.0),
              catalyst_purity=0.9)
PLAIN = Reactor(vessel_l=200.0, element_w=3000.0, altitude_m=1120.0, room_c=15.0)
MEASURED = replace(PLAIN, measured_heat_kj_per_k=250.0, measured_oil_l=120.0,
                   measured_loss_w_per_k=10.0, measured_run_on_s=60.0, measured_probe_lag_s=20.0)


def written(tmp_path: Path, table: str) -> Path:
    text = (CONFIG / "reactor.toml").read_text("utf-8")
    path = tmp_path / "reactor.toml"
    path.write_text(text.replace("[measured]\n", "[measured]\n" + table), "utf-8")
    return path


def test_the_five_keys_reach_the_reactor(tmp_path: Path) -> None:
    reactor = files.load_reactor(written(tmp_path, '''heat_capacity = "250 kJ/K"
oil = "120 L"
loss = "10 W/K"
run_on = "60 s"
probe_lag = "20 s"
'''))
    assert (reactor.measured_heat_kj_per_k, reactor.measured_oil_l) == (250.0, 120.0)
    assert reactor.measured_loss_w_per_k == 10.0
    assert (reactor.measured_run_on_s, reactor.measured_probe_lag_s) == (60.0, 20.0)


@pytest.mark.parametrize(("table", "words"), [
    ('heat_capacity = "250 kJ/K"\n', "[measured] oil is missing"),
    ('oil = "120 L"\n', "[measured] heat_capacity is missing"),
    ('heat_capacity = "250 kJ/K"\noil = "12 L"\n', "0.7 to 3 times"),
    ('run_on = "30 s"\nprobe_lag = "30 s"\n', "not below run_on"),
    ('heat_capacity = "250 J"\noil = "120 L"\n', "kJ/K"),
])
def test_what_does_not_belong_together_is_one_sentence(
    tmp_path: Path, table: str, words: str
) -> None:
    with pytest.raises(SettingsError) as caught:
        files.load_reactor(written(tmp_path, table))
    assert len(caught.value.mistakes) == 1 and words in caught.value.mistakes[0]


def test_the_sheets_heating_time_is_that_of_the_measured_vessel_with_this_fill() -> None:
    plain = sheet_json(batch_sheet(BATCH, PLAIN))["heating"]
    told = sheet_json(batch_sheet(BATCH, MEASURED))["heating"]
    assert plain["measured"] is False and told["measured"] is True
    # the vessel takes 250 kJ/K less what 120 L of oil take, also with 100 L in it
    beside = 250.0 - oil_kj_per_k(120.0)
    grown = (oil_kj_per_k(100.0) + beside) / oil_kj_per_k(100.0)
    assert told["oil_kwh"] == pytest.approx(plain["oil_kwh"] * grown, rel=2e-3)
    loss_only = sheet_json(batch_sheet(BATCH, replace(PLAIN, loss_w_per_k=10.0)))["heating"]
    assert told["time_min"] == pytest.approx(loss_only["time_min"] * grown + 1.0, rel=2e-3)


def test_no_limit_and_no_setpoint_hangs_on_what_was_measured() -> None:
    plain, told = batch_sheet(BATCH, PLAIN), batch_sheet(BATCH, MEASURED)
    assert (told.ceiling, told.setpoint_c, told.highest_c) == (
        plain.ceiling, plain.setpoint_c, plain.highest_c)
    firmware = Path(files.__file__).parents[1]
    for folder in ("safety", "guard", "process"):
        for path in (firmware / folder).glob("*.py"):
            assert "measured_" not in path.read_text("utf-8"), path


def test_the_simulators_plant_is_the_measured_one() -> None:
    plant = Plant(MEASURED, BATCH)
    thermal = plant.thermal
    assert plant.probe_a.lag_s == 20.0
    assert thermal.element_j_per_k / thermal._stirred_w_per_k == pytest.approx(40.0)
    assert thermal.wall_j_per_k + thermal.element_j_per_k == pytest.approx(
        1000.0 * (250.0 - oil_kj_per_k(120.0)))
    assert 1.0 / (1.0 / thermal.wall_w_per_k + 1.0 / thermal.outside_w_per_k) == pytest.approx(10.0)
    assert Plant(MEASURED, BATCH, lag_a_s=40.0).probe_a.lag_s == 40.0
