"""The tables of published_values.toml beside our functions; sources stand in that file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from esterward.chemistry import boiling, fuel, kinetics, separation, substances

TABLES = tomllib.loads(
    (Path(__file__).parent / "published_values.toml").read_text(encoding="utf-8"))


def rows(name: str) -> list[dict[str, Any]]:
    """One mapping a row."""
    table = TABLES[name]
    return [dict(zip(table["columns"], row, strict=True)) for row in table["rows"]]


@pytest.mark.parametrize("row", rows("boiling_vs_altitude"), ids=lambda r: f"{r['altitude_m']} m")
def test_the_boiling_point_falls_with_altitude_as_in_the_table(row: dict[str, Any]) -> None:
    pressure = boiling.standard_pressure_kpa(row["altitude_m"])
    assert pressure == pytest.approx(row["p_Pa"] / 1000.0, abs=0.0002)
    boils = boiling.boiling_point_c(pressure)
    assert boils == pytest.approx(row["bp_AmbroseSprake_C"], abs=0.006)
    assert row["bp_min7_C"] - 0.006 <= boils <= row["bp_max7_C"] + 0.006


@pytest.mark.parametrize(
    "row", rows("practice_limit_altitude"), ids=lambda r: f"{r['limit_F']} F less {r['margin_K']}")
def test_a_fixed_limit_loses_its_margin_at_the_altitude_in_the_table(row: dict[str, Any]) -> None:
    pressure = boiling.standard_pressure_kpa(row["altitude_max_m_AmbroseSprake"])
    margin = boiling.boiling_point_c(pressure) - (row["limit_F"] - 32.0) / 1.8
    assert margin == pytest.approx(row["margin_K"], abs=0.004)


@pytest.mark.parametrize("row", rows("vapour_pressure"), ids=lambda r: f"{r['T_C']} degC")
def test_the_vapour_pressure_is_that_of_ambrose_and_sprake(row: dict[str, Any]) -> None:
    kpa = boiling.vapour_pressure_kpa(row["T_C"])
    assert kpa == pytest.approx(row["AmbroseSprake_kPa"], abs=0.0006)
    assert kpa == pytest.approx(row["CoolProp_kPa"], rel=0.0065)


@pytest.mark.parametrize("row", rows("properties"), ids=lambda r: f"{r['T_C']} degC")
def test_the_liquids_are_as_dense_and_as_hard_to_warm_as_in_the_table(
    row: dict[str, Any],
) -> None:
    c = row["T_C"]
    assert substances.methanol_density_kg_per_l(c) * 1000 == pytest.approx(
        row["methanol_rho"], abs=0.3)
    assert substances.methanol_heat_kj_per_kg_k(c) * 1000 == pytest.approx(
        row["methanol_cp"], abs=3.0)
    assert substances.oil_density_kg_per_l(c) * 1000 == pytest.approx(row["oil_rho"], abs=0.4)
    assert substances.ester_density_kg_per_l(c) * 1000 == pytest.approx(
        row["methyl_oleate_rho"], abs=0.3)
    assert substances.glycerol_density_kg_per_l(c) * 1000 == pytest.approx(
        row["glycerol_rho_Cheng"], abs=0.3)


@pytest.mark.parametrize(
    "row", [r for r in rows("settling") if r["d_um"] <= 200],
    ids=lambda r: f"{r['continuous']} {r['d_um']} um")
def test_drops_fall_as_fast_as_fluids_says(row: dict[str, Any]) -> None:
    speed = separation.fall_mm_per_s(
        row["d_um"], row["rho_d"] / 1000.0, row["rho_c"] / 1000.0, row["mu_mPas"])
    # The table has four decimals, so slow drops carry its rounding.
    assert speed == pytest.approx(row["v_mm_s"], rel=0.03, abs=0.00006)


@pytest.mark.parametrize("row", [r for r in rows("settling") if r["d_um"] > 200],
                         ids=lambda r: r["continuous"])
def test_drops_that_stokes_cannot_do_are_refused(row: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="drop size must be a number from 1 to 200 um"):
        separation.fall_mm_per_s(row["d_um"], 1.2, 0.85, 3.0)


@pytest.mark.parametrize("ratio", [6.0, 4.8])
@pytest.mark.parametrize("oil_c", [50, 55, 60])
def test_the_first_kinetic_set_runs_as_in_the_table(ratio: float, oil_c: int) -> None:
    table = [r for r in rows("noureddini_zhu") if r["ratio"] == ratio and r["T_C"] == oil_c]
    assert len(table) == 9
    ours = kinetics.noureddini_zhu(ratio, oil_c, tuple(r["minutes"] for r in table))
    for row, got in zip(table, ours, strict=True):
        assert got.tg_conversion == pytest.approx(row["TG_conversion"], abs=0.003)
        assert got.ester_yield == pytest.approx(row["ester_yield"], abs=0.003)


@pytest.mark.parametrize(
    "row", rows("darnoko_cheryan"), ids=lambda r: f"{r['T_C']} degC {r['minutes']} min")
def test_the_second_kinetic_set_runs_as_in_the_table(row: dict[str, Any]) -> None:
    got = kinetics.darnoko_cheryan(row["T_C"], row["minutes"])
    assert got.tg_conversion == pytest.approx(row["TG_conversion"], abs=0.0002)
    assert got.ester_yield is None


@pytest.mark.parametrize("row", rows("fuel_limit"), ids=lambda r: r["property"])
def test_the_fuel_limits_are_those_of_the_copies_read(row: dict[str, Any]) -> None:
    (ours,) = [one for one in fuel.FUEL_LIMITS if one.property == row["property"]]
    assert (ours.en_low, ours.en_high) == bounds(row["en14214"])
    assert (ours.astm_low, ours.astm_high) == bounds(row["d6751"])
    assert ours.en_unit == row["en_unit"]


def bounds(text: str) -> tuple[float | None, float | None]:
    """">= 93 (...)", "860-900", "<= 5" or "none" as two bounds."""
    if text == "none":
        return None, None
    if text.startswith((">=", "<=")):
        number = float(text.split()[1])
        return (number, None) if text.startswith(">=") else (None, number)
    low, high = text.split("-")
    return float(low), float(high)


def test_every_fuel_limit_stands_in_the_copies_read() -> None:
    assert {one.property for one in fuel.FUEL_LIMITS} == {r["property"] for r in rows("fuel_limit")}
