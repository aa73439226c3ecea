"""Whether a contactor opens and closes unasked, by its mirror contact and what drives its coil.

A change of command explains one edge of the read-back, for the time a contactor has to follow.
The window runs by the clock of the coil: a chattering contactor is mostly held as one that does
not close before five edges are seen, and a person who presses green again must not begin anew.
At rest edges are forgotten slowly, so that hours of a quiet contactor add up to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from esterward.safety import limits
from esterward.values.readings import Inputs

OWED_AT_MOST = 2  # switched on and off again before either was read back


@dataclass(slots=True)
class Contactor:
    """What is remembered of one contactor."""

    is_open: bool | None = None  # as last read, None: not read
    driven: bool = False
    driven_s: float = 0.0        # since that changed
    owed: int = 0                # edges that changes of command still explain
    edges_s: list[float] = field(default_factory=list)  # ages of the others, at most one too many


def watch_both(
    first: Contactor, second: Contactor, dt_s: float, inputs: Inputs | None, *, k1: bool, k2: bool,
    latches: list[str],
) -> None:
    """One look at K1 and K2, as commanded. inputs None: not read, or too late to say."""
    is_open = (None, None) if inputs is None else (inputs.k1_open, inputs.k2_open)
    floats = inputs is not None and inputs.level_wet  # the float is in K1's coil circuit
    watch(first, dt_s, driven=k1 and floats, is_open=is_open[0], latched="k1-chatter" in latches)
    watch(second, dt_s, driven=k2, is_open=is_open[1], latched="k2-chatter" in latches)


def watch(seen: Contactor, dt_s: float, *, driven: bool, is_open: bool | None,
          latched: bool) -> None:
    """One look. is_open None: not read, so nothing is known of edges since the last look.

    latched: a person has been told, and the cause counts as gone after the same time at rest.
    """
    fast = driven or seen.driven or latched
    grown_s = dt_s if fast else dt_s * limits.CHATTER_AT_REST
    seen.edges_s = [age_s + grown_s for age_s in seen.edges_s
                    if age_s + grown_s <= limits.CHATTER_S]
    seen.driven_s += dt_s
    if seen.driven_s > limits.READBACK_S:
        seen.owed = 0
    if driven is not seen.driven:
        seen.driven, seen.driven_s = driven, 0.0
        seen.owed = min(OWED_AT_MOST, seen.owed + 1)
    if is_open is not None and seen.is_open is not None and is_open is not seen.is_open:
        if seen.owed:
            seen.owed -= 1
        else:
            seen.edges_s = [*seen.edges_s, 0.0][-limits.CHATTER_EDGES - 1:]
    seen.is_open = is_open


def quiet(seen: Contactor) -> bool:
    """Whether it has made no more edges of its own than a contactor may."""
    return len(seen.edges_s) <= limits.CHATTER_EDGES
