"""What the process is told, what it wishes, and what it remembers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from esterward.chemistry.boiling import Limits
from esterward.process.mixing import MIXING_STEPS, doubt, longer_s
from esterward.process.sequence import FINAL_STATES
from esterward.process.stages import FIRST_STEP
from esterward.process.start import StartChecks
from esterward.process.targets import TargetState
from esterward.process.timers import Timers
from esterward.values.readings import Inputs

HAND_PUMP_S: Final = 60.0  # [design] a press: a stuck button must not empty a drum onto the floor


@dataclass(slots=True)
class World:
    """What the process is told of one tick. None means not known; booleans mean proven.

    probes_gapless: both probes are read and no gap between their readings is remembered.
    flag is the controller's methanol flag; flag_doubted: the controller or the guard says set.
    stored: number of the last event on disk; stores: what happens comes there in time.
    """

    dt_s: float
    now_s: float
    boot: str
    wall_s: float | None
    periodic: bool
    oil_c: float | None
    probes_gapless: bool
    new_oil_c: float | None
    inputs: Inputs | None
    level_wet: bool
    mixer_proven: bool
    mixer_rests: bool
    element_rests: bool
    element_was_on: bool | None
    k2_rests: bool
    flag: bool
    flag_doubted: bool
    flag_stored: bool
    flag_cleared: bool
    limits: Limits | None
    gestures: tuple[str, ...]
    hold: bool
    abort: bool
    pause: bool
    reason: str
    latched: tuple[str, ...]     # codes of the latches, first-out first
    flag_first: bool             # the first of them may be there for a doubtful flag alone
    restart_ok: bool
    remote_hold: bool
    stored: int
    stores: bool

    @property
    def flag_may_clear(self) -> bool:
        """No latch must be reset before the methanol question: what is shown is what is asked."""
        return self.flag_first or not self.latched


@dataclass(slots=True)
class Wish:
    """What the process asks for; every default asks for nothing."""

    element: bool = False
    heating: bool = False
    over_aim: bool = False   # no solid-state switch needs its contactor now
    melting: bool = False    # heat comes in pulses; this stays between them
    mixer: bool = False
    air: bool = False
    vent: bool = False       # the fan, for its start check alone
    k2_only: bool = False
    hand_pump: bool = False


@dataclass(slots=True)
class ProcessState:
    """Everything the process remembers, plain enough for a checkpoint.

    methanol_in: methoxide may have been poured; from the dose until the washed statement.
    second_share: the first share of a two-stage plan is drained off, the second being made.
    unconverted: the conversion check failed after the last further dose.
    waiting: the question that cannot be asked until a person has mended something.
    lost: nobody knows how far the batch is, so it can only be ended.
    poured_s: of the pour of this dose, what was counted before it was broken off.
    interrupted: a person goes on in this step after a stop, so part of it may be done already.
    molten: set fat has been warmed to where all of it is liquid.
    flow_s: for how much of this press the pump has proven its flow, the last of it without a gap.
    hand_s: how long the pump has run of this press; HAND_PUMP_S is also "this press never may".
    """

    state: str = "idle"
    step: str = FIRST_STEP
    why: str = ""
    lost: bool = False
    elapsed_s: float = 0.0
    row_started_s: float = 0.0
    repeats: dict[str, int] = field(default_factory=dict)
    timers: Timers = field(default_factory=Timers)
    target: TargetState = field(default_factory=TargetState)
    checks: StartChecks = field(default_factory=StartChecks)
    gate_number: int = 0
    asked: str = ""
    asked_text: str = ""
    waiting: str = ""
    flag_wait_s: float = 0.0
    washes_done: int = 0
    second_doses: int = 0
    second_share: bool = False
    unconverted: bool = False
    evidence: list[str] = field(default_factory=list)
    observed: list[tuple[str, float]] = field(default_factory=list)
    methanol_in: bool = False
    poured_s: float = 0.0
    interrupted: bool = False
    hand_s: float = HAND_PUMP_S
    molten: bool = False
    flow_s: float = 0.0
    heater: dict[str, Any] | None = None
    learnt: dict[str, float] | None = None
    learnt_note: str = ""

    @property
    def under_way(self) -> bool:
        """A batch is: from its start to its end, in every state between."""
        return self.state != "idle" and self.state not in FINAL_STATES

    @property
    def should_mix(self) -> bool:
        """The step is one whose mixing earns credit, whatever keeps the mixer."""
        return self.under_way and self.step in MIXING_STEPS

    @property
    def doubt(self) -> str:
        """What is said of the longest stand of this mixing, "" while that is no matter."""
        return doubt(longer_s(self.timers.stood_s, self.timers.unmixed_s))

    def stood_still(self, outage_s: float | None) -> None:
        """Nothing ran for so many seconds before this start; None: nobody knows how long."""
        if self.should_mix:
            before_s = self.timers.unmixed_s
            self.timers.unmixed_s = (None if before_s is None or outage_s is None
                                     else before_s + outage_s)
