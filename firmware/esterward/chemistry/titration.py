"""From titration readings to the acid in the oil, with how sure it is.

A titre here is g of base per litre of oil: with the usual 1 g/L titrant and 1 mL of oil it is
the reading in mL. The titrant's strength is as weighed, so a titrant made from the same 90 %
stock holds 0.9 g/L of pure base; that is why the purity cancels for the titrated part of the
catalyst and does not cancel for the acid value.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final

from esterward.chemistry import substances
from esterward.chemistry.ranges import known, within
from esterward.values.batch import TITRANTS, Batch, Lot

# A further reading is asked for beyond the greater of these (our rule: with a repeatability
# of about 0.1 mL the critical range of three is 0.33 mL, ISO 5725-6).
SPREAD_ALLOWED_ML: Final = 0.35
SPREAD_ALLOWED_SHARE: Final = 0.12
READINGS_WANTED: Final = 3

AV_PER_FFA: Final = 1.99           # AOCS Ca 5a-40: 56.1 / 28.2
ENDPOINT_S: Final = 30.0           # AOCS Ca 5a-40; EN 14104 is content with 15 s

# Student's t, 95 % two-sided, for 1..30 degrees of freedom (standard table). Beyond, the last.
STUDENT_T95: Final = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)


@dataclass(frozen=True, slots=True)
class Zone:
    """What a titre means: up to this many mL of 1 g/L pure KOH per mL of oil."""

    up_to_ml: float
    name: str
    advice: str
    source: str


ZONES: Final = (
    Zone(3.0, "go", "one stage with base works", "common practice, no source"),
    Zone(5.5, "go with soap and loss",
         "expect soap, a slower settle, longer washing and less fuel",
         "3 % free fatty acid for one base stage: review, Adv. Chem. Eng. Sci. 3:242 (2013)"),
    Zone(10.0, "two-stage or blend",
         "plan two stages with a drain between, or blend with better oil and titrate again",
         "common practice, no source"),
    Zone(float("inf"), "not by base alone",
         "this much acid turns to soap; blend it far down or keep it out of the reactor",
         "common practice, no source"),
)

# Where each indicator misleads. From memory: transition pH 8.2-10 and 7.4-8.6.
INDICATOR_NOTES: Final = {
    "phenolphthalein": "",
    "turmeric": "turmeric turns at a lower pH than phenolphthalein, so it may read a little low",
    "pH meter": "a pH meter set with watery buffers is off in alcohol; stop at a steady 8.5",
    "pH paper": "pH paper is too coarse for a titration in oil and alcohol; use phenolphthalein",
}


@dataclass(frozen=True, slots=True)
class Titration:
    """Readings as read, in mL of titrant per sample.

    sd_ml and half_width_ml (95 %, Student) are None for one reading. allowed_ml is the spread
    beyond which a further reading is asked for. apart_ml is the one reading without which the
    others agree, None when there is no such reading; it still counts in the mean.
    """

    n: int
    readings_ml: tuple[float, ...]
    mean_ml: float
    sd_ml: float | None
    spread_ml: float
    half_width_ml: float | None
    allowed_ml: float
    another_wanted: bool
    apart_ml: float | None


def student_t95(n: int) -> float:
    """Two-sided 95 % factor for the mean of n >= 2 readings; beyond 31 that of 31."""
    if isinstance(n, bool) or not isinstance(n, int) or n < 2:
        raise ValueError(f"an interval needs at least 2 readings, not {n}")
    return STUDENT_T95[min(n - 1, len(STUDENT_T95)) - 1]


def evaluate(readings_ml: tuple[float, ...], allowed_ml: float = SPREAD_ALLOWED_ML) -> Titration:
    """Mean, scatter and advice for 1..1000 readings of 0..50 mL each.

    allowed_ml is SPREAD_ALLOWED_ML turned into mL per sample where that is not 1 mL of 1 g/L.
    """
    readings = tuple(within("titration reading", r, 0.0, 50.0, "mL") for r in readings_ml)
    n = len(readings)
    within("number of titration readings", n, 1, 1000, "")
    allowed = within("allowed spread", allowed_ml, 0.0, 1000.0, "mL")
    mean = sum(readings) / n
    allowed = max(allowed, SPREAD_ALLOWED_SHARE * mean)
    spread = max(readings) - min(readings)
    sd = half = None
    if n > 1:
        sd = sqrt(sum((r - mean) ** 2 for r in readings) / (n - 1))
        half = student_t95(n) * sd / sqrt(n)
    too_wide = not _fits(spread, allowed)
    return Titration(
        n=n, readings_ml=readings, mean_ml=mean, sd_ml=sd, spread_ml=spread, half_width_ml=half,
        allowed_ml=allowed, another_wanted=too_wide or n < READINGS_WANTED,
        apart_ml=_apart(readings, allowed) if too_wide and n > 2 else None,
    )


def _fits(spread_ml: float, allowed_ml: float) -> bool:
    return spread_ml <= allowed_ml + 1e-9  # 3.35 - 3.0 is a little more than 0.35 in floats


def _apart(readings: tuple[float, ...], allowed_ml: float) -> float | None:
    """The only reading without which the rest agree. An end one: the middle cannot be it."""
    low, *_, high = ordered = sorted(readings)
    without_low = _fits(ordered[-1] - ordered[1], allowed_ml)
    without_high = _fits(ordered[-2] - ordered[0], allowed_ml)
    if without_low == without_high:
        return None
    return low if without_low else high


def titre_g_per_l(
    reading_ml: float, titrant_g_per_l: float = 1.0, sample_ml: float = 1.0, blank_ml: float = 0.0
) -> float:
    """Base in g, as weighed for the titrant, that the acid of one litre of oil takes.

    Reading and blank in 0..50 mL, titrant 0.1..20 g/L, sample 0.1..100 mL; the blank is what
    the alcohol alone took and must not exceed the reading.
    """
    reading = within("titration reading", reading_ml, 0.0, 50.0, "mL")
    strength = within("titrant strength", titrant_g_per_l, 0.1, 20.0, "g/L")
    sample = within("titration sample", sample_ml, 0.1, 100.0, "mL")
    blank = within("titration blank", blank_ml, 0.0, reading, "mL (the reading)")
    return (reading - blank) * strength / sample


def sample_ml(batch: Batch) -> float:
    """The oil sample in mL: as measured, or its weight divided by the oil's density."""
    if batch.titration_sample_g is None:
        return batch.titration_sample_ml
    weighed = within("titration sample", batch.titration_sample_g, 0.1, 100.0, "g")
    return weighed / within("oil density", batch.oil_density_kg_per_l, 0.85, 0.98, "kg/L")


def pure_titre_g_per_l(
    titre: float, titrant: str = "same stock", purity: float = 1.0
) -> float:
    """Pure base per litre of oil; titre 0..200 g/L as weighed, purity 0.5..1."""
    g_per_l = within("titre", titre, 0.0, 200.0, "g/L")
    share = within("catalyst purity", purity, 0.5, 1.0, "")
    return g_per_l * share if known("titrant", titrant, TITRANTS) == "same stock" else g_per_l


def acid_value_mg_koh_per_g(
    pure_titre: float, kind: str = "KOH", oil_density_kg_per_l: float = substances.OIL_KG_PER_L
) -> float:
    """mg of KOH that neutralise 1 g of oil (ISO 660, EN 14104), from g pure base per L oil."""
    g_per_l = within("titre", pure_titre, 0.0, 200.0, "g/L")
    density = within("oil density", oil_density_kg_per_l, 0.85, 0.98, "kg/L")
    koh = g_per_l * substances.KOH / substances.base_g_per_mol(kind)
    return koh / density


def ffa_percent(acid_value: float) -> float:
    """Free fatty acid as oleic, % by mass, from an acid value of 0..200 mg KOH/g (AOCS)."""
    return within("acid value", acid_value, 0.0, 200.0, "mg KOH/g") / AV_PER_FFA


def zone(pure_titre: float, kind: str = "KOH") -> Zone:
    """What the acid means for the plan, from g of pure base per litre of oil."""
    g_per_l = within("titre", pure_titre, 0.0, 200.0, "g/L")
    koh = g_per_l * substances.KOH / substances.base_g_per_mol(kind)
    return next(row for row in ZONES if koh <= row.up_to_ml + 1e-9)


def blend_titre(lots: tuple[Lot, ...]) -> float:
    """Titre of oils poured together: the mean weighted by volume. Titrate the blend itself."""
    if not lots:
        raise ValueError("a blend needs at least one lot")
    litres = [within("lot volume", lot.volume_l, 0.01, 1e4, "L") for lot in lots]
    titres = [within("lot titre", lot.titre_ml, 0.0, 50.0, "mL") for lot in lots]
    return sum(v * t for v, t in zip(litres, titres, strict=True)) / sum(litres)
