"""The charge of two hundred made-up batches, worked out anew from moles and percentages.

Nothing of the chemistry package but batch_sheet() takes part: molar masses are molmass's, the
Student factor is scipy's, methanol is 790.9 kg/m3 at 20 degC (CoolProp, de Reuck & Craven).
The acid of the oil, in moles, is what ties titre, catalyst, acid value, soap and water together.
"""

from __future__ import annotations

import statistics
from random import Random

import pytest
from molmass import Formula

from esterward.chemistry.sheet import batch_sheet
from esterward.values.batch import Batch

G_PER_MOL = {"KOH": Formula("KOH").mass, "NaOH": Formula("NaOH").mass}
SOAP = {"KOH": Formula("C18H33O2K").mass, "NaOH": Formula("C18H33O2Na").mass}
USUAL_BASE = {"KOH": 7.0, "NaOH": 5.0}  # common practice, no source


def made_up(dice: Random) -> Batch:
    titrant = dice.choice(("same stock", "pure"))
    first = dice.uniform(0.5, 6.0)
    base = dice.choice((None, 6.0, 7.5))
    return Batch(
        oil_volume_l=dice.uniform(1.0, 400.0), oil_density_kg_per_l=dice.uniform(0.88, 0.95),
        oil_molar_mass_g_per_mol=dice.uniform(800.0, 900.0),
        titration_readings_ml=(first, *(first + dice.uniform(-0.2, 0.2)
                                        for _ in range(dice.randint(1, 5)))),
        titrant=titrant, titrant_kind=dice.choice(("", "KOH", "NaOH")) if titrant == "pure" else "",
        titrant_g_per_l=dice.choice((0.5, 1.0, 2.0)), titration_sample_ml=dice.choice((1.0, 5.0)),
        titration_blank_ml=dice.choice((0.0, 0.1)), catalyst_kind=dice.choice(("KOH", "NaOH")),
        catalyst_purity=dice.uniform(0.5, 1.0), base_g_per_l=base,
        base_as_weighed=base is not None and dice.random() < 0.5,
        methanol_share=dice.uniform(0.1, 0.4))


@pytest.mark.parametrize("seed", range(10))
def test_grams_litres_acid_soap_and_water_come_out_the_same_by_moles(seed: int) -> None:
    from scipy import stats  # heavy: see tests/libraries.py
    dice = Random(seed)
    for _ in range(20):
        batch = made_up(dice)
        sheet = batch_sheet(batch, None)
        got, spirit, made = sheet.catalyst, sheet.methanol, sheet.products
        assert not sheet.errors and got is not None and spirit is not None and made is not None
        litres, kind, purity = batch.oil_volume_l, batch.catalyst_kind, batch.catalyst_purity
        readings = batch.titration_readings_ml
        ml = statistics.mean(readings) - batch.titration_blank_ml
        g_per_ml = batch.titrant_g_per_l / batch.titration_sample_ml  # per L of oil, as weighed
        true_share = purity if batch.titrant == "same stock" else 1.0
        acid_mol = litres * ml * g_per_ml * true_share / G_PER_MOL[batch.titrant_kind or kind]
        for_acid_g = acid_mol * G_PER_MOL[kind] / purity
        base = batch.base_g_per_l or USUAL_BASE[kind]
        catalyst_g = litres * (base if batch.base_as_weighed else base / purity)
        total_g = for_acid_g + catalyst_g
        half_ml = (stats.t.ppf(0.975, len(readings) - 1) * statistics.stdev(readings)
                   / len(readings) ** 0.5)
        assert got.mass_g == pytest.approx(total_g, rel=1e-4)
        assert got.mass_high_g == pytest.approx(total_g + for_acid_g * half_ml / ml, rel=1e-4)
        assert got.mass_low_g == pytest.approx(
            total_g - for_acid_g * min(1.0, half_ml / ml), rel=1e-4)
        oil_kg = litres * batch.oil_density_kg_per_l
        assert sheet.acid_value_mg_koh_per_g == pytest.approx(
            acid_mol * G_PER_MOL["KOH"] / oil_kg, rel=1e-4)
        assert spirit.volume_l == pytest.approx(batch.methanol_share * litres
                                                if batch.methanol_share else 0.0)
        oil_mol = 1000.0 * oil_kg / batch.oil_molar_mass_g_per_mol
        assert spirit.molar_ratio == pytest.approx(
            spirit.volume_l * 790.9 / Formula("CH4O").mass / oil_mol, rel=5e-4)
        assert 1000.0 * made.soap_kg == pytest.approx(acid_mol * SOAP[kind], rel=5e-4)
        water_mol = acid_mol + (total_g * purity / G_PER_MOL[kind] - acid_mol)
        water_g = water_mol * Formula("H2O").mass + total_g * (1.0 - purity)
        assert 1000.0 * (made.water_neutralising_kg + made.water_catalyst_kg
                         + made.water_in_catalyst_kg) == pytest.approx(water_g, rel=5e-4)
