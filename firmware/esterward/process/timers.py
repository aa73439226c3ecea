"""Seconds turned into facts: step time, mixing credit, settled time, proofs of rest.

Only proven time counts: a gap between two ticks longer than GAP_S counts as GAP_S for what
helps the batch on. Sources, here and in the other files of this package: [design] the project's
own decision; [practice] common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from esterward.chemistry.credit import (
    ASK_ANYWAY_MIN,
    DONE_EQUIVALENT_MIN,
    DONE_REAL_MIN,
    mixing_weight,
)
from esterward.process.mixing import longer_s
from esterward.values.batch import Batch

GAP_S: Final = 2.0                    # [design] two ticks; in a longer one nobody looked
# [design] the same sums as the sheet's forecast
CREDIT_S: Final = DONE_EQUIVALENT_MIN * 60.0
MIXED_S: Final = DONE_REAL_MIN * 60.0
MIX_AT_MOST_S: Final = ASK_ANYWAY_MIN * 60.0
FIRST_DRAIN_S: Final = 3600.0         # [practice] most of the glycerol is down
FIRST_DRAIN_C: Final = 49.0           # published advice: cool below 120 degF before any plastic
HEAT_OFF_PROOF_S: Final = 120.0       # [design] twice the lag of a usual element
AT_TARGET_S: Final = 60.0             # [design] no reading in passing
AT_TARGET_K: Final = 1.0              # [design] the heater law lands within 0.3 K
POUR_EXTRA_S: Final = 30 * 60.0       # [design] a slow hand is in time, an armed gate ends
DEWATER_BOIL_S: Final = 30 * 60.0     # [practice]
# These dry or stir only while something runs: what stands still under an open lid does neither.
WORKED: Final = ("wash_stir", "dry")


@dataclass(slots=True)
class Timers:
    """All clocks of the batch, in seconds; step_s and worked_s restart with each step.

    worked_s: the part of step_s in which the mixer proved itself.
    stirred_off_s: the part of heat_off_s in which the mixer proved itself.
    unmixed_s: how long the mixer has not proved itself where it should mix; stood_s: the longest
    of these before, until the conversion check is answered. None: nobody knows how long.
    """

    step_s: float = 0.0
    worked_s: float = 0.0
    credit_s: float = 0.0
    mixed_s: float = 0.0
    unmixed_s: float | None = 0.0
    stood_s: float | None = 0.0
    settled_s: float = 0.0
    heat_off_s: float = 0.0
    stirred_off_s: float = 0.0
    at_target_s: float = 0.0
    state_s: float = 0.0

    def count(
        self, dt_s: float, *, running: bool, mixing: bool, mixer_proven: bool,
        mixer_rests: bool, element_rests: bool, oil_c: float | None, target_c: float | None,
    ) -> None:
        """Add one tick of dt_s seconds. mixing: the step is one whose mixing earns credit.

        That the oil stood unmixed counts in every state of the batch, and a gap in full.
        """
        proven_s = min(dt_s, GAP_S)
        self.state_s += dt_s
        if running:
            self.step_s += proven_s
            if mixer_proven:
                self.worked_s += proven_s
        if mixing and mixer_proven:
            self.stood_s, self.unmixed_s = longer_s(self.stood_s, self.unmixed_s), 0.0
        elif mixing and self.unmixed_s is not None:
            self.unmixed_s += dt_s
        if running and mixing and mixer_proven:
            self.mixed_s += proven_s
            self.credit_s += proven_s * (mixing_weight(oil_c) if oil_c is not None else 0.0)
        if mixer_rests and element_rests:
            self.settled_s += proven_s
        elif mixer_proven:
            self.settled_s = 0.0
        self.heat_off_s = self.heat_off_s + proven_s if element_rests else 0.0
        stirred_s = proven_s if mixer_proven else 0.0
        self.stirred_off_s = self.stirred_off_s + stirred_s if element_rests else 0.0
        near = (oil_c is not None and target_c is not None
                and abs(oil_c - target_c) <= AT_TARGET_K)
        self.at_target_s = self.at_target_s + proven_s if near and mixer_proven else 0.0

    def done_s(self, timer: str, *, sits: bool) -> float:
        """What counts of the time of a step with this timer, in seconds. sits: as in its row."""
        if sits:
            return self.settled_s
        return self.worked_s if timer in WORKED else self.step_s


_SECONDS: Final[dict[str, Callable[[Batch], float | None]]] = {
    "": lambda batch: None,
    "dewater_stand": lambda batch: batch.dewater_stand_min * 60.0,
    "dewater_boil": lambda batch: DEWATER_BOIL_S,
    "dissolve": lambda batch: batch.dissolve_min * 60.0,
    "pour": lambda batch: batch.pour_min * 60.0,
    "mix": lambda batch: CREDIT_S,
    "first_drain": lambda batch: FIRST_DRAIN_S,
    "settle": lambda batch: batch.settle_h * 3600.0,
    "wash_stir": lambda batch: batch.wash_stir_min * 60.0,
    "wash_stand": lambda batch: batch.wash_stand_min * 60.0,
    "dry": lambda batch: batch.dry_min * 60.0,
}


def step_seconds(timer: str, batch: Batch) -> float | None:
    """The planned seconds of a step's timer; None when the step has none."""
    return _SECONDS[timer](batch)
