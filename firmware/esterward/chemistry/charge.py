"""What goes into the oil: catalyst, methanol, what they make, and the second dose.

Grams of base "as weighed" are grams from the can, purity and all.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10
from typing import Final

from esterward.chemistry import substances
from esterward.chemistry.ranges import known, within
from esterward.values.batch import CATALYSTS, TITRANTS

# g of pure base per litre of oil; the two hold the same 0.125 mol. Common practice, no source.
USUAL_BASE_G_PER_L: Final = {"KOH": 7.0, "NaOH": 5.0}
STOICHIOMETRIC_RATIO: Final = 3.0   # mol methanol per mol triglyceride
MEASURED_AT_C: Final = 20.0         # methanol and oil are measured at about this temperature
_METHANOL_G_PER_L: Final = 1000.0 * substances.methanol_density_kg_per_l(MEASURED_AT_C)

# Our rule: the scale's step must be at most this share of what is weighed on it. At 10 g/L it
# is 0.3 g/L, the scatter that is allowed between titration readings.
SCALE_SHARE_MAX: Final = 0.03

# Where the spare methanol goes (estimate), and how far the drained volume may be off.
SPARE_IN_GLYCEROL: Final = 0.65
GLYCEROL_LAYER_SCATTER: Final = 0.20

CHECK_FUEL_ML: Final = 3.0          # conversion check: 3 mL of fuel in 27 mL of methanol
CHECK_METHANOL_ML: Final = 27.0
CHECK_WAIT_MIN: Final = 5.0         # common practice, no source
SECOND_SHARE_MIN: Final = 0.05
SECOND_SHARE_MAX: Final = 0.25


@dataclass(frozen=True, slots=True)
class Catalyst:
    """The base for this oil.

    purity is a fraction. base_g_per_l is pure base unless base_as_weighed; base_weighed_g_per_l
    is what it comes to from the can. total_g_per_l = titration_g_per_l + base_weighed_g_per_l.
    other_titrant and other_total_g_per_l are the other case of how the titrant was made.
    mass_low_g and mass_high_g come from the readings' scatter and the scale's step.
    """

    kind: str
    purity: float
    base_g_per_l: float
    base_as_weighed: bool
    base_weighed_g_per_l: float
    titration_g_per_l: float
    total_g_per_l: float
    other_titrant: str
    other_total_g_per_l: float
    mass_g: float
    mass_low_g: float
    mass_high_g: float


@dataclass(frozen=True, slots=True)
class Methanol:
    """The methanol for this oil; percent_v is of the oil's volume, molar_ratio mol per mol oil."""

    volume_l: float
    mass_kg: float
    percent_v: float
    molar_ratio: float
    stoichiometric_percent: float


@dataclass(frozen=True, slots=True)
class Products:
    """What comes out if all of the oil turns. Water from the base is an upper bound.

    glycerol_low_l and glycerol_high_l bound the layer that is drained: methanol, soap and
    catalyst swell it to about twice the pure glycerol.
    """

    ester_l: float
    ester_kg: float
    glycerol_pure_l: float
    glycerol_low_l: float
    glycerol_high_l: float
    soap_kg: float
    water_neutralising_kg: float
    water_catalyst_kg: float
    water_in_catalyst_kg: float
    methanol_used_kg: float
    methanol_left_kg: float


@dataclass(frozen=True, slots=True)
class Split:
    """One stage of a two-stage plan."""

    mass_g: float
    methanol_l: float


@dataclass(frozen=True, slots=True)
class SecondDose:
    """A further dose; share is of the first dose's base and methanol.

    capped is True when more oil was unreacted than one further dose may treat.
    """

    share: float
    mass_g: float
    methanol_l: float
    capped: bool
    words: str


def base_as_weighed_g_per_l(base_g_per_l: float, purity: float, as_weighed: bool) -> float:
    """The base from the can: pure 0..30 g/L divided by a purity of 0.5..1, unless as weighed."""
    base = within("base", base_g_per_l, 0.0, 30.0, "g/L")
    share = within("catalyst purity", purity, 0.5, 1.0, "")
    return base if as_weighed else base / share


def titration_part_g_per_l(titre: float, titrant: str, purity: float) -> float:
    """The titrated part from the can, for a titre of 0..200 g/L of this base.

    Titrant from the same stock: the titre itself, the purity cancels. Titrant of pure base:
    the titre divided by the purity.
    """
    g_per_l = within("titre", titre, 0.0, 200.0, "g/L")
    share = within("catalyst purity", purity, 0.5, 1.0, "")
    return g_per_l if known("titrant", titrant, TITRANTS) == "same stock" else g_per_l / share


def catalyst(
    oil_l: float, kind: str, purity: float, titre: float, *, titrant: str = "same stock",
    base_g_per_l: float | None = None, as_weighed: bool = False,
    titre_half_width: float = 0.0, scale_step_g: float = 0.0,
) -> Catalyst:
    """The catalyst for 0.01..1e4 L of oil with a titre in g/L of the same base.

    titre_half_width in g/L and scale_step_g in g widen the interval of the mass.
    """
    litres = within("oil volume", oil_l, 0.01, 1e4, "L")
    usual = USUAL_BASE_G_PER_L[known("catalyst kind", kind, CATALYSTS)]
    base = usual if base_g_per_l is None else base_g_per_l
    half = within("half width of the titre", titre_half_width, 0.0, 1e3, "g/L")
    step = within("scale step", scale_step_g, 0.0, 1e3, "g")
    weighed = base_as_weighed_g_per_l(base, purity, as_weighed)
    other = "pure" if titrant == "same stock" else "same stock"
    part = titration_part_g_per_l(titre, titrant, purity)
    low = titration_part_g_per_l(max(0.0, titre - half), titrant, purity)
    high = titration_part_g_per_l(min(200.0, titre + half), titrant, purity)
    return Catalyst(
        kind=kind, purity=purity, base_g_per_l=base, base_as_weighed=as_weighed,
        base_weighed_g_per_l=weighed, titration_g_per_l=part, total_g_per_l=part + weighed,
        other_titrant=other,
        other_total_g_per_l=titration_part_g_per_l(titre, other, purity) + weighed,
        mass_g=(part + weighed) * litres,
        mass_low_g=max(0.0, (low + weighed) * litres - step),
        mass_high_g=(high + weighed) * litres + step,
    )


def scale_is_fine_enough(mass_g: float, scale_step_g: float) -> bool:
    """Whether a scale with this step can weigh this mass; 0..1e6 g, step 0..1000 g."""
    mass = within("mass", mass_g, 0.0, 1e6, "g")
    return within("scale step", scale_step_g, 0.0, 1e3, "g") <= SCALE_SHARE_MAX * mass + 1e-9


def coarsest_step_words(mass_g: float) -> str:
    """The coarsest step that serves for a mass above 0 g, with two digits, never rounded up."""
    most = SCALE_SHARE_MAX * within("mass", mass_g, 1e-6, 1e6, "g")
    unit = 10.0 ** (floor(log10(most)) - 1)
    return f"{floor(most / unit + 1e-6) * unit:.2g} g"


def stoichiometric_percent(
    oil_kg_per_l: float = substances.OIL_KG_PER_L, oil_g_per_mol: float = substances.TRIOLEIN
) -> float:
    """Methanol in % of the oil's volume that the reaction itself uses up (3 mol per mol)."""
    return 100.0 * methanol_share(STOICHIOMETRIC_RATIO, oil_kg_per_l, oil_g_per_mol)


def methanol_share(
    molar_ratio: float, oil_kg_per_l: float = substances.OIL_KG_PER_L,
    oil_g_per_mol: float = substances.TRIOLEIN,
) -> float:
    """Volume of methanol per volume of oil at 20 degC for a ratio of 0..30 mol/mol."""
    mol_per_l = oil_mol_per_l(oil_kg_per_l, oil_g_per_mol)
    ratio = within("methanol ratio", molar_ratio, 0.0, 30.0, "mol/mol")
    return ratio * mol_per_l * substances.METHANOL / _METHANOL_G_PER_L


def molar_ratio(
    share: float, oil_kg_per_l: float = substances.OIL_KG_PER_L,
    oil_g_per_mol: float = substances.TRIOLEIN,
) -> float:
    """mol of methanol per mol of oil for a volume share of 0..1 at 20 degC."""
    mol = within("methanol share", share, 0.0, 1.0, "") * _METHANOL_G_PER_L / substances.METHANOL
    return mol / oil_mol_per_l(oil_kg_per_l, oil_g_per_mol)


def oil_mol_per_l(oil_kg_per_l: float, oil_g_per_mol: float) -> float:
    """mol of triglyceride in a litre of oil; density 0.85..0.98 kg/L, 600..1100 g/mol."""
    density = within("oil density", oil_kg_per_l, 0.85, 0.98, "kg/L")
    return 1000.0 * density / within("oil molar mass", oil_g_per_mol, 600.0, 1100.0, "g/mol")


def methanol(
    oil_l: float, *, share: float | None = None, ratio: float | None = None,
    oil_kg_per_l: float = substances.OIL_KG_PER_L, oil_g_per_mol: float = substances.TRIOLEIN,
) -> Methanol:
    """Methanol for 0.01..1e4 L of oil, by share of its volume or by molar ratio, one of them."""
    if (share is None) == (ratio is None):
        raise ValueError("methanol is given by share or by ratio, exactly one of them")
    litres = within("oil volume", oil_l, 0.01, 1e4, "L")
    part = methanol_share(ratio, oil_kg_per_l, oil_g_per_mol) if ratio is not None else share
    volume = litres * within("methanol share", part, 0.0, 1.0, "")
    return Methanol(
        volume_l=volume, mass_kg=volume * _METHANOL_G_PER_L / 1000.0,
        percent_v=100.0 * volume / litres,
        molar_ratio=molar_ratio(volume / litres, oil_kg_per_l, oil_g_per_mol),
        stoichiometric_percent=stoichiometric_percent(oil_kg_per_l, oil_g_per_mol),
    )


def products(
    oil_l: float, base: Catalyst, spirit: Methanol, pure_titre: float,
    oil_kg_per_l: float = substances.OIL_KG_PER_L, oil_g_per_mol: float = substances.TRIOLEIN,
) -> Products:
    """What the batch makes; pure_titre is g of pure base that the acid of 1 L of oil takes."""
    litres = within("oil volume", oil_l, 0.01, 1e4, "L")
    acid = litres * within("titre", pure_titre, 0.0, 200.0, "g/L")
    acid_mol = acid / substances.base_g_per_mol(base.kind)
    oil_mol = litres * oil_mol_per_l(oil_kg_per_l, oil_g_per_mol)
    glycerol_kg = oil_mol * substances.GLYCEROL / 1000.0
    needed_kg = STOICHIOMETRIC_RATIO * oil_mol * substances.METHANOL / 1000.0
    used_kg = min(spirit.mass_kg, needed_kg)
    glycerol_kg *= used_kg / needed_kg
    ester_kg = litres * oil_kg_per_l + used_kg - glycerol_kg
    glycerol_l = glycerol_kg / substances.glycerol_density_kg_per_l(MEASURED_AT_C)
    soap_kg = soap_g(acid, base.kind) / 1000.0
    left_kg = spirit.mass_kg - used_kg
    # Soap is taken at 1 kg/L, catalyst in solution at 2 kg/L: small parts of a rough sum.
    layer_l = (
        glycerol_l + SPARE_IN_GLYCEROL * left_kg * 1000.0 / _METHANOL_G_PER_L + soap_kg
        + base.mass_g / 2000.0
    )
    pure_g = base.mass_g * base.purity
    return Products(
        ester_l=ester_kg / substances.ester_density_kg_per_l(MEASURED_AT_C), ester_kg=ester_kg,
        glycerol_pure_l=glycerol_l,
        glycerol_low_l=(1.0 - GLYCEROL_LAYER_SCATTER) * layer_l,
        glycerol_high_l=(1.0 + GLYCEROL_LAYER_SCATTER) * layer_l,
        soap_kg=soap_kg,
        water_neutralising_kg=acid_mol * substances.WATER / 1000.0,
        water_catalyst_kg=water_from_base_g(max(0.0, pure_g - acid), base.kind) / 1000.0,
        water_in_catalyst_kg=(base.mass_g - pure_g) / 1000.0,
        methanol_used_kg=used_kg, methanol_left_kg=left_kg,
    )


def water_from_base_g(pure_g: float, kind: str) -> float:
    """Water that 0..1e6 g of pure base makes as it turns to methoxide or soap: an upper bound."""
    mass = within("base mass", pure_g, 0.0, 1e6, "g")
    return mass * substances.WATER / substances.base_g_per_mol(kind)


def soap_g(pure_g: float, kind: str) -> float:
    """Soap (as oleate) from the acid that 0..1e6 g of pure base neutralise."""
    mass = within("base mass", pure_g, 0.0, 1e6, "g")
    return mass * substances.SOAP_G_PER_MOL[kind] / substances.base_g_per_mol(kind)


def split(base: Catalyst, spirit: Methanol, first_share: float) -> tuple[Split, Split]:
    """The two stages of a plan with a glycerol drain between; first_share 0.5..0.95.

    80/20 is common practice, no source: taking glycerol out lets the rest go further.
    """
    first = within("first share", first_share, 0.5, 0.95, "")
    return (Split(base.mass_g * first, spirit.volume_l * first),
            Split(base.mass_g * (1.0 - first), spirit.volume_l * (1.0 - first)))


def second_dose(
    unreacted_ml: float, oil_l: float, base: Catalyst, spirit: Methanol
) -> SecondDose:
    """A further dose after a failed conversion check, for a layer of 0..3 mL out of 3 mL fuel.

    The layer is a lower bound of what is unreacted (glycerides between oil and ester stay
    dissolved), so never less than 5 % is dosed, and never more than 25 %. Only base, no titrated
    part: the acid is neutralised already. The shares are our rule, the idea common practice.
    """
    layer = within("unreacted layer", unreacted_ml, 0.0, CHECK_FUEL_ML, "mL")
    litres = within("oil volume", oil_l, 0.01, 1e4, "L")
    unreacted = layer / CHECK_FUEL_ML
    capped = unreacted > SECOND_SHARE_MAX
    share = min(SECOND_SHARE_MAX, max(SECOND_SHARE_MIN, unreacted))
    words = "Try it in a jar first: the layer shows the least that is unreacted, not all of it."
    if capped:
        words = (
            "More than a quarter is unreacted, so something else was wrong (water, a weight, "
            "a titration); find it with jars. This dose is the most that may be added. " + words
        )
    return SecondDose(share, base.base_weighed_g_per_l * litres * share,
                      spirit.volume_l * share, capped, words)


def methoxide_rise_k(base_g: float, kind: str, purity: float, methanol_l: float) -> float:
    """Upper bound of the warming as 0..1e6 g of base dissolve in 0.01..1e4 L of methanol.

    Heats of solution in water (CRC Handbook), no losses. No value for methanol was found; one
    informal measurement points to half to three quarters of it.
    """
    mass = within("base mass", base_g, 0.0, 1e6, "g")
    litres = within("methanol volume", methanol_l, 0.01, 1e4, "L")
    pure = mass * within("catalyst purity", purity, 0.5, 1.0, "")
    heat_kj = pure / substances.base_g_per_mol(kind) * substances.SOLUTION_KJ_PER_MOL[kind]
    capacity = (
        litres * _METHANOL_G_PER_L / 1000.0 * substances.methanol_heat_kj_per_kg_k(25.0)
        + mass / 1000.0 * substances.BASE_KJ_PER_KG_K
    )
    return heat_kj / capacity
