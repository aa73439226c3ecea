"""What people tell, and what it does to the batch sheet.

A number that changes what is weighed counts only until the batch sheet is confirmed at the
reactor (green held); later it is refused, because the methoxide is already being made.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import Final

from esterward.process.stages import STEPS
from esterward.values.batch import Batch
from esterward.values.requests import OBSERVATIONS

CHANGES_SHEET: Final = ("titration_ml", "oil_l")
SHEET_STAGES: Final = ("fill", "dewater", "cool", "heat", "methoxide")
SHEET_CLOSED_STEPS: Final = ("methoxide.dissolve", "methoxide.second")


def refusal(name: str, value: float | None, step: str, state: str) -> str:
    """Why the observation cannot be taken now, empty when it can."""
    if name not in OBSERVATIONS:
        return f"{name!r} is not an observation; known: {', '.join(OBSERVATIONS)}"
    unit, low, high, what = OBSERVATIONS[name]
    if value is None or not isfinite(value) or not low <= value <= high:
        return f"{name} ({what}) must be a number from {low:g} to {high:g} {unit}"
    if state in ("stopped", "complete"):
        return f"the batch is {state}; nothing more is taken down"
    if name in CHANGES_SHEET and state != "idle" and (
        STEPS[step].stage not in SHEET_STAGES or step in SHEET_CLOSED_STEPS
    ):
        return f"{name} changes the batch sheet, which was confirmed at the reactor"
    return ""


def batch_with(batch: Batch, observed: list[tuple[str, float]]) -> Batch:
    """The batch with everything told so far: readings are added, litres replaced."""
    readings = tuple(value for name, value in observed if name == "titration_ml")
    litres = [value for name, value in observed if name == "oil_l"]
    if not readings and not litres:
        return batch
    return replace(
        batch,
        titration_readings_ml=batch.titration_readings_ml + readings,
        oil_volume_l=litres[-1] if litres else batch.oil_volume_l,
    )


def last_told(observed: list[tuple[str, float]], name: str) -> float | None:
    """The newest value told under a name, or None."""
    for told, value in reversed(observed):
        if told == name:
            return value
    return None
