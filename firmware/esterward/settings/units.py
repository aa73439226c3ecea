"""The closed list of kinds and units, and their definitions for Pint.

Decides which units a person may write for which kind of number. A unit that is not here does
not exist: the registry built from DEFINITIONS knows no coulomb, so "55 C" cannot become one.
tests/settings compares every unit with Pint's own full registry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# Exact factors: SI brochure (9th ed.) for the SI, NIST SP 811 for foot, pound, gallons and
# degrees Fahrenheit; mmHg and inHg are the conventional ones (mercury 13 595.1 kg/m3).
DEFINITIONS: Final = """
milli- = 1e-3 = m-
centi- = 1e-2 = c-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
meter = [length] = m
second = [time] = s
gram = [mass] = g
mole = [substance] = mol
kelvin = [temperature]; offset: 0 = K
ph = []
fraction = []
percent = 0.01 * fraction
ppm = 1e-6 * fraction
minute = 60 * second = min
hour = 60 * minute = h
degree_Celsius = kelvin; offset: 273.15 = degC
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF
liter = 1e-3 * m ** 3 = L
foot = 0.3048 * meter = ft
inch = 0.0254 * meter
us_gallon = 231 * inch ** 3 = gal_us
imperial_gallon = 4.54609 * liter = gal_imp
pound = 453.59237 * gram = lb
ounce = pound / 16 = oz
pascal = kilogram / meter / second ** 2 = Pa
bar = 1e5 * pascal
millimeter_Hg = 133.322387415 * pascal = mmHg
inch_Hg = 25.4 * millimeter_Hg = inHg
watt = kilogram * meter ** 2 / second ** 3 = W
joule = watt * second = J
"""


@dataclass(frozen=True, slots=True)
class Kind:
    """What a number measures. core is the unit inside the firmware, units what may be written.

    units maps the spelling to the Pint expression; the first is the one we suggest. In the units
    of no_thousandths nobody gives three decimals: "1.120 m" of altitude may well mean 1120 m.
    """

    name: str
    core: str
    units: dict[str, str]
    example: str
    no_thousandths: tuple[str, ...] = ()

    @property
    def core_word(self) -> str:
        """The spelling of the core unit, for sentences; empty for fractions."""
        return {"fraction": "", "ph": "pH", "mol/mol": "mol/mol"}.get(self.core, self.core)


def _same(*names: str) -> dict[str, str]:
    return {name: name for name in names}


_VOLUMES = {"L": "L", "l": "L", "mL": "mL", "ml": "mL", "gal_us": "gal_us", "gal_imp": "gal_imp"}

VOLUME = Kind("volume", "L", _VOLUMES, "120 L", ("mL", "ml"))
SMALL_VOLUME = Kind("volume", "mL", {"mL": "mL", "ml": "mL", "L": "L", "l": "L"}, "3.0 mL")
TEMPERATURE = Kind("temperature", "degC",
                   {"degC": "degC", "°C": "degC", "degF": "degF", "°F": "degF"}, "55 degC")
DIFFERENCE = Kind("temperature difference", "K",
                  {"K": "K", "delta_degC": "K", "delta_degF": "delta_degree_Fahrenheit"}, "0.5 K")
MASS = Kind("mass", "g", _same("g", "kg", "lb", "oz"), "1200 g")
ALTITUDE = Kind("altitude", "m", _same("m", "km", "ft"), "1120 m", ("m", "ft"))
LENGTH = Kind("length", "m", {"m": "m", "cm": "cm", "mm": "mm", "in": "inch", "ft": "ft"},
              "0.6 m")
SHORT_LENGTH = Kind("length", "mm", {"mm": "mm", "cm": "cm", "m": "m", "in": "inch"}, "40 mm",
                    ("mm",))
PRESSURE = Kind("absolute pressure", "kPa",
                {"kPa": "kPa", "hPa": "hPa", "mbar": "hPa", "bar": "bar", "Pa": "Pa",
                 "inHg": "inHg", "mmHg": "mmHg"}, "88.5 kPa")
POWER = Kind("power", "W", _same("W", "kW"), "3000 W")
MINUTES = Kind("time", "min", _same("min", "h", "s"), "15 min")
HOURS = Kind("time", "h", _same("h", "min"), "8 h")
SECONDS = Kind("time", "s", _same("s", "min"), "25 s")
SHARE = Kind("share", "fraction", {"%": "percent"}, "20 %")
STRENGTH = Kind("strength of a solution", "g/L", _same("g/L"), "1 g/L")
MOLARITY = Kind("amount of substance in a solution", "mol/L", _same("mol/L", "mmol/L"),
                "0.01 mol/L")
DENSITY = Kind("density", "kg/L", {"kg/L": "kg/L", "g/mL": "g/mL", "kg/m3": "kg/m**3"},
               "0.918 kg/L")
LOSS = Kind("heat loss", "W/K", _same("W/K"), "8 W/K")
HEAT_CAPACITY = Kind("heat capacity", "kJ/K", _same("kJ/K"), "240 kJ/K")
RATIO = Kind("molar ratio", "mol/mol", _same("mol/mol"), "6 mol/mol")
MOLAR_MASS = Kind("molar mass", "g/mol", _same("g/mol"), "885.4 g/mol")
PH = Kind("pH", "ph", {"pH": "ph"}, "7.2 pH")
CONTENT = Kind("content", "mg/kg", {"mg/kg": "mg/kg", "ppm": "ppm"}, "40 mg/kg",
               ("mg/kg", "ppm"))

KINDS: Final = (VOLUME, SMALL_VOLUME, TEMPERATURE, DIFFERENCE, MASS, ALTITUDE, LENGTH,
                SHORT_LENGTH, PRESSURE, POWER, MINUTES, HOURS, SECONDS, SHARE, STRENGTH, MOLARITY,
                DENSITY,
                LOSS, HEAT_CAPACITY, RATIO, MOLAR_MASS, PH, CONTENT)
