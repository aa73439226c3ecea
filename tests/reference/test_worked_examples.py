"""Worked examples of the trade and of the literature; the source stands beside each."""

from __future__ import annotations

import pytest

from esterward.chemistry import (
    boiling,
    charge,
    credit,
    energy,
    fuel,
    separation,
    substances,
    titration,
)
from esterward.chemistry.sheet import batch_sheet
from esterward.values.batch import Batch, Lot


def pure(base: float, oil_l: float) -> charge.Catalyst:
    """3 mL mean with pure KOH."""
    return charge.catalyst(oil_l, "KOH", 1.0, 3.0, base_g_per_l=base)


@pytest.mark.parametrize(("base", "per_litre", "per_jar"), [(7.0, 10.0, 4.0), (8.0, 11.0, 4.4)])
def test_three_ml_make_ten_or_eleven_grams_by_the_base(
    base: float, per_litre: float, per_jar: float
) -> None:
    # Common practice, no source: the "11" belongs to a base of 8, not of 7.
    assert pure(base, 1.0).total_g_per_l == pytest.approx(per_litre, abs=1e-12)
    assert pure(base, 0.4).mass_g == pytest.approx(per_jar, abs=1e-12)


def test_twenty_percent_of_a_jar_of_400_ml_is_80_ml() -> None:
    # Common practice, no source.
    assert charge.methanol(0.4, share=0.20).volume_l == pytest.approx(0.080, abs=1e-12)


@pytest.mark.parametrize(("oil_c", "lands_c"), [(54.44, 48.3), (57.22, 50.6), (62.78, 55.2)])
def test_cold_methanol_drops_the_oil_by_six_or_seven_degrees(
    oil_c: float, lands_c: float
) -> None:
    # Heat balance with de Reuck & Craven methanol and Zabransky triolein; no losses.
    assert energy.landing_c(oil_c, 20.0, 0.20) == pytest.approx(lands_c, abs=0.5)


@pytest.mark.parametrize(("grams", "kind", "rise_k"), [
    (10.0, "KOH", 24.9), (7.0, "KOH", 17.6), (8.0, "NaOH", 21.7), (5.0, "NaOH", 13.7)])
def test_dissolving_warms_methanol_by_no_more_than_the_heat_in_water(
    grams: float, kind: str, rise_k: float
) -> None:
    # CRC Handbook heats of solution in water; 0.2 L of methanol.
    got = charge.methoxide_rise_k(grams, kind, 1.0, 0.2)
    assert got <= rise_k + 0.05
    assert got == pytest.approx(rise_k, abs=0.2)


def test_an_informal_measurement_stays_below_the_bound() -> None:
    # 10 g of at least 95 % KOH in 100 mL of methanol in a glass: 26 to 48 degC, measured.
    assert charge.methoxide_rise_k(10.0, "KOH", 0.95, 0.1) > 48.0 - 26.0


@pytest.mark.parametrize(("um", "hours"), [(20.0, 9.8), (50.0, 1.57), (100.0, 0.39)])
def test_glycerol_drops_fall_half_a_metre_in_the_hours_practice_waits(
    um: float, hours: float
) -> None:
    # fluids.v_terminal: layer 1.05, ester with methanol 0.855 kg/L, 3.0 mPa.s.
    speed = separation.fall_mm_per_s(um, 1.050, 0.855, 3.0)
    assert 500.0 / speed / 3600.0 == pytest.approx(hours, rel=0.03)


def test_145_degf_is_no_longer_safe_above_about_575_m() -> None:
    # Common practice's limit beside U.S. Std Atm 1976 and seven vapour-pressure sources.
    limit_c = (145.0 - 32.0) / 1.8
    assert boiling.boiling_point_c(boiling.standard_pressure_kpa(560.0)) > limit_c
    assert boiling.boiling_point_c(boiling.standard_pressure_kpa(590.0)) < limit_c


@pytest.mark.parametrize(("oil_c", "weight"), [(57.0, 1.14), (50.0, 0.72), (45.0, 0.51)])
def test_a_minute_of_mixing_is_worth_less_when_cooler(oil_c: float, weight: float) -> None:
    # Arrhenius with 14 kcal/mol (Freedman 1986: 8..20; Darnoko & Cheryan 2000: 14.7).
    assert credit.mixing_weight(oil_c) == pytest.approx(weight, abs=0.005)


def test_a_bad_lot_is_thinned_by_a_good_one() -> None:
    # 20 L of titre 6 with 100 L of titre 2: acid adds up by volume.
    assert titration.blend_titre((Lot(20.0, 6.0), Lot(100.0, 2.0))) == pytest.approx(320.0 / 120.0)


def test_ninety_percent_stock_makes_a_weaker_titrant_and_so_less_acid() -> None:
    # ISO 660: mg of KOH, not of what is in the can. 3.00 mL x 0.9 g/L / 0.918 g.
    same = batch_sheet(Batch(oil_volume_l=1.0, titration_readings_ml=(3.0,) * 3,
                             catalyst_purity=0.9), None)
    assert same.acid_value_mg_koh_per_g == pytest.approx(2.7 / 0.918)
    bought = batch_sheet(Batch(oil_volume_l=1.0, titration_readings_ml=(3.0,) * 3,
                               catalyst_purity=0.9, titrant="pure"), None)
    assert bought.acid_value_mg_koh_per_g == pytest.approx(3.0 / 0.918)


def test_a_koh_titre_doses_naoh_by_moles() -> None:
    # 3.00 x 39.9971 / 56.1056 + 5 = 7.139 g/L.
    sheet = batch_sheet(Batch(oil_volume_l=1.0, titration_readings_ml=(3.0,) * 3, titrant="pure",
                              titrant_kind="KOH", catalyst_kind="NaOH"), None)
    assert sheet.catalyst is not None
    assert sheet.catalyst.total_g_per_l == pytest.approx(7.139, abs=0.001)


def test_en_14104_gives_the_same_acid_value() -> None:
    # AV = 56.1 V c / m with c = 1 g/L / 56.1 g/mol: 2.0 mL on 20 g.
    assert fuel.acid_value_check(2.0, 1.0, 20.0, "KOH").value == pytest.approx(
        56.1 * 2.0 * (1.0 / 56.1) / 20.0)


def test_a_hundred_litres_take_1_82_kwh() -> None:
    # m cp dT with 91.8 kg and 2.04 kJ/kg/K.
    warming = energy.heating(100.0, 20.0, 55.0, 2000.0)
    assert warming is not None
    assert warming.oil_kwh == pytest.approx(91.8 * 2.04 * 35.0 / 3600.0, rel=0.01)
    assert warming.time_min == pytest.approx(54.6, abs=1.0)


def test_the_drained_layer_is_about_twice_the_pure_glycerol() -> None:
    # Estimate from the literature's split of methanol: about 145 mL per litre, +-20 %.
    made = charge.products(1.0, pure(7.0, 1.0), charge.methanol(1.0, share=0.20), 3.0)
    assert made.glycerol_pure_l == pytest.approx(0.0757, abs=0.0015)
    assert made.glycerol_low_l < 0.145 < made.glycerol_high_l
    assert (made.glycerol_low_l + made.glycerol_high_l) / 2 == pytest.approx(0.145, abs=0.005)


def test_clear_fuel_is_not_dry() -> None:
    # He et al.: 1,355 mg/kg at 20 degC is still clear; EN 14214 allows 500.
    assert separation.saturation_mg_per_kg(20.0) > 2.5 * separation.DRY_ENOUGH_MG_PER_KG
    # Room air of 60 % can never dry cold fuel to 500; warm fuel it can.
    assert separation.equilibrium_mg_per_kg(20.0, 20.0, 0.60) == pytest.approx(813.0, abs=2.0)
    assert separation.equilibrium_mg_per_kg(40.0, 20.0, 0.60) == pytest.approx(342.0, abs=3.0)
    assert separation.equilibrium_mg_per_kg(55.0, 20.0, 0.60) == pytest.approx(190.0, abs=2.0)
    assert separation.water_to_remove_g(87.4, 1500.0, 400.0) == pytest.approx(96.0, abs=0.5)


def test_oil_grows_by_two_and_a_half_percent_on_warming() -> None:
    # Esteban et al. 2012: 0.9182 to 0.8957 kg/L from 20 to 55 degC.
    assert substances.oil_volume_l(100.0, 20.0, 55.0) == pytest.approx(102.5, abs=0.1)
