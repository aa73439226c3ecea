"""Published kinetics, side by side, so that nobody takes one of them for a promise.

For 6:1 at 60 degC and 30 minutes the two sets give 0.90 and 0.99 of the oil turned, and the
first stops at an ester yield of 0.85: it has 0.2 % of catalyst, one liquid phase and glycerol
that never leaves. Practice with 20 % of methanol is at 4.8:1, below every cited study. Neither
is the yield of a home batch; only the conversion check on the batch itself counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import Final

from esterward.chemistry.ranges import within
from esterward.chemistry.wording import METRIC, Wording

GAS_CONSTANT_CAL_PER_MOL_K: Final = 1.987204

# Noureddini & Zhu 1997, JAOCS 74:1457: soybean oil, 6:1, NaOH 0.20 % by mass, 30..70 degC.
# L/mol/min at 50 degC for TG->DG, back, DG->MG, back, MG->glycerol, back; cal/mol. From memory,
# the rates confirmed in a public model code.
NZ_RATES_50C: Final = (0.050, 0.110, 0.215, 1.228, 0.242, 0.007)
NZ_ACTIVATION_CAL_PER_MOL: Final = (13145.0, 9932.0, 19860.0, 14639.0, 6421.0, 9588.0)
NZ_OIL_MOL_PER_L: Final = 915.0 / 885.43
NZ_METHANOL_MOL_PER_L: Final = 791.5 / 32.042
NZ_STEP_MIN: Final = 0.05
NZ_RATIO: Final = (3.0, 12.0)
NZ_RANGE_C: Final = (30.0, 70.0)

# Darnoko & Cheryan 2000, JAOCS 77:1263: palm oil, 6:1, KOH 1 % by mass. Rate of triglyceride
# in 1/(% min), law 1/w - 1/w0 = k t up to 30 min. Table from memory.
DC_RATES: Final = ((50.0, 0.018), (55.0, 0.024), (60.0, 0.036), (65.0, 0.048))
DC_START_PERCENT: Final = 82.16

COMPARED_MIN: Final = 30.0         # where the two are put side by side
COMPARED_C: Final = 60.0

Six = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Progress:
    """One published set at one time: fractions of 0..1. ester_yield None when not modelled."""

    minutes: float
    tg_conversion: float
    ester_yield: float | None


def disagreement(say: Wording = METRIC) -> str:
    """The plain statement that belongs beside every figure of this file."""
    return ("published rates disagree too much to foretell a batch: for the same 30 minutes at "
            f"{say.asked(COMPARED_C)} and 6 mol/mol one set stops at 85 % ester, another has "
            "turned 99 % of the oil. Only the conversion check on this batch counts.")


def noureddini_zhu(ratio: float, oil_c: float, minutes: tuple[float, ...]) -> list[Progress]:
    """Well-mixed batch at one temperature, at rising times of 0..600 min.

    Ratio 3..12 mol/mol, 30..70 degC. Fourth-order Runge-Kutta with steps of 0.05 min.
    """
    mol = within("methanol ratio", ratio, *NZ_RATIO, "mol/mol")
    rates = _nz_rates(within("oil temperature", oil_c, *NZ_RANGE_C, "degC"))
    litres = 1.0 / NZ_OIL_MOL_PER_L + mol / NZ_METHANOL_MOL_PER_L  # that hold one mol of oil
    oil, spirit = 1.0 / litres, mol / litres
    state: Six = (oil, 0.0, 0.0, 0.0, 0.0, spirit)
    out: list[Progress] = []
    at = 0.0
    for until in minutes:
        end = within("time", until, at, 600.0, "min")
        steps = max(1, round((end - at) / NZ_STEP_MIN))
        for _ in range(steps if end > at else 0):
            state = _runge_kutta(state, rates, (end - at) / steps)
        at = end
        out.append(Progress(at, 1.0 - state[0] / oil, state[4] / (3.0 * oil)))
    return out


def _nz_rates(oil_c: float) -> Six:
    span = 1.0 / 323.15 - 1.0 / (oil_c + 273.15)
    k = [k50 * exp(ea / GAS_CONSTANT_CAL_PER_MOL_K * span)
         for k50, ea in zip(NZ_RATES_50C, NZ_ACTIVATION_CAL_PER_MOL, strict=True)]
    return (k[0], k[1], k[2], k[3], k[4], k[5])


def _slope(c: Six, k: Six) -> Six:
    tg, dg, mg, glycerol, ester, spirit = c
    first = k[0] * tg * spirit - k[1] * dg * ester
    second = k[2] * dg * spirit - k[3] * mg * ester
    third = k[4] * mg * spirit - k[5] * glycerol * ester
    all_three = first + second + third
    return (-first, first - second, second - third, third, all_three, -all_three)


def _along(c: Six, slope: Six, by: float) -> Six:
    return (c[0] + by * slope[0], c[1] + by * slope[1], c[2] + by * slope[2],
            c[3] + by * slope[3], c[4] + by * slope[4], c[5] + by * slope[5])


def _runge_kutta(c: Six, k: Six, step: float) -> Six:
    a = _slope(c, k)
    b = _slope(_along(c, a, step / 2.0), k)
    d = _slope(_along(c, b, step / 2.0), k)
    e = _slope(_along(c, d, step), k)
    mean = [(a[i] + 2.0 * b[i] + 2.0 * d[i] + e[i]) / 6.0 for i in range(6)]
    return _along(c, (mean[0], mean[1], mean[2], mean[3], mean[4], mean[5]), step)


def darnoko_cheryan(oil_c: float, minutes: float) -> Progress:
    """Triglyceride turned at 50..65 degC (rates interpolated in the table) after 0..60 min."""
    c = within("oil temperature", oil_c, 50.0, 65.0, "degC")
    time_min = within("time", minutes, 0.0, 60.0, "min")
    index = max(i for i, (at_c, _) in enumerate(DC_RATES[:-1]) if at_c <= c)
    (c0, k0), (c1, k1) = DC_RATES[index], DC_RATES[index + 1]
    rate = k0 + (k1 - k0) * (c - c0) / (c1 - c0)
    left = 1.0 / (1.0 / DC_START_PERCENT + rate * time_min)
    return Progress(time_min, 1.0 - left / DC_START_PERCENT, None)
