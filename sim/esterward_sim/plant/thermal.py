"""Heat: element, two zones of oil, wall, room. Closed in energy to rounding error.

The element has its own heat capacity and hands its heat to the liquid by its surface (stirred
or still) or, uncovered, to the headspace. Mixed, the two zones are one; still, the zone below
the element lags behind and a warm zone below rises by itself. The wall stands between liquid
and room so that the whole loss equals figures.reactor_loss_w_per_k. Ledger: every joule that
came, went or is stored.
"""

from __future__ import annotations

from math import exp

from esterward.chemistry.figures import reactor_loss_w_per_k
from esterward.values.reactor import Reactor
from esterward_sim.plant.parameters import (
    ELEMENT_J_PER_K_W,
    STEEL_J_PER_KG_K,
    Parameters,
)

LOWER_SHARE = 0.15          # of the liquid, below the element
MIXED_S = 8.0               # time constant of the zones while the pump circulates; estimate
RISING_S = 30.0             # of warm liquid below rising; estimate
ZONE_W_PER_K_PER_J = 1.0 / 12000.0  # still, conduction and slow eddies; estimate
AIR_SHARE_PER_K = 1.0 / 500.0       # uncovered element: its power per K of excess temperature
EMPTY_J_PER_K = 600.0  # about 0.3 L: the liquid is then where the wall is


class Thermal:
    """Temperatures in degC, energies in J since the start.

    What came and went: element_j, pump_j in; lost_j (to the room), vapour_j out. The liquid's
    own heat is in vessel.py, which also closes the balance.
    """

    def __init__(self, reactor: Reactor, p: Parameters, start_c: float) -> None:
        element_w, vessel_l = reactor.element_w, reactor.vessel_l
        loss_w_per_k = reactor_loss_w_per_k(reactor)
        self.element_j_per_k = (ELEMENT_J_PER_K_W * element_w if p.element_j_per_k is None
                                else p.element_j_per_k)
        self._stirred_w_per_k = element_w / p.element_rise_k
        self._still_w_per_k = self._stirred_w_per_k * p.still_factor
        self._air_w_per_k = element_w * AIR_SHARE_PER_K
        vessel_kg = 0.15 * vessel_l if p.vessel_kg is None else p.vessel_kg
        self.wall_j_per_k = max(1.0, vessel_kg * STEEL_J_PER_KG_K)
        wall_w_per_k = p.wall_w_per_k
        if wall_w_per_k is None:  # about 60 W/m2/K inside a drum; far above the loss
            wall_w_per_k = max(15.0 * loss_w_per_k, 0.6 * vessel_l)
        self.wall_w_per_k = wall_w_per_k
        # in series with the inside film this gives the reactor's loss
        self.outside_w_per_k = 1.0 / (1.0 / loss_w_per_k - 1.0 / wall_w_per_k)
        self.element_c = self.wall_c = self.upper_c = self.lower_c = start_c
        self.element_j = self.pump_j = self.lost_j = self.vapour_j = 0.0

    @property
    def oil_c(self) -> float:
        """Mean of the two zones by heat capacity."""
        return (1.0 - LOWER_SHARE) * self.upper_c + LOWER_SHARE * self.lower_c

    def stored_j(self) -> float:
        """Heat in element and wall above 0 degC."""
        return self.element_j_per_k * self.element_c + self.wall_j_per_k * self.wall_c

    def step(self, dt_s: float, element_j: float, pump_j: float, mixed: bool, covered: bool,
             capacity_j_per_k: float, room_c: float) -> None:
        """dt_s seconds with this much electrical energy; capacity is the liquid's."""
        self.element_j += element_j
        if covered:
            w_per_k = self._stirred_w_per_k if mixed else self._still_w_per_k
            sink_c = self.upper_c
        else:
            w_per_k, sink_c = self._air_w_per_k, room_c
        steady_c = sink_c + element_j / (dt_s * w_per_k)
        before_c = self.element_c
        self.element_c = steady_c + (before_c - steady_c) * exp(
            -dt_s * w_per_k / self.element_j_per_k
        )
        given_j = element_j - self.element_j_per_k * (self.element_c - before_c)
        wall_c = self.wall_c
        if capacity_j_per_k < EMPTY_J_PER_K:
            self.wall_c = room_c + (wall_c - room_c) * exp(
                -dt_s * self.outside_w_per_k / self.wall_j_per_k
            )
            self.lost_j += (given_j + self.wall_j_per_k * (wall_c - self.wall_c)
                            + capacity_j_per_k * (self.oil_c - self.wall_c))
            self.upper_c = self.lower_c = self.wall_c
            return
        upper_j_per_k = (1.0 - LOWER_SHARE) * capacity_j_per_k
        lower_j_per_k = LOWER_SHARE * capacity_j_per_k
        if not covered:
            self.lost_j += given_j
            given_j = 0.0
        self.pump_j += pump_j
        upper_c, lower_c = self.upper_c, self.lower_c
        # the wall goes exponentially to its place between liquid and room; its mean over the
        # step gives both flows, so that what enters less what leaves is what it keeps
        inside, outside = self.wall_w_per_k, self.outside_w_per_k
        even_c = (inside * self.oil_c + outside * room_c) / (inside + outside)
        spans = dt_s * (inside + outside) / self.wall_j_per_k
        mean_c = even_c + (wall_c - even_c) * (1.0 - exp(-spans)) / spans
        upper_j = inside * (1.0 - LOWER_SHARE) * (upper_c - mean_c) * dt_s
        lower_j = inside * LOWER_SHARE * (lower_c - mean_c) * dt_s
        out_j = outside * (mean_c - room_c) * dt_s
        self.lost_j += out_j
        self.wall_c = wall_c + (upper_j + lower_j - out_j) / self.wall_j_per_k
        upper_c += (given_j + pump_j - upper_j) / upper_j_per_k
        lower_c -= lower_j / lower_j_per_k
        apart_k = upper_c - lower_c
        if mixed:
            time_s = MIXED_S
        elif apart_k < 0.0:
            time_s = RISING_S
        else:
            time_s = 1.0 / ZONE_W_PER_K_PER_J
        even_k = apart_k * (1.0 - exp(-dt_s / time_s))
        self.upper_c = upper_c - LOWER_SHARE * even_k
        self.lower_c = lower_c + (1.0 - LOWER_SHARE) * even_k

    def warm(self, joules: float, capacity_j_per_k: float) -> None:
        """Heat (or, negative, cold) that appears evenly in the liquid."""
        rise_k = joules / capacity_j_per_k
        self.upper_c += rise_k
        self.lower_c += rise_k

    def pour(self, capacity_j_per_k: float, in_j_per_k: float, in_c: float, mixed: bool) -> None:
        """Liquid of in_c joins; capacity is the liquid's before."""
        total = capacity_j_per_k + in_j_per_k
        if mixed or capacity_j_per_k < EMPTY_J_PER_K:
            rise_k = in_j_per_k * (in_c - self.oil_c) / total
            if capacity_j_per_k < EMPTY_J_PER_K:
                self.upper_c = self.lower_c = self.oil_c + rise_k
            else:
                self.upper_c += rise_k
                self.lower_c += rise_k
            return
        upper = (1.0 - LOWER_SHARE) * capacity_j_per_k
        self.upper_c += in_j_per_k * (in_c - self.upper_c) / (upper + in_j_per_k)
        lower_in = LOWER_SHARE * in_j_per_k  # the zones keep their shares: some sinks
        lower = LOWER_SHARE * capacity_j_per_k
        self.lower_c += lower_in * (self.upper_c - self.lower_c) / (lower + lower_in)

    def drain(self, capacity_j_per_k: float, out_j_per_k: float) -> float:
        """Liquid leaves at the bottom; gives its temperature."""
        out_c = self.lower_c
        left = capacity_j_per_k - out_j_per_k
        if left > EMPTY_J_PER_K:
            lower_left = LOWER_SHARE * capacity_j_per_k - out_j_per_k
            want = LOWER_SHARE * left
            self.lower_c += (want - lower_left) / want * (self.upper_c - self.lower_c)
        return out_c
