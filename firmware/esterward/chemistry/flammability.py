"""When methanol vapour burns and harms. Sources disagree, so the lowest figure is kept.

Figures for cautions only: nothing here is a limit that the controller could enforce.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward.chemistry import boiling
from esterward.chemistry.ranges import within

FLASH_POINT_C: Final = 9.0            # IEC 60079-20-1:2010; others say 11 or 12
LOWER_LIMIT_PERCENT_V: Final = 6.0    # IEC 60079-20-1:2010, NFPA 497:2008
UPPER_LIMIT_PERCENT_V: Final = 36.0   # the same
AUTOIGNITION_C: Final = 385.0         # NFPA 497:2008; others say 440 or 464
EXPOSURE_8H_PPM: Final = 200.0        # OSHA PEL; ACGIH the same
EXPOSURE_15MIN_PPM: Final = 250.0     # ACGIH STEL

_SEARCH_STEPS: Final = 50


@dataclass(frozen=True, slots=True)
class Headspace:
    """Between these liquid temperatures the still air over methanol can be lit.

    Warmer it is too rich, but passes back through the range on cooling or on letting air in.
    """

    from_c: float
    to_c: float


def flammable_headspace(pressure_kpa: float) -> Headspace:
    """The range at 50..110 kPa, from the vapour pressure (Ambrose & Sprake 1970).

    Below 15 degC that equation is extrapolated; a lower end under 0 degC is given as 0.
    """
    kpa = within("pressure", pressure_kpa, *boiling.PRESSURE_RANGE_KPA, "kPa")
    return Headspace(_reaches_c(kpa * LOWER_LIMIT_PERCENT_V / 100.0),
                     _reaches_c(kpa * UPPER_LIMIT_PERCENT_V / 100.0))


def _reaches_c(vapour_kpa: float) -> float:
    low, high = boiling.VAPOUR_RANGE_C
    for _ in range(_SEARCH_STEPS):
        middle = (low + high) / 2.0
        if boiling.vapour_pressure_kpa(middle) < vapour_kpa:
            low = middle
        else:
            high = middle
    return low
