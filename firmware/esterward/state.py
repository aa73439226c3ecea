"""What the controller remembers, and what of it may come back from a record. PURE.

It decides nothing. A state that names a step, a question or a fault this version does not know,
or of another version, is refused as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from esterward.process.prompts import PROMPTS, START_QUESTION
from esterward.process.sequence import BATCH_STATES
from esterward.process.stages import STEPS
from esterward.process.start import CHECKS
from esterward.process.state import ProcessState
from esterward.safety.faults import FAULTS
from esterward.safety.flag import FlagState
from esterward.safety.pressure import PressureState
from esterward.safety.state import SafetyState
from esterward.values.buttons import Buttons
from esterward.values.outputs import OUTPUT_NAMES
from esterward.values.plain import from_plain

# Raised with every release that changes a field or what one means. A record of another version
# goes on held, with the flag set and nothing else believed: see cli/run_start.py.
STATE_VERSION: Final = 4


@dataclass(slots=True)
class ControllerState:
    """Everything the controller remembers."""

    version: int = STATE_VERSION
    ticks: int = 0
    last_s: float | None = None
    last_event: int = 0
    flag: FlagState = field(default_factory=FlagState)
    buttons: Buttons = field(default_factory=Buttons)
    green_down: bool = True      # until seen up: a stuck button is nobody
    presence_press: bool = False
    pressure: PressureState = field(default_factory=PressureState)
    process: ProcessState = field(default_factory=ProcessState)
    safety: SafetyState = field(default_factory=SafetyState)
    commanded: list[bool] = field(default_factory=lambda: [False] * len(OUTPUT_NAMES))
    chirp_s: float = 0.0
    checkpoint_age_s: float = 0.0


def state_of(whole: object) -> ControllerState:
    """The state of its plain form; ValueError when it is of another version or shape."""
    version = whole.get("version") if isinstance(whole, dict) else None
    if version != STATE_VERSION:
        raise ValueError(f"it is of state version {version!r:.20}, this program reads version "
                         f"{STATE_VERSION}")
    state: ControllerState = from_plain(ControllerState, whole)
    process, safety = state.process, state.safety
    if (process.step not in STEPS or process.state not in BATCH_STATES
            or (process.asked not in ("", START_QUESTION) and process.asked not in PROMPTS)
            or not (set(safety.latches) | set(safety.alarms)) <= set(FAULTS)
            or process.checks.checks.keys() != CHECKS.keys()
            or len(state.commanded) != len(OUTPUT_NAMES)):
        raise ValueError("a controller state names a step, question, fault, check or output that "
                         "is not known")
    return state
