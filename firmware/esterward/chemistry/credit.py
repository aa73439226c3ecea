"""How much a minute of mixing at some oil temperature is worth, in minutes at 55 degC.

Arrhenius with 14 kcal/mol: inside the 8..20 kcal/mol of Freedman, Butterfield & Pryde 1986
(JAOCS 63:1375) and near the 14.7 of Darnoko & Cheryan 2000 (JAOCS 77:1263). Used from 40 to
70 degC; colder mixing earns nothing, and nothing above 70 degC is worth more than 70 degC.
"""

from __future__ import annotations

from math import exp, isfinite

ACTIVATION_KCAL_PER_MOL = 14.0
REFERENCE_C = 55.0
LOWEST_C = 40.0
HIGHEST_C = 70.0
GAS_CONSTANT_KCAL_PER_MOL_K = 1.987204e-3

DONE_EQUIVALENT_MIN = 60.0
DONE_REAL_MIN = 60.0
ASK_ANYWAY_MIN = 180.0

_RATE_K = ACTIVATION_KCAL_PER_MOL / GAS_CONSTANT_KCAL_PER_MOL_K
_REFERENCE = _RATE_K / (REFERENCE_C + 273.15)


def mixing_weight(oil_c: float | None) -> float:
    """Equivalent minutes at 55 degC in one minute of mixing at oil_c; 0 when not known.

    Unlike the other public functions here it never raises: it is called every second, and a
    missing or impossible reading is simply worth nothing.
    """
    if oil_c is None or not isfinite(oil_c) or not oil_c >= LOWEST_C:
        return 0.0
    return exp(_REFERENCE - _RATE_K / (min(oil_c, HIGHEST_C) + 273.15))
