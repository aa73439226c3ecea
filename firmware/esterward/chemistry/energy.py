"""Heat: warming the oil, where the dose lands, how the batch coasts, how long mixing takes.

The liquid is one well-stirred body with one loss to the room; what the vessel takes beside the
oil counts only when it was measured (extra, kJ/K). Room and start temperatures -20..45 degC, oil
up to 110 degC.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, pi
from typing import Final

from esterward.chemistry import substances
from esterward.chemistry.credit import (
    ASK_ANYWAY_MIN,
    DONE_EQUIVALENT_MIN,
    DONE_REAL_MIN,
    mixing_weight,
)
from esterward.chemistry.ranges import within

# Bare painted wall at 55 degC in air at 20 degC, convection and radiation (run in the library
# ht, good to 1.5); lagging of mineral wool or foam conducts about 0.04 W/m/K (handbook value,
# from memory).
BARE_W_PER_M2_K: Final = 10.8
LAGGING_W_PER_M_K: Final = 0.04
HEIGHT_PER_DIAMETER: Final = 1.5   # of a vessel whose diameter is not given: a drum's shape


# Set fat. Where it flows: lard 28..40, beef tallow 40..50 degC (melting ranges, food chemistry
# textbooks). Heat of melting: 100..150 kJ/kg for fats that are all solid; a used blend is half
# solid at most in a cold room (all from memory).
MELT_DUTY: Final = 0.10
SOFT_FAT: Final = (28.0, 30.0)   # degC where it flows, kJ/kg taken until then
HARD_FAT: Final = (48.0, 100.0)


@dataclass(frozen=True, slots=True)
class Heating:
    """From the cold oil to the setpoint: electricity used, minutes, and what the oil takes.

    measured: the vessel's own heat or loss is that of a recorded heat-up.
    """

    energy_kwh: float
    time_min: float
    oil_kwh: float
    measured: bool = False


@dataclass(frozen=True, slots=True)
class Coast:
    """The batch without heat, from the dose to the end of mixing.

    lands_c after the dose, end_c after mixing; equivalent_min at 55 degC earned in the first
    60 minutes of mixing; mixing_min expected until 60 of them are earned, at most 180.
    """

    lands_c: float
    end_c: float
    equivalent_min: float
    mixing_min: float


def oil_kj_per_k(oil_l: float, oil_kg_per_l: float = substances.OIL_KG_PER_L,
                 around_c: float = 37.0) -> float:
    """Heat capacity of 0.01..1e4 L of oil (litres at 20 degC) around a temperature."""
    litres = within("oil volume", oil_l, 0.01, 1e4, "L")
    density = within("oil density", oil_kg_per_l, 0.85, 0.98, "kg/L")
    return litres * density * substances.oil_heat_kj_per_kg_k(around_c)


def _with_extra(own: float, extra: float) -> float:
    """kJ/K of oil and vessel; half of the oil's own at least, whatever was measured."""
    return max(0.5 * own, own + within("measured heat capacity", extra, -5000.0, 5000.0, "kJ/K"))


def loss_w_per_k(vessel_l: float, lagging_mm: float, diameter_m: float | None = None) -> float:
    """Loss of an upright vessel of 1..5000 L with 0..200 mm of lagging all round."""
    area = wall_area_m2(vessel_l, diameter_m)
    thickness_m = within("lagging", lagging_mm, 0.0, 200.0, "mm") / 1000.0
    return area / (1.0 / BARE_W_PER_M2_K + thickness_m / LAGGING_W_PER_M_K)


def wall_area_m2(vessel_l: float, diameter_m: float | None = None) -> float:
    """Outside of an upright cylinder of 1..5000 L with both ends; diameter 0.05..3 m."""
    volume = within("vessel volume", vessel_l, 1.0, 5000.0, "L") / 1000.0
    if diameter_m is None:
        across = float((4.0 * volume / (pi * HEIGHT_PER_DIAMETER)) ** (1.0 / 3.0))
    else:
        across = within("vessel diameter", diameter_m, 0.05, 3.0, "m")
    return 4.0 * volume / across + pi * across * across / 2.0


def heating(
    oil_l: float, start_c: float, target_c: float, element_w: float, loss: float = 0.0,
    room_c: float = 20.0, oil_kg_per_l: float = substances.OIL_KG_PER_L, extra: float = 0.0,
    late_s: float = 0.0,
) -> Heating | None:
    """Warming oil at full power against a loss in W/K; None when the element cannot do it.

    extra: kJ/K the vessel takes beside the oil, as measured (may be negative: the element then
    gives more than its plate says). late_s: how late the reading follows the element, 0..600 s.
    oil_kwh counts the extra heat too.
    """
    start = within("start temperature", start_c, -20.0, 110.0, "degC")
    target = within("target temperature", target_c, -20.0, 110.0, "degC")
    power = within("element power", element_w, 1.0, 1e5, "W")
    w_per_k = within("heat loss", loss, 0.0, 2000.0, "W/K")
    room = within("room temperature", room_c, -20.0, 45.0, "degC")
    if target <= start:
        return Heating(0.0, 0.0, 0.0)
    own = oil_kj_per_k(oil_l, oil_kg_per_l, (start + target) / 2.0)
    j_per_k = 1000.0 * _with_extra(own, extra)
    late = within("run-on", late_s, 0.0, 600.0, "s")
    at_start, at_target = power - w_per_k * (start - room), power - w_per_k * (target - room)
    if not (at_start > 0.0 and at_target > 0.0):
        return None
    if w_per_k * (target - start) < 1e-6 * power:
        seconds = j_per_k * (target - start) / at_start
    else:
        seconds = j_per_k / w_per_k * log(at_start / at_target)
    return Heating(power * seconds / 3.6e6, (seconds + late) / 60.0,
                   j_per_k * (target - start) / 3.6e6)


def melting_h(
    oil_l: float, start_c: float, element_w: float, loss: float = 0.0, room_c: float = 20.0,
    oil_kg_per_l: float = substances.OIL_KG_PER_L, extra: float = 0.0,
) -> tuple[float | None, float | None]:
    """Hours of pulses at MELT_DUTY until set fat flows: least and most, None for never.

    Least: a soft fat of which half has melted at 28 degC; most: a hard one that is all molten at
    48 degC. The other arguments as for heating().
    """
    power = MELT_DUTY * within("element power", element_w, 1.0, 1e5, "W")
    start = within("start temperature", start_c, -20.0, 110.0, "degC")
    w_per_k = within("heat loss", loss, 0.0, 2000.0, "W/K")
    room = within("room temperature", room_c, -20.0, 45.0, "degC")
    litres = within("oil volume", oil_l, 0.01, 1e4, "L")
    kg = litres * within("oil density", oil_kg_per_l, 0.85, 0.98, "kg/L")

    def hours(flows_c: float, latent_kj_per_kg: float) -> float | None:
        own = _with_extra(oil_kj_per_k(oil_l, oil_kg_per_l, (start + flows_c) / 2.0), extra)
        kj = own * max(0.0, flows_c - start) + kg * latent_kj_per_kg
        spare_w = power - w_per_k * (0.5 * (start + flows_c) - room)
        if not (spare_w > 0.0 and power > w_per_k * (flows_c - room)):
            return None
        return kj / (3.6 * spare_w)

    return hours(*SOFT_FAT), hours(*HARD_FAT)


def landing_c(
    oil_c: float, methanol_c: float, share: float,
    oil_kg_per_l: float = substances.OIL_KG_PER_L,
) -> float:
    """Temperature after methanol of 0..1 of the oil's volume (both at 20 degC) went in.

    A heat balance without losses or reaction heat: published values of the latter disagree
    even in sign, 0 +-25 kJ per mol of oil, which is -+11 K at most. Oil 0..70, methanol
    -10..65 degC.
    """
    oil = within("oil temperature", oil_c, 0.0, 70.0, "degC")
    cold = within("methanol temperature", methanol_c, -10.0, 65.0, "degC")
    part = within("methanol share", share, 0.0, 1.0, "")
    lands = oil
    for _ in range(3):  # the heat capacities are those halfway to where it lands
        oil_kj = oil_kj_per_k(1.0, oil_kg_per_l, (oil + lands) / 2.0)
        methanol_kj = part * substances.methanol_density_kg_per_l(20.0) * (
            substances.methanol_heat_kj_per_kg_k(min(65.0, (cold + lands) / 2.0)))
        lands = (oil_kj * oil + methanol_kj * cold) / (oil_kj + methanol_kj)
    return lands


def cooled_c(
    start_c: float, minutes: float, loss: float, kj_per_k: float, room_c: float = 20.0
) -> float:
    """Temperature after coasting 0..1e5 minutes with a loss in W/K and a capacity in kJ/K."""
    start = within("start temperature", start_c, -20.0, 110.0, "degC")
    room = within("room temperature", room_c, -20.0, 45.0, "degC")
    seconds = 60.0 * within("time", minutes, 0.0, 1e5, "min")
    w_per_k = within("heat loss", loss, 0.0, 2000.0, "W/K")
    return room + (start - room) * exp(
        -w_per_k * seconds / (1000.0 * within("heat capacity", kj_per_k, 1e-3, 1e6, "kJ/K")))


def equivalent_min(
    start_c: float, minutes: float, loss: float, kj_per_k: float, room_c: float = 20.0
) -> float:
    """Minutes at 55 degC that 0..600 minutes of mixing while coasting are worth."""
    time_min = within("time", minutes, 0.0, 600.0, "min")
    steps = max(1, round(time_min * 2.0))
    width = time_min / steps
    return width * sum(
        mixing_weight(cooled_c(start_c, width * (i + 0.5), loss, kj_per_k, room_c))
        for i in range(steps)
    )


def coast(
    oil_c: float, oil_l: float, methanol_l: float, methanol_c: float, pour_min: float,
    loss: float, room_c: float = 20.0, oil_kg_per_l: float = substances.OIL_KG_PER_L,
    extra: float = 0.0,
) -> Coast:
    """From the dose at oil_c to the end of mixing, heat off all the time.

    While the methanol is poured (0..120 min) the batch cools; the credit starts afterwards.
    """
    spirit_l = within("methanol volume", methanol_l, 0.0, 1e4, "L")
    share = spirit_l / within("oil volume", oil_l, 0.01, 1e4, "L")
    lands = landing_c(oil_c, methanol_c, share, oil_kg_per_l)
    capacity = _with_extra(oil_kj_per_k(oil_l, oil_kg_per_l, lands), extra) + spirit_l * (
        substances.methanol_density_kg_per_l(20.0) * substances.methanol_heat_kj_per_kg_k(lands))
    poured = within("pouring time", pour_min, 0.0, 120.0, "min")
    lands = cooled_c(lands, poured / 2.0, loss, capacity, room_c)
    mixing = earned = 0.0
    first_hour = None
    while mixing < DONE_REAL_MIN or (
        mixing < ASK_ANYWAY_MIN and earned < DONE_EQUIVALENT_MIN - 1e-9
    ):
        earned += mixing_weight(cooled_c(lands, mixing + 0.5, loss, capacity, room_c))
        mixing += 1.0
        if mixing == DONE_REAL_MIN:
            first_hour = earned
    assert first_hour is not None  # the loop runs for at least an hour
    return Coast(
        lands_c=lands, end_c=cooled_c(lands, mixing, loss, capacity, room_c),
        equivalent_min=first_hour,
        mixing_min=mixing,
    )
