"""The air pressure behind the limits: the barometer's last word, and how old it is.

It knows readings and an altitude; what hangs on the pressure is in chemistry.boiling. A reading
that is missing, not a number or out of range is silence; silence ages the last word until it
counts as no barometer, or as itself where that is stricter.
"""

from __future__ import annotations

from dataclasses import dataclass

from esterward.chemistry import boiling
from esterward.safety import limits


@dataclass(slots=True)
class PressureState:
    """kpa: the last reading taken, None before the first; age_s: seconds of silence since."""

    kpa: float | None = None
    age_s: float = 0.0

    @property
    def old(self) -> bool:
        return not self.age_s <= limits.BAROMETER_AGE_S

    def step(self, reading_kpa: float | None, dt_s: float) -> bool:
        """Take one reading of absolute kPa, or None; True when the limits change with it."""
        was_old = self.old
        low, high = boiling.PRESSURE_RANGE_KPA
        if reading_kpa is None or not low <= reading_kpa <= high:
            self.age_s += dt_s
            return self.old and not was_old
        self.age_s = 0.0
        if not was_old and self.kpa is not None and (
                abs(reading_kpa - self.kpa) < limits.PRESSURE_STEP_KPA):
            return False
        self.kpa = reading_kpa
        return True

    def limits_at(self, altitude_m: float) -> boiling.Limits:
        """The limits of now at an altitude in m."""
        if self.old:
            return boiling.limits_of_an_old_reading(altitude_m, self.kpa)
        return boiling.limits(altitude_m, self.kpa)

    def restarted(self) -> None:
        """Nobody knows how old the last word is now, so it is too old."""
        self.age_s = 2.0 * limits.BAROMETER_AGE_S
