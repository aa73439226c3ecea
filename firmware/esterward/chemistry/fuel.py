"""Home checks of the finished fuel: what each can and cannot prove.

Limits are from circulated copies of EN 14214:2012+A1:2014 and ASTM D6751-09, for orientation:
buy the standard before quoting it. Passing any of these does not certify a fuel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward.chemistry import substances
from esterward.chemistry.charge import CHECK_FUEL_ML
from esterward.chemistry.ranges import within
from esterward.chemistry.wording import METRIC, Wording

WATER_KG_PER_L: Final = 0.998
CHECK_AT_C: Final = 20.0          # conversion check: colder, good fuel clouds too
ROUNDING: Final = 1e-6           # of floats: what is printed as the limit is within it
WATER_CHECK_C: Final = 110.0


@dataclass(frozen=True, slots=True)
class FuelLimit:
    """One property; None = no limit on that side. at_home says what a maker can do about it.

    at_c is the temperature that the standards measure at, None where none is named.
    """

    property: str
    en_low: float | None
    en_high: float | None
    en_unit: str
    astm_low: float | None
    astm_high: float | None
    astm_unit: str
    at_home: str
    at_c: float | None = None


def _row(name: str, en: tuple[float | None, float | None], en_unit: str,
         astm: tuple[float | None, float | None], astm_unit: str, at_home: str,
         at_c: float | None = None) -> FuelLimit:
    return FuelLimit(name, *en, en_unit, *astm, astm_unit, at_home, at_c)


_NO: Final = (None, None)
FUEL_LIMITS: Final = (
    _row("ester content", (96.5, None), "% m/m", _NO, "",
         "no: the conversion check only finds a gross failure"),
    _row("density", (860.0, 900.0), "kg/m3", _NO, "",
         "yes, hydrometer; it hardly tells oil from ester", 15.0),
    _row("viscosity", (3.5, 5.0), "mm2/s", (1.9, 6.0), "mm2/s",
         "partly: flow time beside a known fuel at the same temperature", 40.0),
    _row("flash point", (101.0, None), "degC", (93.0, None), "degC",
         "no: do not try; it is lowered by methanol, so wash and dry"),
    _row("methanol", (None, 0.20), "% m/m", (None, 0.2), "% m/m",
         "no: weight lost on warming also counts water"),
    _row("water", (None, 500.0), "mg/kg", (None, 0.050), "% vol",
         "partly: weight loss finds about 1,000 mg/kg and more; clear does not prove it"),
    _row("acid value", (None, 0.50), "mg KOH/g", (None, 0.50), "mg KOH/g",
         "yes: titrate the washed, dry fuel"),
    _row("free glycerol", (None, 0.02), "% m/m", (None, 0.020), "% m/m", "no: laboratory"),
    _row("total glycerol", (None, 0.25), "% m/m", (None, 0.240), "% m/m", "no: laboratory"),
    _row("monoglycerides", (None, 0.70), "% m/m", _NO, "", "no: laboratory"),
    _row("diglycerides", (None, 0.20), "% m/m", _NO, "", "no: laboratory"),
    _row("triglycerides", (None, 0.20), "% m/m", _NO, "", "no: laboratory"),
    _row("Na + K", (None, 5.0), "mg/kg", (None, 5.0), "mg/kg",
         "partly: soap titration; the limit equals 41 mg/kg of potassium soap"),
    _row("Ca + Mg", (None, 5.0), "mg/kg", (None, 5.0), "mg/kg", "no: laboratory"),
    _row("phosphorus", (None, 4.0), "mg/kg", (None, 10.0), "mg/kg", "no: laboratory"),
    _row("sulfur", (None, 10.0), "mg/kg", (None, 15.0), "mg/kg", "no: laboratory"),
    _row("oxidation", (8.0, None), "h", (3.0, None), "h", "no: laboratory", 110.0),
)


@dataclass(frozen=True, slots=True)
class Finding:
    """A home check: its number, whether it is within what the check can see, what it means."""

    value: float
    unit: str
    good: bool
    proves: str
    cannot: str


def conversion_check(unreacted_ml: float, say: Wording = METRIC) -> Finding:
    """Layer under 3 mL of fuel shaken with 27 mL of methanol, 0..3 mL, at 20 degC or warmer.

    Methanol mixes with ester and glycerol, not with oil (Zhou, Lu & Liang 2006, J. Chem. Eng.
    Data 51:1130). The value is the layer in % of the fuel: a lower bound.
    """
    layer = within("unreacted layer", unreacted_ml, 0.0, CHECK_FUEL_ML, "mL")
    return Finding(
        100.0 * layer / CHECK_FUEL_ML, "% unreacted at least", layer == 0.0,
        f"a layer or a lasting cloud at {say.asked(CHECK_AT_C)} or warmer: oil is left",
        "clear does not show 96.5 % ester; half-turned glycerides stay dissolved unseen",
    )


def soap_mg_per_kg(acid_ml: float, acid_mol_per_l: float, sample_g: float, kind: str) -> float:
    """Soap as oleate from 0..50 mL of 0.001..1 mol/L acid (bromophenol blue), sample 1..500 g."""
    used_ml = within("acid used", acid_ml, 0.0, 50.0, "mL")
    strength = within("acid strength", acid_mol_per_l, 0.001, 1.0, "mol/L")
    sample = within("fuel sample", sample_g, 1.0, 500.0, "g")
    substances.base_g_per_mol(kind)
    return 1000.0 * used_ml * strength * substances.SOAP_G_PER_MOL[kind] / sample


def soap_limit_mg_per_kg(metal_mg_per_kg: float, kind: str) -> float:
    """Soap as oleate that holds 0..1e4 mg/kg of the base's metal."""
    metal = within("metal", metal_mg_per_kg, 0.0, 1e4, "mg/kg")
    substances.base_g_per_mol(kind)
    return metal * substances.SOAP_G_PER_MOL[kind] / substances.METAL_G_PER_MOL[kind]


def soap_check(acid_ml: float, acid_mol_per_l: float, sample_g: float, kind: str) -> Finding:
    """Soap titration judged against the metal limit of 5 mg/kg of both standards."""
    value = soap_mg_per_kg(acid_ml, acid_mol_per_l, sample_g, kind)
    return Finding(
        value, "mg/kg soap", value <= soap_limit_mg_per_kg(5.0, kind) + ROUNDING,
        "how much soap and left-over base is in the fuel, to about one drop of acid",
        "it does not tell soap from base; with 0.01 mol/L acid one drop (0.05 mL) on 100 g is "
        "2 mg/kg, so weigh a large sample",
    )


def acid_value_check(
    base_ml: float, base_g_per_l: float, sample_g: float, kind: str, blank_ml: float = 0.0
) -> Finding:
    """Acid value of fuel (EN 14104: 56.1 V c / m) from a titrant of 0.1..20 g/L pure base."""
    used_ml = within("titration reading", base_ml, 0.0, 50.0, "mL")
    blank = within("titration blank", blank_ml, 0.0, used_ml, "mL (the reading)")
    strength = within("titrant strength", base_g_per_l, 0.1, 20.0, "g/L")
    sample = within("fuel sample", sample_g, 0.5, 500.0, "g")
    value = (used_ml - blank) * strength / substances.base_g_per_mol(kind) * (
        substances.KOH / sample)
    return Finding(
        value, "mg KOH/g", value <= 0.50 + ROUNDING,
        "free acid in washed, dry fuel; above 0.50 the fuel attacks metal and seals",
        "soap still in the fuel hides acid; it says nothing of unreacted oil",
    )


def water_check(before_g: float, after_g: float, scale_step_g: float) -> Finding:
    """Weight lost by 1..5000 g of fuel warmed to 110 degC, as mg/kg.

    Vapour of methanol burns: only fuel that was washed, outdoors, with no flame.
    """
    before = within("weight before", before_g, 1.0, 5000.0, "g")
    after = within("weight after", after_g, 0.0, before, "g (the weight before)")
    step = within("scale step", scale_step_g, 0.0, 100.0, "g")
    value = 1e6 * (before - after) / before
    sure = 2e6 * step / before
    return Finding(
        value, "mg/kg lost", value + sure <= 500.0 + ROUNDING,
        f"with this scale and sample a loss is known to {sure:.0f} mg/kg; good only when even "
        "that stays within 500 mg/kg",
        "it does not tell water from methanol, and fuel that looks clear may hold 1,355 mg/kg",
    )


def water_mg_per_kg(percent_v: float, fuel_kg_per_l: float) -> float:
    """Water of 0..100 % by volume as mg/kg of fuel of 0.8..1 kg/L."""
    share = within("water", percent_v, 0.0, 100.0, "% vol") / 100.0
    return 1e6 * share * WATER_KG_PER_L / within("fuel density", fuel_kg_per_l, 0.8, 1.0, "kg/L")
