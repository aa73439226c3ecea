"""Liquids beside CoolProp 8.0.0 and fluids 1.3.1, over the ranges our functions claim."""

from __future__ import annotations

import pytest

from esterward.chemistry import separation, substances
from libraries import props_si, v_terminal


@pytest.mark.parametrize("c", range(-10, 70, 5))
def test_methanol_is_that_of_de_reuck_and_craven(c: int) -> None:
    state = ("T", c + 273.15, "P", 150e3, "Methanol")
    assert substances.methanol_density_kg_per_l(c) == pytest.approx(
        props_si("D", *state) / 1000.0, abs=0.0005)
    assert substances.methanol_heat_kj_per_kg_k(c) == pytest.approx(
        props_si("C", *state) / 1000.0, abs=0.006)


@pytest.mark.parametrize("c", range(0, 75, 5))
def test_ester_is_as_dense_as_methyl_oleate_of_huber(c: int) -> None:
    assert substances.ester_density_kg_per_l(c) == pytest.approx(
        props_si("D", "T", c + 273.15, "P", 101325, "MethylOleate") / 1000.0, abs=0.0005)


@pytest.mark.parametrize("c", [1, *range(5, 101, 5)])
def test_water_vapour_is_that_of_iapws_95(c: int) -> None:
    assert substances.water_vapour_kpa(c) == pytest.approx(
        props_si("P", "T", c + 273.15, "Q", 0, "Water") / 1000.0, rel=0.002)


@pytest.mark.parametrize("um", [1, 5, 20, 50, 100, 150, 200])
def test_a_drop_falls_as_fluids_computes(um: float) -> None:
    ours = separation.fall_mm_per_s(um, 1.2387, 0.8487, 2.88)
    theirs = 1000.0 * v_terminal(D=um * 1e-6, rhop=1238.7, rho=848.7, mu=2.88e-3)
    assert ours == pytest.approx(theirs, rel=0.03)
