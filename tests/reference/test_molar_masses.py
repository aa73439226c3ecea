"""Molar masses beside molmass 2026.1.8 (IUPAC atomic weights)."""

from __future__ import annotations

import pytest
from molmass import Formula

from esterward.chemistry import substances


@pytest.mark.parametrize(("formula", "ours"), [
    ("KOH", substances.KOH),
    ("NaOH", substances.NAOH),
    ("CH3OH", substances.METHANOL),
    ("H2O", substances.WATER),
    ("C3H8O3", substances.GLYCEROL),
    ("C57H104O6", substances.TRIOLEIN),
    ("C18H33O2K", substances.POTASSIUM_OLEATE),
    ("C18H33O2Na", substances.SODIUM_OLEATE),
    ("K", substances.POTASSIUM),
    ("Na", substances.SODIUM),
])
def test_the_molar_mass_is_that_of_the_atomic_weights(formula: str, ours: float) -> None:
    assert ours == pytest.approx(Formula(formula).mass, abs=0.003)


def test_the_reaction_conserves_mass() -> None:
    # triolein + 3 methanol -> 3 methyl oleate + glycerol
    before = substances.TRIOLEIN + 3.0 * substances.METHANOL
    after = 3.0 * Formula("C19H36O2").mass + substances.GLYCEROL
    assert before == pytest.approx(after, abs=0.01)


def test_soap_and_water_come_out_of_acid_and_base() -> None:
    for base, soap in ((substances.KOH, substances.POTASSIUM_OLEATE),
                       (substances.NAOH, substances.SODIUM_OLEATE)):
        assert Formula("C18H34O2").mass + base == pytest.approx(soap + substances.WATER, abs=0.01)
