"""What the reactor says: probe readings and debounced inputs.

A missing value is None with a reason, never a number that means "no number".
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ProbeReading:
    """One conversion of one temperature probe.

    c: degC, or None when there is no value; at_s: monotonic seconds of the conversion;
    why: empty when c is a number, else the reason in words.
    """

    c: float | None
    at_s: float
    why: str = ""


NO_READING = ProbeReading(None, float("-inf"), "no reading yet")


@dataclass(frozen=True, slots=True)
class Inputs:
    """Debounced inputs. True is the good or active state; None means not fitted.

    Wired so that a broken wire reads False. k1_open and k2_open are the mirror contacts
    of the two contactors: True proves the main contacts open.
    """

    estop_closed: bool = False
    level_wet: bool = False
    cutout_closed: bool = False
    k1_open: bool = False
    k2_open: bool = False
    mixer_proof: bool = False
    green: bool = False
    black: bool = False
    blue: bool = False
    lid_closed: bool | None = None
    vent_proof: bool | None = None
    vapour_low: bool | None = None
    sump_dry: bool | None = None
    drain_closed: bool | None = None
    cutout2_closed: bool | None = None


INPUT_NAMES: tuple[str, ...] = tuple(Inputs.__dataclass_fields__)
OPTIONAL_INPUTS: tuple[str, ...] = (
    "lid_closed", "vent_proof", "vapour_low", "sump_dry", "drain_closed", "cutout2_closed",
)


def optional_good(inputs: Inputs | None, name: str, fitted: tuple[str, ...]) -> bool:
    """Whether an optional input stands in nobody's way: proven good, or honestly absent.

    A fitted one must read True, so None, NaN and silence are bad; one that is not fitted must
    read None, so a False that should not be there is bad too.
    """
    if inputs is None:
        return False
    level = getattr(inputs, name)
    return level is True or (level is None and name not in fitted)
