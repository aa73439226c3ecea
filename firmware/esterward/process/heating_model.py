"""What the heater law believes about the vessel, and how it learns it on line.

The belief is eight numbers with their covariance (an extended Kalman filter, R. E. Kalman
1960; the textbook form). Everything is counted in kelvin of oil, so neither watts nor litres
are needed:

    stored' = rate * on - loss            the oil once the element has given up its heat
    oil'    = (stored - oil) / element_s - loss
    probe'  = (oil - probe) / probe_s     what the reading follows
    loss    = loss_k_s + loss_slope * (oil - ref_c)

The mean moves every tick; the covariance, dearer, once a block of a few ticks. It knows
nothing of setpoints, ceilings or switches: that is heating.py.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, isfinite, sqrt
from typing import Final

STORED, OIL, PROBE, RATE, LOSS, SLOPE, ELEMENT_S, PROBE_S = range(8)

# What is believed of a vessel nobody has heated yet: (guess, standard deviation). Home vessels
# of 12-45 W/L heat at 0.006-0.025 K/s, a fifth of the oil five times as fast.
RATE_K_S: Final = (0.015, 0.02)
SLOPE_PER_S: Final = (4e-5, 3e-5)
ELEMENT_LAG_S: Final = (55.0, 20.0)
PROBE_LAG_S: Final = (34.0, 14.0)
ROOM_C: Final = 20.0
LAG_RANGE_S: Final = (3.0, 240.0)
RATE_RANGE_K_S: Final = (0.0005, 0.2)
LOSS_RANGE_K_S: Final = (-0.05, 0.05)
SLOPE_RANGE_PER_S: Final = (-1e-4, 6e-4)

# What a batch leaves to the next: name -> (index, usual, allowed). Whoever changes what one of
# these means must raise the version: a value of another version is no guess.
LEARNT_VERSION: Final = 1
LEARNT: Final = {
    "rate_k_s": (RATE, RATE_K_S, RATE_RANGE_K_S),
    "loss_slope": (SLOPE, SLOPE_PER_S, SLOPE_RANGE_PER_S),
    "element_s": (ELEMENT_S, ELEMENT_LAG_S, LAG_RANGE_S),
    "probe_s": (PROBE_S, PROBE_LAG_S, LAG_RANGE_S),
}
# So far, in standard deviations of the usual, may a guess move the beginning. The doubt stays
# that of a new vessel: with this share a guess wrong by a factor of 3 costs nothing, with the
# whole of it up to 1 K (tests/process/test_heating_learnt.py).
GUESS_SD: Final = 0.5

# The element's own heat at the first reading, K of oil: nothing, unless the oil is warm already
# and the law has lost its memory in the middle of heating.
HELD_SD_K: Final = 0.3
HELD_WARM_SD_K: Final = 1.0
WARM_C: Final = 40.0

BLOCK_S: Final = 4.0
READING_SD_K: Final = 0.03  # 0.0625 K / sqrt(12) = 0.018 K of the step, and a little jitter
# Random walk a second, as variances: what the model leaves out. The rate's share is the mains.
WALK_TEMPERATURES_K2_S: Final = 1e-7
WALK_PROBE_K2_S: Final = 1e-8
WALK_RATE_REL2_S: Final = 2e-6
WALK_LOSS_K2_S3: Final = 1e-13

# A surprise of three standard deviations, two blocks running, is something the model has no
# word for: cold oil poured in, a lid opened. Then the temperatures are followed and nothing is
# learnt of the vessel until it has been quiet for two minutes.
STRANGE_SD2: Final = 9.0
STILL_STRANGE_SD2: Final = 4.0
STRANGE_BLOCKS: Final = 2
QUIET_BLOCKS: Final = 30
YOUNG_BLOCKS: Final = 60  # before that the vessel itself is the surprise
SHOCK: Final = 5.0  # variance given to the temperatures, in squares of the surprise
WALK_STRANGE_K2: Final = 1e-4  # and a block, until it is quiet


@dataclass(slots=True)
class VesselModel:
    """The belief: means, covariance (rows by the indices above), and the block being summed.

    Temperatures degC, times s, rate and loss K/s, loss_slope 1/s. All plain numbers of fixed
    count; anchored is False until the first reading.
    """

    stored_c: float = 0.0
    oil_c: float = 0.0
    probe_c: float = 0.0
    rate_k_s: float = RATE_K_S[0]
    loss_k_s: float = 0.0
    loss_slope: float = SLOPE_PER_S[0]
    element_s: float = ELEMENT_LAG_S[0]
    probe_s: float = PROBE_LAG_S[0]
    ref_c: float = 0.0
    seen_c: float = 0.0  # the probe one tick ago: a conversion takes 0.75 s
    anchored: bool = False
    block_s: float = 0.0
    block_on_s: float = 0.0
    surprise_sum_k: float = 0.0
    surprises: int = 0
    blocks: int = 0  # learnt from, up to YOUNG_BLOCKS
    strange: int = 0  # in a row far outside what was expected
    quiet: int = 0  # still to pass before the vessel is learnt again
    cov: list[list[float]] = field(default_factory=lambda: [[0.0] * 8 for _ in range(8)])

    def anchor(self, reading_c: float, learnt: dict[str, float] | None) -> None:
        """Begin from a first reading, with what an earlier batch learnt as a guess only."""
        self.stored_c = self.oil_c = self.probe_c = self.seen_c = self.ref_c = reading_c
        guess = learnt or {}
        sd = [0.0] * 8
        for name, (index, (usual, usual_sd), allowed) in LEARNT.items():
            value = guess.get(name, usual)
            if not allowed[0] <= value <= allowed[1]:
                value = usual
            most = GUESS_SD * usual_sd
            setattr(self, name, _within(value, (usual - most, usual + most)))
            sd[index] = usual_sd
        self.loss_k_s = self.loss_slope * max(0.0, reading_c - ROOM_C)
        sd[LOSS] = 1e-4 + 0.5 * self.loss_k_s
        for i in range(8):
            self.cov[i] = [0.0] * 8
            self.cov[i][i] = sd[i] * sd[i]
        self._doubt_temperatures(0.03, HELD_SD_K if reading_c < WARM_C else HELD_WARM_SD_K)
        self.anchored = True
        self._begin_block()

    def _doubt_temperatures(self, oil_sd_k: float, element_sd_k: float) -> None:
        """Oil and probe known to oil_sd_k, the element's heat on top to element_sd_k."""
        for i in (STORED, OIL, PROBE):
            for j in range(8):
                self.cov[i][j] = self.cov[j][i] = 0.0
        common = oil_sd_k * oil_sd_k
        for i in (STORED, OIL, PROBE):
            for j in (STORED, OIL, PROBE):
                self.cov[i][j] = common
        self.cov[STORED][STORED] += element_sd_k * element_sd_k
        self.cov[PROBE][PROBE] += 1e-4

    def _begin_block(self) -> None:
        self.block_s = self.block_on_s = self.surprise_sum_k = 0.0
        self.surprises = 0

    def rest(self, gap_s: float, reading_c: float | None, was_on: bool | None) -> None:
        """A time nobody watched: the element's heat has gone over, and the oil is in doubt.

        The element is taken as off, since every lease has lapsed, unless told that it was on.
        """
        gone = exp(-gap_s / self.element_s)
        held = (self.stored_c - self.oil_c) * gone
        doubt_k = 0.2 + 0.3 * abs(held)
        if was_on:
            held += self.rate_k_s * self.element_s * (1.0 - gone)
            doubt_k += held
        if reading_c is not None:
            self.oil_c = reading_c
        self.probe_c = self.seen_c = self.oil_c
        self.stored_c = self.oil_c + held
        self._doubt_temperatures(0.1 if reading_c is not None else 2.0, doubt_k)
        self._begin_block()

    def loss_at(self, oil_c: float) -> float:
        """K/s lost to the room with the oil at oil_c."""
        return self.loss_k_s + self.loss_slope * (oil_c - self.ref_c)

    def stored_sd_k(self) -> float:
        """Standard deviation of stored_c."""
        return sqrt(max(0.0, self.cov[STORED][STORED]))

    def step(self, dt_s: float, on: bool, reading_c: float | None) -> None:
        """Move on by dt_s (0..5) with the element on or off; then take in a reading."""
        oil_c = self.oil_c
        lost = dt_s * (self.loss_k_s + self.loss_slope * (oil_c - self.ref_c))
        self.seen_c = probe_c = self.probe_c
        self.probe_c = probe_c + (oil_c - probe_c) * dt_s / (self.probe_s + dt_s)
        self.oil_c = oil_c + (self.stored_c - oil_c) * dt_s / (self.element_s + dt_s) - lost
        if on:
            self.stored_c += dt_s * self.rate_k_s - lost
            self.block_on_s += dt_s
        else:
            self.stored_c -= lost
        self.block_s += dt_s
        if reading_c is not None:
            self.surprise_sum_k += reading_c - self.seen_c
            self.surprises += 1
        if self.block_s >= BLOCK_S:
            self._learn()

    def _learn(self) -> None:
        h, on_s = self.block_s, self.block_on_s
        self.blocks = min(self.blocks + 1, YOUNG_BLOCKS)
        p = self.cov
        above = self.oil_c - self.ref_c
        give = 1.0 - exp(-h / self.element_s)
        show = 1.0 - exp(-h / self.probe_s)
        d_give = -h * (self.stored_c - self.oil_c) / (self.element_s * self.element_s)
        d_show = -h * (self.oil_c - self.probe_c) / (self.probe_s * self.probe_s)
        hs = h * above
        fade = h * self.loss_slope
        p_v, p_t, p_p, p_r, p_q, p_k, p_e, p_b = p
        # Rows of F P for the three that move; the others stand still.
        m_v = [v - fade * t + on_s * r - h * q - hs * k
               for v, t, r, q, k in zip(p_v, p_t, p_r, p_q, p_k, strict=True)]
        keep = 1.0 - give - fade
        m_t = [keep * t + give * v - h * q - hs * k + d_give * e
               for t, v, q, k, e in zip(p_t, p_v, p_q, p_k, p_e, strict=True)]
        stay = 1.0 - show
        m_p = [stay * x + show * t + d_show * b
               for x, t, b in zip(p_p, p_t, p_b, strict=True)]
        vv = (m_v[0] - fade * m_v[1] + on_s * m_v[3] - h * m_v[4] - hs * m_v[5]
              + h * WALK_TEMPERATURES_K2_S)
        vt = keep * m_v[1] + give * m_v[0] - h * m_v[4] - hs * m_v[5] + d_give * m_v[6]
        vp = stay * m_v[2] + show * m_v[1] + d_show * m_v[7]
        tt = (keep * m_t[1] + give * m_t[0] - h * m_t[4] - hs * m_t[5] + d_give * m_t[6]
              + h * WALK_TEMPERATURES_K2_S)
        tp = stay * m_t[2] + show * m_t[1] + d_show * m_t[7]
        pp = stay * m_p[2] + show * m_p[1] + d_show * m_p[7] + h * WALK_PROBE_K2_S
        m_v[0], m_v[1], m_v[2] = vv, vt, vp
        m_t[0], m_t[1], m_t[2] = vt, tt, tp
        m_p[0], m_p[1], m_p[2] = vp, tp, pp
        p[0], p[1], p[2] = m_v, m_t, m_p
        for i in range(3, 8):
            row = p[i]
            row[0], row[1], row[2] = m_v[i], m_t[i], m_p[i]
        p_r[RATE] += h * WALK_RATE_REL2_S * self.rate_k_s * self.rate_k_s
        p_q[LOSS] += h * WALK_LOSS_K2_S3
        if self.surprises:
            self._correct(self.surprise_sum_k / self.surprises)
        self._begin_block()

    def _correct(self, surprise_k: float) -> None:
        if self._strange(surprise_k):
            return
        p = self.cov
        column = p[PROBE]
        spread = column[PROBE] + READING_SD_K * READING_SD_K
        gain = [x / spread for x in column]
        if self.quiet:
            self._follow(gain, surprise_k)
            return
        for i, g in enumerate(gain):
            p[i] = [x - g * c for x, c in zip(p[i], column, strict=True)]
        self.stored_c += gain[STORED] * surprise_k
        self.oil_c += gain[OIL] * surprise_k
        self.probe_c += gain[PROBE] * surprise_k
        self.rate_k_s = _within(self.rate_k_s + gain[RATE] * surprise_k, RATE_RANGE_K_S)
        self.loss_k_s = _within(self.loss_k_s + gain[LOSS] * surprise_k, LOSS_RANGE_K_S)
        self.loss_slope = _within(self.loss_slope + gain[SLOPE] * surprise_k,
                                  SLOPE_RANGE_PER_S)
        self.element_s = _within(self.element_s + gain[ELEMENT_S] * surprise_k, LAG_RANGE_S)
        self.probe_s = _within(self.probe_s + gain[PROBE_S] * surprise_k, LAG_RANGE_S)

    def _strange(self, surprise_k: float) -> bool:
        """Whether to pass this block over; widens the temperatures when it is no accident."""
        p = self.cov
        limit = STILL_STRANGE_SD2 if self.quiet else STRANGE_SD2
        spread = p[PROBE][PROBE] + READING_SD_K * READING_SD_K
        more = 0.0
        if surprise_k * surprise_k > limit * spread:
            self.strange += 1
            if self.strange < STRANGE_BLOCKS:
                return True  # one odd block is noise
            if self.blocks >= YOUNG_BLOCKS:
                self.quiet = QUIET_BLOCKS + 1
            more = SHOCK * surprise_k * surprise_k
        else:
            self.strange = 0
        if self.quiet:
            self.quiet -= 1
            more += WALK_STRANGE_K2
        if more:
            for i in (STORED, OIL):
                for j in (STORED, OIL):
                    p[i][j] += more
        return False

    def _follow(self, gain: list[float], surprise_k: float) -> None:
        """Correct the three temperatures only; the gain of the other five is taken as 0."""
        p = self.cov
        column = list(p[PROBE])
        for i in (STORED, OIL, PROBE):
            p[i] = [x - gain[i] * c for x, c in zip(p[i], column, strict=True)]
        for i in (STORED, OIL, PROBE):
            for j in range(RATE, 8):
                p[j][i] = p[i][j]
        self.stored_c += gain[STORED] * surprise_k
        self.oil_c += gain[OIL] * surprise_k
        self.probe_c += gain[PROBE] * surprise_k

    def sound(self) -> bool:
        """Whether every belief is a finite number and no variance is negative."""
        means = (self.stored_c + self.oil_c + self.probe_c + self.rate_k_s + self.loss_k_s
                 + self.loss_slope + self.element_s + self.probe_s)
        v, t, p, r, q, k, e, b = self.cov
        return (isfinite(means)
                and 0.0 <= v[0] < 1e9 and 0.0 <= t[1] < 1e9 and 0.0 <= p[2] < 1e9
                and 0.0 <= r[3] < 1e9 and 0.0 <= q[4] < 1e9 and 0.0 <= k[5] < 1e9
                and 0.0 <= e[6] < 1e9 and 0.0 <= b[7] < 1e9)

    def learnt(self) -> dict[str, float]:
        """What the next batch may start from."""
        return {name: float(getattr(self, name)) for name in LEARNT}


def _within(value: float, allowed: tuple[float, float]) -> float:
    return min(max(value, allowed[0]), allowed[1])


