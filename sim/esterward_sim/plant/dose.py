"""What a person pours in and lets out, and how warm methoxide gets while it is made.

A pour is a stream with a rate; the plant takes a slice of it at a time. Heat of solution in
methanol has no published value; the value for water (KOH 57.6, NaOH 44.5 kJ/mol, CRC) is an
upper bound, and one informal measurement implies half to three quarters of it: 0.7 is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from esterward_sim.plant.contents import CP_METHANOL, KG_BASE

SOLUTION_J_PER_MOL = {"KOH": 57.6e3, "NaOH": 44.5e3}
SOLUTION_SHARE = 0.7
METHANOL_KG_PER_L = 0.791  # at 20 degC
CAN_COOLS_S = 5400.0       # a 20 L can on the floor; estimate

OIL, METHOXIDE, WATER, DRAIN, DRAIN_WATER = "oil", "methoxide", "water", "drain", "drain water"


@dataclass(slots=True)
class Stream:
    """Litres still to flow, litres a second, degC; catalyst_g goes with the methanol."""

    kind: str
    left_l: float
    l_per_s: float
    at_c: float
    catalyst_g: float = 0.0

    def take(self, dt_s: float) -> tuple[float, float]:
        """(litres, grams of catalyst) of the next dt_s seconds."""
        litres = min(self.left_l, self.l_per_s * dt_s)
        grams = self.catalyst_g * (litres / self.left_l) if self.left_l > 0.0 else 0.0
        self.left_l -= litres
        self.catalyst_g -= grams
        return litres, grams


def stream(kind: str, litres: float, over_s: float, at_c: float,
           catalyst_g: float = 0.0) -> Stream:
    """A stream of litres over over_s seconds (at once when 0); ValueError on nonsense."""
    if not (litres >= 0.0 and over_s >= 0.0 and catalyst_g >= 0.0 and -50.0 < at_c < 300.0
            and litres < 1e5):
        raise ValueError(f"plant: cannot pour {litres} L of {kind} at {at_c} degC "
                         f"over {over_s} s with {catalyst_g} g")
    return Stream(kind, litres, litres / over_s if over_s > 0.0 else float("inf"), at_c,
                  catalyst_g)


def methoxide_c(kind: str, purity: float, catalyst_g: float, methanol_l: float, start_c: float,
                room_c: float, after_s: float) -> float:
    """Temperature of the can after_s seconds after all catalyst was dissolved, degC."""
    if methanol_l <= 0.0:
        return start_c
    joules = (catalyst_g * purity / 1000.0 / KG_BASE[kind] * SOLUTION_J_PER_MOL[kind]
              * SOLUTION_SHARE)
    j_per_k = methanol_l * METHANOL_KG_PER_L * CP_METHANOL + catalyst_g / 1000.0 * 1500.0
    peak_c = start_c + joules / j_per_k
    return room_c + (peak_c - room_c) * exp(-after_s / CAN_COOLS_S)
