"""The whole sheet: what is known, what is missing, what other programs read."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from math import isfinite
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from esterward.chemistry import boiling
from esterward.chemistry.sheet import Sheet, batch_sheet, sheet_json
from esterward.values.batch import Batch, Lot
from esterward.values.reactor import Reactor

BATCH = Batch(oil_volume_l=120.0, titration_readings_ml=(2.9, 3.1, 3.0), catalyst_purity=0.90)
REACTOR = Reactor(altitude_m=1120.0, vessel_l=200.0, element_w=3000.0)

# design: the keys that other programs may rely on.
KEYS = {
    "oil_l", "titration", "acid_value_mg_koh_per_g", "ffa_percent", "catalyst", "methanol",
    "ceiling", "setpoint_c", "heating", "warnings",
}
INNER = {
    "titration": {"n", "readings_ml", "mean_ml", "sd_ml", "spread_ml"},
    "catalyst": {"kind", "purity", "base_g_per_l", "titration_g_per_l", "total_g_per_l",
                 "mass_g", "mass_low_g", "mass_high_g"},
    "methanol": {"volume_l", "mass_kg", "percent_v", "molar_ratio"},
    "ceiling": {"altitude_m", "pressure_kpa", "p_eff_kpa", "boiling_c", "setpoint_max_c",
                "alarm_c", "trip_c", "guard_trip_c"},
    "heating": {"energy_kwh", "time_min"},
}


def test_the_smallest_file_makes_a_full_sheet() -> None:
    sheet = batch_sheet(BATCH, REACTOR)
    assert sheet.complete
    assert sheet.missing == sheet.errors == sheet.warnings == sheet.why_not_complete == ()
    assert sheet.catalyst is not None and sheet.methanol is not None
    assert sheet.catalyst.mass_g == pytest.approx(120.0 * (3.0 + 7.0 / 0.9))
    assert sheet.methanol.volume_l == pytest.approx(24.0)
    assert sheet.ceiling == boiling.limits(1120.0)
    assert sheet.setpoint_c == boiling.limits(1120.0).aim_max_c < 55.0
    assert sheet.heating is not None and 40.0 < sheet.heating.time_min < 50.0
    assert sheet.glycerol_low_l is not None and sheet.glycerol_high_l is not None
    assert 0.0 < sheet.glycerol_low_l < sheet.glycerol_high_l


def test_the_scatter_and_the_scale_make_the_interval() -> None:
    sheet = batch_sheet(BATCH, REACTOR)
    assert sheet.catalyst is not None
    # Student's half width of 0.248 mL on 120 L, and one step of 1 g.
    assert sheet.catalyst.mass_high_g - sheet.catalyst.mass_g == pytest.approx(
        0.24843 * 120.0 + 1.0, abs=0.01)


def test_one_reading_takes_the_allowed_spread_for_its_scatter() -> None:
    sheet = batch_sheet(replace(BATCH, titration_readings_ml=(3.0,)), None)
    assert sheet.catalyst is not None
    assert sheet.catalyst.mass_high_g - sheet.catalyst.mass_g == pytest.approx(0.36 * 120.0)


def test_without_a_titration_the_batch_may_be_heated_but_not_dosed() -> None:
    sheet = batch_sheet(replace(BATCH, titration_readings_ml=()), REACTOR)
    assert not sheet.complete
    (missing,) = sheet.missing
    assert missing.startswith("[titration] readings are missing; titrate")
    assert sheet.catalyst is None and sheet.titration is None
    assert sheet.setpoint_c == boiling.limits(1120.0).aim_max_c and sheet.heating is not None
    assert sheet.methanol is not None


def test_without_an_altitude_nothing_with_methanol_is_possible() -> None:
    sheet = batch_sheet(BATCH, replace(REACTOR, altitude_m=None))
    assert not sheet.complete
    (missing,) = sheet.missing
    assert '[site] altitude is missing' in missing
    assert 'write for example altitude = "350 m"' in missing
    assert sheet.ceiling is None and sheet.setpoint_c is None and sheet.heating is None


def test_without_a_reactor_file_the_chemistry_is_whole_and_the_heat_unknown() -> None:
    sheet = batch_sheet(BATCH, None)
    assert sheet.complete
    assert sheet.ceiling is None and sheet.setpoint_c is None and sheet.heating is None
    assert sheet.coast is None
    assert any("No reactor file" in warning for warning in sheet.warnings)


def test_without_oil_everything_waits() -> None:
    sheet = batch_sheet(Batch(), REACTOR)
    assert not sheet.complete
    assert sheet.missing[0].startswith("[oil] volume is missing")
    assert sheet.methanol is None and sheet.catalyst is None and sheet.wash_water_l == ()


@pytest.mark.parametrize(("altitude_m", "setpoint_c"), [(0.0, 55.0), (1050.0, 55.0)])
def test_the_setpoint_is_55_degc_where_that_is_allowed(
    altitude_m: float, setpoint_c: float
) -> None:
    assert batch_sheet(BATCH, replace(REACTOR, altitude_m=altitude_m)).setpoint_c == setpoint_c


def test_the_setpoint_follows_the_altitude_down_and_the_file_may_only_tighten() -> None:
    high = batch_sheet(BATCH, replace(REACTOR, altitude_m=2000.0))
    assert high.setpoint_c == boiling.limits(2000.0).setpoint_max_c - 0.3 < 55.0
    assert batch_sheet(BATCH, replace(REACTOR, setpoint_cap_c=50.0)).setpoint_c == 50.0
    low = replace(REACTOR, altitude_m=0.0, setpoint_cap_c=64.0)
    assert batch_sheet(BATCH, low).setpoint_c == 55.0


def test_the_setpoint_of_a_faulty_sheet_is_still_allowed() -> None:
    sheet = batch_sheet(replace(BATCH, setpoint_c=60.0), REACTOR)
    assert sheet.errors and not sheet.complete
    assert sheet.setpoint_c == boiling.limits(1120.0).aim_max_c


def test_lagging_replaces_the_loss_that_was_given() -> None:
    plain = batch_sheet(BATCH, REACTOR)
    lagged = batch_sheet(BATCH, replace(REACTOR, lagging_mm=50.0))
    assert plain.loss_w_per_k == REACTOR.loss_w_per_k
    assert lagged.loss_w_per_k is not None and lagged.loss_w_per_k < 3.0
    assert plain.coast is not None and lagged.coast is not None
    assert lagged.coast.end_c > plain.coast.end_c
    assert lagged.coast.mixing_min < plain.coast.mixing_min


def test_the_dipstick_shows_oil_and_dose_and_nothing_beyond_its_table() -> None:
    stick = ((0.0, 0.0), (700.0, 140.0))
    sheet = batch_sheet(BATCH, replace(REACTOR, dipstick=stick))
    assert sheet.dip_oil_mm == pytest.approx(600.0)
    assert sheet.dip_dosed_mm is None  # 144 L


def test_two_stages_are_split_when_they_are_planned() -> None:
    sheet = batch_sheet(replace(BATCH, first_share=0.8), REACTOR)
    assert [round(stage.methanol_l, 6) for stage in sheet.stages] == [19.2, 4.8]
    assert batch_sheet(BATCH, REACTOR).stages == ()


def test_lots_foretell_the_titre_of_the_blend() -> None:
    lots = (Lot(20.0, 6.0), Lot(100.0, 2.0))
    sheet = batch_sheet(replace(BATCH, lots=lots, titration_readings_ml=()), REACTOR)
    assert sheet.blend_titre_ml == pytest.approx(2.6667, abs=1e-4)
    assert not sheet.complete  # the blend is titrated itself


def test_sample_strength_and_blank_lead_to_the_same_mass() -> None:
    other = replace(BATCH, titration_readings_ml=(15.2,) * 3, titrant_g_per_l=0.5,
                    titration_sample_ml=2.5, titration_blank_ml=0.2)
    one, two = batch_sheet(replace(BATCH, titration_readings_ml=(3.0,) * 3), None), batch_sheet(
        other, None)
    assert one.catalyst is not None and two.catalyst is not None
    assert two.catalyst.mass_g == pytest.approx(one.catalyst.mass_g)
    assert two.ffa_percent == pytest.approx(one.ffa_percent)


@pytest.mark.parametrize("sheet", [batch_sheet(BATCH, REACTOR), batch_sheet(BATCH, None),
                                   batch_sheet(Batch(), Reactor()), batch_sheet(Batch(), None)])
def test_json_has_the_promised_keys_whatever_is_known(sheet: Sheet) -> None:
    plain = sheet_json(sheet)
    assert set(plain) >= KEYS
    for name, keys in INNER.items():
        assert plain[name] is None or set(plain[name]) >= keys
        assert plain[name] is not None or name in ("ceiling", "heating")
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain


def test_json_says_null_for_what_is_not_known() -> None:
    plain = sheet_json(batch_sheet(replace(BATCH, titration_readings_ml=(3.0,)), None))
    assert plain["titration"]["sd_ml"] is None
    assert plain["ceiling"] is plain["setpoint_c"] is plain["heating"] is None
    nothing = sheet_json(batch_sheet(replace(BATCH, titration_readings_ml=()), REACTOR))
    assert nothing["titration"]["n"] == 0 and nothing["titration"]["mean_ml"] is None
    assert nothing["catalyst"]["mass_g"] is None and nothing["catalyst"]["kind"] == "KOH"
    assert nothing["acid_value_mg_koh_per_g"] is None


def test_json_of_the_example_adds_up() -> None:
    plain = sheet_json(batch_sheet(BATCH, REACTOR))
    base = plain["catalyst"]
    assert base["purity"] == 0.90 and base["base_g_per_l"] == 7.0
    assert base["titration_g_per_l"] + base["base_g_per_l"] / base["purity"] == pytest.approx(
        base["total_g_per_l"])
    assert base["total_g_per_l"] * plain["oil_l"] == pytest.approx(base["mass_g"])
    assert plain["titration"]["readings_ml"] == [2.9, 3.1, 3.0]


def numbers(value: Any) -> list[float]:
    """Every float anywhere inside."""
    if isinstance(value, float):
        return [value]
    if isinstance(value, dict):
        return [n for item in value.values() for n in numbers(item)]
    if isinstance(value, (list, tuple)):
        return [n for item in value for n in numbers(item)]
    return []


BATCHES = st.builds(
    Batch,
    oil_volume_l=st.floats(0.0, 1000.0), oil_start_c=st.floats(-20.0, 110.0),
    oil_density_kg_per_l=st.floats(0.86, 0.97),
    titration_readings_ml=st.lists(st.floats(0.0, 20.0), max_size=12).map(tuple),
    titrant=st.sampled_from(("same stock", "pure")), titrant_g_per_l=st.floats(0.1, 20.0),
    titration_sample_ml=st.floats(0.5, 50.0), titration_blank_ml=st.floats(0.0, 5.0),
    catalyst_kind=st.sampled_from(("KOH", "NaOH")), catalyst_purity=st.floats(0.5, 1.0),
    base_g_per_l=st.none() | st.floats(2.0, 15.0), base_as_weighed=st.booleans(),
    methanol_share=st.floats(0.10, 0.40), setpoint_c=st.none() | st.floats(30.0, 65.0),
    dewater=st.sampled_from(("settle", "boil", "none")), pour_min=st.floats(10.0, 60.0),
    settle_h=st.floats(1.0, 48.0), dry_c=st.floats(20.0, 65.0),
    titrant_kind=st.sampled_from(("", "KOH", "NaOH")),
    titration_sample_g=st.none() | st.floats(0.5, 50.0),
    methanol_start_c=st.floats(-10.0, 35.0), first_share=st.none() | st.floats(0.5, 0.95),
    lots=st.lists(st.builds(Lot, st.floats(1.0, 500.0), st.floats(0.0, 20.0)),
                  max_size=3).map(tuple),
    oil_water_mg_per_kg=st.none() | st.floats(0.0, 5000.0),
)
REACTORS = st.none() | st.builds(
    Reactor,
    altitude_m=st.none() | st.floats(-430.0, 5000.0), vessel_l=st.floats(5.0, 1000.0),
    element_w=st.floats(100.0, 20_000.0), loss_w_per_k=st.floats(0.5, 200.0),
    room_c=st.floats(-20.0, 45.0), setpoint_cap_c=st.none() | st.floats(30.0, 110.0),
    scale_resolution_g=st.floats(0.001, 100.0), lagging_mm=st.none() | st.floats(0.0, 200.0),
    diameter_m=st.none() | st.floats(0.1, 2.0),
    dipstick=st.sampled_from(((), ((0.0, 0.0), (900.0, 250.0)))),
)


@settings(deadline=None, max_examples=300)
@given(BATCHES, REACTORS)
def test_whatever_a_file_may_say_the_sheet_is_finite_and_keeps_its_promises(
    batch: Batch, reactor: Reactor | None
) -> None:
    # Oil of a few millilitres cannot be written in a file (at least 1 L).
    if 0.0 < batch.oil_volume_l < 1.0:
        batch = replace(batch, oil_volume_l=1.0)
    sheet = batch_sheet(batch, reactor)
    plain = sheet_json(sheet)
    assert all(isfinite(n) for n in numbers(plain))
    # Only the zone without an upper end is infinite.
    assert all(isfinite(n) for n in numbers(asdict(replace(sheet, zone=None))))
    assert sheet.complete == (not sheet.missing and not sheet.errors)
    if sheet.setpoint_c is not None and sheet.ceiling is not None:
        assert sheet.setpoint_c <= sheet.ceiling.setpoint_max_c - 0.3 <= 62.5
    if sheet.catalyst is not None:
        base = sheet.catalyst
        assert base.mass_low_g <= base.mass_g <= base.mass_high_g
    if sheet.complete and reactor is not None and sheet.methanol is not None:
        assert batch.oil_volume_l + sheet.methanol.volume_l <= reactor.vessel_l
    for sentence in sheet.missing + sheet.errors + sheet.warnings:
        assert sentence.endswith(".") and "\n" not in sentence and "nan" not in sentence.split()


@settings(deadline=None, max_examples=100)
@given(BATCHES, st.floats(1.0, 400.0), st.floats(0.2, 2.4))
def test_amounts_are_linear_in_the_oil(batch: Batch, oil_l: float, times: float) -> None:
    one = batch_sheet(replace(batch, oil_volume_l=oil_l), None)
    other = batch_sheet(replace(batch, oil_volume_l=oil_l * times), None)
    assert one.methanol is not None and other.methanol is not None
    assert other.methanol.volume_l == pytest.approx(times * one.methanol.volume_l)
    assert other.methanol.molar_ratio == pytest.approx(one.methanol.molar_ratio)
    if one.catalyst is not None and other.catalyst is not None:
        assert other.catalyst.mass_g == pytest.approx(times * one.catalyst.mass_g)
        assert other.catalyst.mass_low_g == pytest.approx(times * one.catalyst.mass_low_g)
        assert other.wash_water_l == pytest.approx([times * w for w in one.wash_water_l])
