"""Kinetics against the published sets, and what spoils a home batch."""

import pytest

from esterward_sim.plant import Plant
from esterward_sim.plant.contents import KG_TG, Contents
from esterward_sim.plant.reaction import (
    DC_BASE_MOL_PER_KG,
    NZ_BASE_MOL_PER_KG,
    Reaction,
    dc_constants,
    nz_constants,
)
from libraries import solve_ivp
from plant.plant_rig import BATCH, CATALYST_G, go, plant_with_oil

# TG conversion and ester yield by scipy LSODA of Noureddini & Zhu 1997 (JAOCS 74:1457; k at
# 50 degC and Ea from memory), one phase, 915 g/L oil, methanol 791.5 g/L: facts section 4.
NZ_TABLE = [
    (6.0, 50, 1, 0.2133, 0.1063), (6.0, 50, 10, 0.7538, 0.6418), (6.0, 50, 60, 0.8884, 0.8361),
    (6.0, 55, 5, 0.6907, 0.5514), (6.0, 55, 30, 0.8889, 0.8338), (6.0, 55, 120, 0.8977, 0.8458),
    (6.0, 60, 1, 0.3474, 0.2135), (6.0, 60, 20, 0.8920, 0.8349), (6.0, 60, 600, 0.9047, 0.8528),
    (4.8, 50, 5, 0.5482, 0.3869), (4.8, 50, 60, 0.8169, 0.7482), (4.8, 55, 10, 0.7341, 0.6157),
    (4.8, 55, 60, 0.8283, 0.7596), (4.8, 60, 1, 0.2996, 0.1738), (4.8, 60, 30, 0.8328, 0.7614),
]
# Darnoko & Cheryan 2000 (JAOCS 77:1263; table from memory), 1/w - 1/w0 = k t, w0 = 82.16 wt%.
DC_TABLE = [
    (50, 5, 0.8809), (50, 20, 0.9673), (50, 60, 0.9889), (55, 5, 0.9079), (55, 30, 0.9834),
    (60, 10, 0.9672), (60, 60, 0.9944), (65, 5, 0.9518), (65, 30, 0.9916),
]


def ideal(kinetics: str) -> Reaction:
    return Reaction(kinetics, mixing_limited=False, glycerol_separates=False, soap_forms=False)


def fresh(ratio: float, base_mol_per_kg: float) -> Contents:
    c = Contents(oil_density_20=915.0)
    c.tg = 100.0
    c.methanol = 100.0 * ratio
    c.base = base_mol_per_kg * c.tg * KG_TG
    return c


@pytest.mark.parametrize(("ratio", "t_c", "minutes", "conversion", "ester"), NZ_TABLE)
def test_three_reversible_steps_give_the_published_conversions(
    ratio: float, t_c: float, minutes: int, conversion: float, ester: float
) -> None:
    c, reaction = fresh(ratio, NZ_BASE_MOL_PER_KG), ideal("noureddini-zhu")
    for _ in range(minutes * 60):
        # the published rates are for a fixed amount of base per kg of oil taken in
        c.base = NZ_BASE_MOL_PER_KG * c.fuel_kg
        reaction.step(1.0, c, t_c, True)
    assert 1.0 - c.tg / 100.0 == pytest.approx(conversion, abs=0.003)
    assert c.ester / 300.0 == pytest.approx(ester, abs=0.003)


@pytest.mark.parametrize(("t_c", "minutes", "conversion"), DC_TABLE)
def test_second_order_in_triglyceride_gives_the_published_conversions(
    t_c: float, minutes: int, conversion: float
) -> None:
    c, reaction = fresh(6.0, DC_BASE_MOL_PER_KG), ideal("darnoko-cheryan")
    for _ in range(minutes * 60):
        c.base = DC_BASE_MOL_PER_KG * c.fuel_kg
        reaction.step(1.0, c, t_c, True)
    assert 1.0 - c.tg / 100.0 == pytest.approx(conversion, abs=0.003)


@pytest.mark.parametrize("t_c", [50.0, 57.0])
def test_a_run_of_the_reversible_set_agrees_with_scipy(t_c: float) -> None:
    k1, k2, k3, k4, k5, k6 = nz_constants(t_c)
    c, reaction = fresh(4.8, NZ_BASE_MOL_PER_KG), ideal("noureddini-zhu")
    litres = c.volume_l(20.0)

    def slope(_: float, y: list[float]) -> list[float]:
        tg, dg, mg, gl, me, es = y
        r1 = k1 * tg * me - k2 * dg * es
        r2 = k3 * dg * me - k4 * mg * es
        r3 = k5 * mg * me - k6 * gl * es
        return [-r1, r1 - r2, r2 - r3, r3, -r1 - r2 - r3, r1 + r2 + r3]

    sun = solve_ivp(slope, (0, 60), [c.tg / litres, 0, 0, 0, c.methanol / litres, 0],
                    method="LSODA", rtol=1e-9, atol=1e-12, t_eval=[2, 10, 30, 60])
    at = 0
    for i, minutes in enumerate((2, 10, 30, 60)):
        for _ in range((minutes - at) * 60):
            c.base = NZ_BASE_MOL_PER_KG * c.fuel_kg
            reaction.step(1.0, c, t_c, True)
        at = minutes
        tg, dg, mg, gl, me, es = (y[i] * litres for y in sun.y)
        assert (c.tg, c.dg, c.mg) == pytest.approx((tg, dg, mg), abs=0.2)
        assert (c.glycerol, c.methanol, c.ester) == pytest.approx((gl, me, es), abs=0.5)


def test_constants_at_the_published_temperatures_are_the_published_ones() -> None:
    assert nz_constants(55.0) == pytest.approx(
        (0.0683, 0.1392, 0.3444, 1.7380, 0.2818, 0.0088), rel=0.01)
    assert nz_constants(60.0) == pytest.approx(
        (0.0924, 0.1750, 0.5440, 2.4343, 0.3267, 0.0110), rel=0.01)
    assert dc_constants(55.0) == pytest.approx((0.024, 0.051, 0.158))
    assert dc_constants(65.0) == pytest.approx((0.048, 0.098, 0.191))


def test_with_glycerol_leaving_the_reversible_set_goes_past_its_one_phase_end() -> None:
    # one phase stops at 0.836 in an hour at 50 degC, 6:1; with k6 = 0 it is 0.946 (facts, 6)
    c = fresh(6.0, NZ_BASE_MOL_PER_KG)
    reaction = Reaction("noureddini-zhu", False, True, False)
    for _ in range(3600):
        c.base = NZ_BASE_MOL_PER_KG * c.fuel_kg
        reaction.step(1.0, c, 50.0, True)
    assert 0.90 < c.ester / 300.0 < 0.946


def test_mass_and_glycerol_backbones_are_conserved() -> None:
    plant = plant_with_oil(55.0)
    plant.pour_methoxide(24.0, CATALYST_G, 28.0, 60.0)
    go(plant, 65)
    c = plant.contents
    kg, backbones = c.kg, c.tg + c.dg + c.mg + c.glycerol
    chains = 3 * c.tg + 2 * c.dg + c.mg + c.ester + c.ffa + c.soap
    go(plant, 5400, mixer=True)
    assert c.kg == pytest.approx(kg, rel=2e-5)
    assert c.tg + c.dg + c.mg + c.glycerol == pytest.approx(backbones, rel=1e-9)
    assert 3 * c.tg + 2 * c.dg + c.mg + c.ester + c.ffa + c.soap == pytest.approx(chains, rel=1e-9)


def mixed(charge: float = 1.0, methanol: float = 1.0, minutes: float = 90.0, mixer: bool = True,
          oil_c: float = 55.0, **parameters: float) -> Plant:
    plant = plant_with_oil(oil_c, **parameters)
    plant.pour_methoxide(24.0 * methanol, CATALYST_G * charge, 28.0, 900.0)
    go(plant, 900 + minutes * 60, mixer=mixer)
    return plant


def test_a_proper_charge_is_clear_after_its_hour_and_a_half_and_ends_above_45_degrees() -> None:
    plant = mixed()
    assert plant.conversion_check() and plant.unreacted_ml == 0.0
    assert plant.oil_c > 45.0
    assert 0.93 < plant.ester_share < 0.975
    # facts section 3: about 58 g/L methanol left at 20 vol%, so about 9 L in 120 L of oil
    assert plant.methanol_l == pytest.approx(9.0, abs=1.5)


@pytest.mark.parametrize("wrong", [
    {"charge": 0.5, "methanol": 0.5}, {"charge": 0.5}, {"methanol": 0.5}, {"mixer": False},
    {"minutes": 10.0}, {"oil_c": 32.0, "minutes": 60.0},
])
def test_half_a_charge_or_no_mixing_or_no_time_is_not_clear(wrong: dict[str, float]) -> None:
    plant = mixed(**wrong)  # type: ignore[arg-type]
    assert not plant.conversion_check()
    assert plant.unreacted_ml > 0.05


def test_a_second_dose_finishes_what_half_a_catalyst_began() -> None:
    plant = mixed(charge=0.5)
    assert not plant.conversion_check()
    plant.pour_methoxide(5.0, CATALYST_G * 0.5, 28.0, 300.0)
    go(plant, 3900, mixer=True)
    assert plant.conversion_check()


def test_nothing_reacts_until_the_pump_has_dispersed_the_methanol() -> None:
    plant = plant_with_oil(55.0)
    plant.pour_methoxide(24.0, CATALYST_G, 28.0, 10.0)
    go(plant, 600)
    assert plant.ester_share < 1e-6
    go(plant, 5, mixer=True)
    first = plant.ester_share
    go(plant, 55, mixer=True)
    assert plant.ester_share > 10.0 * max(first, 1e-4)


def test_more_acid_and_more_water_leave_less_catalyst_and_more_soap() -> None:
    def end(**parameters: float) -> tuple[float, float, float]:
        plant = mixed(**parameters)
        return plant.contents.base, plant.contents.soap, plant.triglyceride_share

    usual, acid, wet = end(), end(titration_ml=6.0), end(oil_water_mg_per_kg=10000.0)
    for worse in (acid, wet):
        assert worse[0] < 0.9 * usual[0]
        assert worse[1] > 1.05 * usual[1]
        assert worse[2] > usual[2]


def test_soap_of_a_three_millilitre_titre_is_what_stoichiometry_says() -> None:
    # facts section 4: 3 mL of 1 g/L pure KOH per mL -> 17.1 g/L potassium oleate
    plant = plant_with_oil(55.0, batch=BATCH, titration_ml=3.0 / 0.9)
    plant.pour_methoxide(24.0, CATALYST_G, 28.0, 10.0)
    go(plant, 300, mixer=True)
    litres = 120.0 * (1.0 - 0.64145 * 35.0 / 918.0)  # the 120 L were measured at 55 degC
    grams_per_l = plant.contents.soap * plant.contents.soap_kg_per_mol * 1000.0 / litres
    assert grams_per_l == pytest.approx(17.1, abs=0.6)


def test_titration_readings_scatter_about_a_tenth_of_a_millilitre_round_the_true_acid() -> None:
    plant = plant_with_oil(20.0)
    readings = [plant.titration_ml() for _ in range(400)]
    mean = sum(readings) / len(readings)
    sd = (sum((r - mean) ** 2 for r in readings) / 399) ** 0.5
    assert mean == pytest.approx(3.0, abs=0.02)
    assert 0.06 < sd < 0.11
    assert all((r * 20.0) == pytest.approx(round(r * 20.0)) for r in readings)


def test_the_reaction_stops_within_minutes_of_the_pump() -> None:
    plant = mixed(minutes=2.0)
    go(plant, 600)
    after = plant.ester_share
    go(plant, 3600)
    assert plant.ester_share - after < 0.002
    go(plant, 1800, mixer=True)
    assert plant.ester_share - after > 0.02


def test_long_steps_of_the_reaction_agree_with_short_ones() -> None:
    # the midpoint rule: eight times the step, errors well below the table's
    ends = []
    for dt_s in (0.5, 4.0):
        c, reaction = fresh(6.0, DC_BASE_MOL_PER_KG), ideal("darnoko-cheryan")
        for _ in range(round(120.0 / dt_s)):
            reaction.step(dt_s, c, 55.0, True)
        ends.append(c.tg)
    assert ends[0] == pytest.approx(ends[1], rel=2e-3)


def test_catalyst_of_ninety_percent_brings_its_tenth_of_water() -> None:
    plant = plant_with_oil(55.0, oil_water_mg_per_kg=0.0, soap_forms=False)
    plant.pour_methoxide(24.0, 1000.0, 28.0, 1.0)
    go(plant, 5)
    assert plant.contents.water_kg == pytest.approx(0.1)
    assert plant.contents.base * 0.0561056 == pytest.approx(0.9)


@pytest.mark.parametrize("joules", [-25e3, 25e3])
def test_reaction_heat_moves_the_mix_by_the_published_span_and_is_booked(joules: float) -> None:
    # facts section 4: +/- 25 kJ per mol of triglyceride is 11 K in the mix
    without, given = mixed(minutes=30.0), mixed(minutes=30.0, reaction_j_per_mol=joules)
    share = 1.0 - without.contents.tg / 123.0
    assert (given.oil_c - without.oil_c) * (1.0 if joules > 0.0 else -1.0) == pytest.approx(
        11.0 * share, abs=1.5)
    assert abs(given.energy_error_j()) < 2e3
