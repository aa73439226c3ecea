"""What people ask for from afar or at the machine's keyboard, and the answers.

Nothing here can energise an output: holds and acknowledgements only reduce, and an
observation that opens a gate counts only after green is held at the reactor.
"""

from __future__ import annotations

from dataclasses import dataclass

HOLD = "hold"
ACKNOWLEDGE = "acknowledge"
OBSERVE = "observe"
RESET = "reset"

REMOTE_KINDS = (HOLD, ACKNOWLEDGE, OBSERVE)
LOCAL_KINDS = (HOLD, ACKNOWLEDGE, OBSERVE, RESET)

# name -> (unit of the number, lowest, highest, what it is)
OBSERVATIONS: dict[str, tuple[str, float, float, str]] = {
    "titration_ml": ("mL", 0.0, 20.0, "one titration reading, mL of titrant per sample"),
    "oil_l": ("L", 1.0, 1000.0, "oil in the vessel"),
    "titration_anew_ml": ("mL", 0.0, 20.0, "the first reading of a new titration; all readings "
                          "before it no longer count"),
    "catalyst_g": ("g", 0.1, 50000.0, "catalyst weighed"),
    "methanol_l": ("L", 0.01, 400.0, "methanol measured"),
    "methoxide_c": ("degC", -20.0, 65.0, "temperature of the methoxide"),
    "unreacted_ml": ("mL", 0.0, 3.0, "unreacted layer in the conversion check of 3 mL"),
    "glycerol_l": ("L", 0.0, 400.0, "glycerol drained"),
    "wash_ph": ("pH", 0.0, 14.0, "pH of the drained wash water"),
    "tap_ph": ("pH", 0.0, 14.0, "pH of the tap water"),
    "soap_ppm": ("mg/kg", 0.0, 100000.0, "soap by titration"),
}
# Told at the machine only: by the litres the element's effect is judged (decision 010), with
# methoxide told cool a short press goes on to the dose, and the unreacted layer makes a dose.
AT_THE_MACHINE = ("oil_l", "methoxide_c", "unreacted_ml")
FROM_AFAR = tuple(name for name in OBSERVATIONS if name not in AT_THE_MACHINE)


@dataclass(frozen=True, slots=True)
class Request:
    """One request. id is the sender's; source is 'mqtt' or 'local'.

    For OBSERVE, name is a key of OBSERVATIONS and value a number in its unit; for RESET,
    name is a fault code and text the reason; for ACKNOWLEDGE, name may be a fault code.
    """

    id: str
    kind: str
    source: str
    name: str = ""
    value: float | None = None
    text: str = ""
