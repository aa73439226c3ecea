"""When the vent fan runs. It is the one output that a fault never turns off.

Nothing else in the safety layer turns an output on; the fan takes vapour away and is not behind
K2, so it may. One that is not rated for the vapour has its supply switched outside, by a person.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

# Each of these turns the fan on, whatever it did before: methanol may be in the air, or an element
# that nobody commands may drive it there. Every other fault leaves the fan as it is.
VENTS: Final = ("vapour", "sump", "warming-off")


def fan_runs(ran: bool, *, flag: bool, wanted: bool, faults: Collection[str],
             halted: bool) -> bool:
    """Whether the fan runs in this tick; ran: whether it did in the one before.

    It runs with the methanol flag set, and where the batch wants it, granted heat or not. It goes
    off only by plan: not with any of faults, the codes that are latched here or at the guard or
    told and still there, nor while the batch is halted, that is on its way into or out of a pause,
    a hold or an abort. An e-stop is one of these: it cuts K2, and leaves a running fan running.
    """
    needed = flag or wanted or any(code in VENTS for code in faults)
    return needed or (ran and (bool(faults) or halted))
