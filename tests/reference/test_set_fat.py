"""The sums behind melting set fat: the element's surface, and the hours.

Churchill, Chu, Int. J. Heat Mass Transfer 18 (1975) 1049, free convection around a horizontal
cylinder. Oil: conductivity 0.165 W/m/K, expansion 7.2e-4 1/K, 905 kg/m3, 2080 J/kg/K; viscosities
above 60 degC from memory.
"""

from __future__ import annotations

from itertools import pairwise
from math import exp, log
from pathlib import Path

import pytest

from esterward.chemistry.energy import HARD_FAT, MELT_DUTY, SOFT_FAT, melting_h, oil_kj_per_k
from esterward.process.targets import MELT_ON_S, MELT_PERIOD_S
from esterward.safety import limits
from esterward_sim.plant.parameters import ELEMENT_J_PER_K_W

VISCOSITY = ((20, .068), (40, .032), (55, .020), (80, .0105), (100, .0075), (150, .0037),
             (200, .0022), (300, .001))
DOCUMENT = Path(__file__).parents[2] / "docs/explanation/set-fat.md"


def film_w_per_m2_k(over_k: float, across_m: float, film_c: float) -> float:
    """Churchill and Chu, equation for all Rayleigh numbers."""
    for (low_c, low), (high_c, high) in pairwise(VISCOSITY):
        if film_c <= high_c:
            pa_s = exp(log(low) + (film_c - low_c) / (high_c - low_c) * log(high / low))
            break
    nu, alpha = pa_s / 905.0, 0.165 / 905.0 / 2080.0
    prandtl = nu / alpha
    rayleigh = 9.81 * 7.2e-4 * over_k * across_m**3 / (nu * alpha)
    root = 0.60 + 0.387 * rayleigh**(1 / 6) / (1 + (0.559 / prandtl)**(9 / 16))**(8 / 27)
    return root * root * 0.165 / across_m


def surface_c(w_per_cm2: float, fat_c: float = 45.0) -> float:
    low, high = 0.0, 500.0
    for _ in range(60):
        over_k = (low + high) / 2.0
        taken = film_w_per_m2_k(over_k, 0.0085, min(299.0, fat_c + over_k / 2.0)) * over_k
        low, high = (over_k, high) if taken < 1e4 * w_per_cm2 else (low, over_k)
    return fat_c + low


def test_the_documents_table_is_this_sum() -> None:
    rows = [line for line in DOCUMENT.read_text(encoding="utf-8").splitlines()
            if line.startswith(("| 2 (", "| 7 (", "| 10 |"))]
    assert len(rows) == 3
    for row in rows:
        head, *cells = (cell.strip() for cell in row.strip("|").split("|"))
        for share, cell in zip((0.05, 0.1, 0.2, 0.3, 1.0), cells, strict=True):
            assert abs(surface_c(float(head.split()[0]) * share) - float(cell.split()[0])) < 1.0


def test_at_the_share_of_the_pulses_even_an_element_for_water_stays_below_boiling_water() -> None:
    assert MELT_ON_S / MELT_PERIOD_S == MELT_DUTY < limits.MELT_SHARE
    assert surface_c(10.0 * MELT_DUTY) < 100.0
    assert surface_c(10.0 * limits.MELT_SHARE) < 100.0, "what the safety layer lets through too"
    assert surface_c(7.0 * 2 * MELT_DUTY) > 100.0, "twice as much would not"
    assert MELT_ON_S / ELEMENT_J_PER_K_W < 9.0, "kelvin of one pulse with nothing carried away"


@pytest.mark.parametrize("fat", [SOFT_FAT, HARD_FAT])
@pytest.mark.parametrize(("oil_l", "room_c", "loss", "element_w"), [
    (120.0, 15.0, 2.0, 3000.0), (120.0, 5.0, 4.0, 3000.0), (40.0, 20.0, 2.0, 1500.0)])
def test_the_hours_agree_with_a_heat_balance_stepped_by_the_minute(
    fat: tuple[float, float], oil_l: float, room_c: float, loss: float, element_w: float,
) -> None:
    """Melting spread evenly over the rise, the loss as of the moment; within 15 %."""
    flows_c, latent = fat
    start_c, c, hours = 10.0, 10.0, 0.0
    kj_per_k = oil_kj_per_k(oil_l) + oil_l * 0.918 * latent / (flows_c - start_c)
    while c < flows_c:
        c += (MELT_DUTY * element_w - loss * (c - room_c)) * 60.0 / (1000.0 * kj_per_k)
        hours += 1.0 / 60.0
    told = melting_h(oil_l, start_c, element_w, loss, room_c)[0 if fat == SOFT_FAT else 1]
    assert told == pytest.approx(hours, rel=0.15)


def test_a_vessel_that_loses_what_the_pulses_give_never_melts_its_fat() -> None:
    assert melting_h(120.0, 5.0, 3000.0, 8.0, 5.0)[1] is None
    assert melting_h(120.0, 5.0, 1000.0, 8.0, 5.0) == (None, None)


def test_what_the_effect_check_forgives_is_the_most_that_such_fat_takes() -> None:
    assert abs(limits.MELT_SHORT_K * 2.030 - HARD_FAT[1]) < 1e-6
