"""Where methanol boils, and the oil temperatures that follow from it.

The guard imports this file, so it needs nothing but `math` and `dataclasses`. It knows
pressure and altitude; it does not know stages, probes or the methanol flag.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log10

ALTITUDE_RANGE_M = (-430.0, 5000.0)
PRESSURE_RANGE_KPA = (50.0, 110.0)

# Ambrose & Sprake 1970, J. Chem. Thermodyn. 2:631, fitted from 15 to 83.7 degC:
# log10(p/bar) = A - B / (T/K + C).
_A, _B, _C = 5.20409, 1581.341, -33.50
VAPOUR_RANGE_C = (0.0, 83.68)  # extrapolated below 15 degC: there 0.6 % low at most

# U.S. Standard Atmosphere 1976 (ISO 2533), troposphere.
_SEA_LEVEL_KPA = 101.325
_EARTH_RADIUS_M = 6_356_766.0
_LAPSE_PER_M = 0.0065 / 288.15
_EXPONENT = 9.80665 * 0.0289644 / (8.31432 * 0.0065)

# Weather can be lower than the standard atmosphere by this much when nothing measures it;
# with a barometer this much is left for the barometer itself.
WEATHER_ALLOWANCE_KPA = 3.5
BAROMETER_ALLOWANCE_KPA = 1.0
DISAGREEMENT_KPA = 4.0

# Below the boiling point at p_eff, while methanol may be in the vessel.
SETPOINT_MARGIN_K = 5.0
ALARM_MARGIN_K = 4.0
TRIP_MARGIN_K = 3.0
GUARD_TRIP_MARGIN_K = 2.0
AIM_ROOM_K = 0.3  # the band a held oil may wander in: no aim is nearer the highest setpoint
HIGHEST_C = 62.8  # 145 degF: common practice's limit; nothing here ever exceeds it

# While a person has recorded that there is no methanol in the vessel.
CLEAR_SETPOINT_MAX_C = 110.0
DRY_SETPOINT_MAX_C = 65.0
CLEAR_ALARM_C = 112.0
CLEAR_TRIP_C = 113.0
CLEAR_GUARD_TRIP_C = 115.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Pressure and the oil temperatures allowed while methanol may be in the vessel.

    boiling_c is the boiling point of pure methanol at pressure_kpa; the four limits come from
    the lower pressure p_eff_kpa. alarm_c is what people are shown as the ceiling. The dose is
    refused above setpoint_max_c, so the oil is held a band's width below it: aim_max_c.
    """

    altitude_m: float
    pressure_kpa: float
    p_eff_kpa: float
    boiling_c: float
    setpoint_max_c: float
    alarm_c: float
    trip_c: float
    guard_trip_c: float

    @property
    def aim_max_c(self) -> float:
        return self.setpoint_max_c - AIM_ROOM_K


def _checked(what: str, value: float, allowed: tuple[float, float], unit: str) -> float:
    low, high = allowed
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, float))
        or not low <= value <= high  # false for NaN too
    ):
        raise ValueError(f"{what} must be a number from {low:g} to {high:g} {unit}, not {value}")
    return float(value)


def standard_pressure_kpa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere at a geometric altitude of -430..5000 m.

    U.S. Standard Atmosphere 1976 (ISO 2533).
    """
    z = _checked("altitude", altitude_m, ALTITUDE_RANGE_M, "m")
    geopotential_m = _EARTH_RADIUS_M * z / (_EARTH_RADIUS_M + z)
    return float(_SEA_LEVEL_KPA * (1.0 - _LAPSE_PER_M * geopotential_m) ** _EXPONENT)


def vapour_pressure_kpa(methanol_c: float) -> float:
    """Vapour pressure of pure methanol at 0..83.68 degC (Ambrose & Sprake 1970)."""
    c = _checked("methanol temperature", methanol_c, VAPOUR_RANGE_C, "degC")
    return float(100.0 * 10.0 ** (_A - _B / (c + 273.15 + _C)))


def _boiling_c(pressure_kpa: float) -> float:
    return _B / (_A - log10(pressure_kpa / 100.0)) - _C - 273.15


def boiling_point_c(pressure_kpa: float) -> float:
    """Boiling point of pure methanol at 50..110 kPa absolute (Ambrose & Sprake 1970)."""
    return _boiling_c(_checked("pressure", pressure_kpa, PRESSURE_RANGE_KPA, "kPa"))


def pressure_disagrees(altitude_m: float, barometer_kpa: float) -> bool:
    """Whether a barometer is more than 4 kPa from the standard atmosphere at the altitude.

    Then it most likely shows sea-level pressure, or the altitude is wrong.
    """
    barometer = _checked("barometer reading", barometer_kpa, PRESSURE_RANGE_KPA, "kPa")
    return abs(barometer - standard_pressure_kpa(altitude_m)) > DISAGREEMENT_KPA


def limits(altitude_m: float, barometer_kpa: float | None = None) -> Limits:
    """The limits at an altitude in m, with a barometer's absolute reading in kPa if there is one.

    Without a barometer p_eff is the standard atmosphere less 3.5 kPa for weather; with one it
    is the lower of the reading and the standard atmosphere, less 1 kPa. A reading more than
    4 kPa above the standard atmosphere is not believed: it counts as no barometer.
    """
    standard = standard_pressure_kpa(altitude_m)
    pressure, p_eff = standard, standard - WEATHER_ALLOWANCE_KPA
    if barometer_kpa is not None:
        reading = _checked("barometer reading", barometer_kpa, PRESSURE_RANGE_KPA, "kPa")
        if reading - standard <= DISAGREEMENT_KPA:
            pressure, p_eff = reading, min(reading, standard) - BAROMETER_ALLOWANCE_KPA
    boils_c = _boiling_c(p_eff)
    return Limits(
        altitude_m=float(altitude_m),
        pressure_kpa=pressure,
        p_eff_kpa=p_eff,
        boiling_c=_boiling_c(pressure),
        setpoint_max_c=min(HIGHEST_C, boils_c - SETPOINT_MARGIN_K),
        alarm_c=min(HIGHEST_C, boils_c - ALARM_MARGIN_K),
        trip_c=min(HIGHEST_C, boils_c - TRIP_MARGIN_K),
        guard_trip_c=min(HIGHEST_C, boils_c - GUARD_TRIP_MARGIN_K),
    )


def limits_of_an_old_reading(altitude_m: float, barometer_kpa: float | None) -> Limits:
    """The limits once a barometer has been silent too long: the stricter of its last word and none.

    Units and errors as in limits().
    """
    without = limits(altitude_m)
    if barometer_kpa is None:
        return without
    return min(without, limits(altitude_m, barometer_kpa), key=lambda found: found.p_eff_kpa)
