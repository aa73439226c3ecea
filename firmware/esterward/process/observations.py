"""What people tell, and what it does to the batch sheet.

A number that changes what is weighed counts only until the batch sheet is confirmed at the
reactor (green held); later it is refused, because the methoxide is already being made. Until
then titration_anew_ml takes back a mistyped reading: it begins a new titration. Nothing that is
told from afar opens what a short press at the reactor then goes through.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import Final

from esterward.chemistry.sheet_rules import METHOXIDE_GATE_C
from esterward.process.stages import STEPS
from esterward.values.batch import Batch
from esterward.values.requests import AT_THE_MACHINE, OBSERVATIONS

READING: Final = "titration_ml"
ANEW: Final = "titration_anew_ml"
METHOXIDE: Final = "methoxide_c"
UNREACTED: Final = "unreacted_ml"
UNREACTED_STEPS: Final = ("check.ask", "methoxide.second")
READINGS_MAX: Final = 12  # of one titration; more are a program gone wild, not a person
CHANGES_SHEET: Final = (READING, ANEW, "oil_l")
SHEET_STAGES: Final = ("fill", "dewater", "cool", "heat", "methoxide")
SHEET_CLOSED_STEPS: Final = ("methoxide.dissolve", "methoxide.share", "methoxide.second")


def refusal(name: str, value: float | None, step: str, state: str,
            observed: list[tuple[str, float]], *, afar: bool) -> str:
    """Why the observation cannot be taken now, empty when it can. afar: not at the machine."""
    if name not in OBSERVATIONS:
        return f"{name!r} is not an observation; known: {', '.join(OBSERVATIONS)}"
    if afar and name in AT_THE_MACHINE:
        return f"{name} is told at the machine only: esterward record add"
    unit, low, high, what = OBSERVATIONS[name]
    if value is None or not isfinite(value) or not low <= value <= high:
        return f"{name} ({what}) must be a number from {low:g} to {high:g} {unit}"
    if state in ("stopped", "complete"):
        return f"the batch is {state}; nothing more is taken down"
    if name in CHANGES_SHEET and state != "idle" and (
        STEPS[step].stage not in SHEET_STAGES or step in SHEET_CLOSED_STEPS
    ):
        return f"{name} changes the batch sheet, which was confirmed at the reactor"
    if name == UNREACTED and step not in UNREACTED_STEPS:
        return f"{name} is told when the conversion check asks for it, or at the second dose"
    if name == READING and sum(told in (READING, ANEW) for told, _ in observed) >= READINGS_MAX:
        return (f"{READINGS_MAX} titration readings are told already; tell {ANEW} to begin a new "
                "titration")
    return ""


def take(observed: list[tuple[str, float]], name: str, value: float) -> None:
    """Note what was told. Of everything but readings only the newest is kept: it is bounded."""
    forget(observed, *((READING, ANEW) if name == ANEW else () if name == READING else (name,)))
    observed.append((name, value))


def forget(observed: list[tuple[str, float]], *names: str) -> None:
    """What was told under these names holds no longer."""
    observed[:] = [row for row in observed if row[0] not in names]


def batch_with(batch: Batch, observed: list[tuple[str, float]]) -> Batch:
    """The batch with everything told so far: readings are added, or begun anew; litres replaced."""
    told = tuple(value for name, value in observed if name in (READING, ANEW))
    anew = any(name == ANEW for name, _ in observed)
    litres = last_told(observed, "oil_l")
    if not told and litres is None:
        return batch
    return replace(
        batch,
        titration_readings_ml=told if anew else batch.titration_readings_ml + told,
        oil_volume_l=batch.oil_volume_l if litres is None else litres,
    )


def methoxide_cool(observed: list[tuple[str, float]]) -> bool:
    """No methoxide above the limit for dosing is told; it need not be told at all."""
    told_c = last_told(observed, METHOXIDE)
    return told_c is None or told_c <= METHOXIDE_GATE_C


def last_told(observed: list[tuple[str, float]], name: str) -> float | None:
    """The newest value told under a name, or None."""
    for told, value in reversed(observed):
        if told == name:
            return value
    return None
