"""The last lines of a rehearsal: how it ended, how hot it got, what to do, where its record is."""

from __future__ import annotations

import os
import shlex
import shutil
import sys
from pathlib import Path
from typing import Any, Final

from esterward.chemistry.wording import METRIC
from esterward.record.report import took
from esterward.safety.faults import FAULTS
from esterward.values.messages import GUARD_LATCHES
from esterward.values.status import STATE_WORDS
from esterward_sim.rehearsal import UNRECORDED
from esterward_sim.scenario_run import trips
from esterward_sim.view import stage_words

# In these the reason of the state tells how it began, not why it went no further.
UNDER_WAY: Final = ("idle", "running", "restarting")


def last_lines(result: Any, path: Path, rig: Any) -> list[str]:
    """What is printed below the picture."""
    plain = result.json()
    if result.complete:
        lines = ["", f"The batch is complete: {plain['simulated_s'] / 3600:.1f} h in "
                     f"{plain['wall_s']:.0f} s."]
    else:
        lines = ["", f"The batch did not end complete: {_how(plain)}."]
        latched = trips(result)  # without those of the start checks
        if latched:
            code = latched[-1]
            lines.append(f"Last trip: {code}: {FAULTS[code].sentence}" if code in FAULTS
                         else f"Last trip: {code}.")
        lines += [f"Withheld: {_withheld(one)}" for one in result.withheld]
        if result.showing:
            lines.append(f"It shows: {result.showing}")
        if "controller_hangs" in rig.plant.faults:
            guard = ", ".join(GUARD_LATCHES.get(code, code) for code in rig.guard.state.latches)
            lines.append("The controller still hangs: what stands above is its last word. The "
                         f"guard has latched: {guard or 'nothing'}; the element is "
                         f"{'ON' if rig.plant.element_on else 'off'}.")
    peak, over = plain["peak_oil_c"], plain["overshoot_k"]
    if peak is not None and over is not None:
        lines.append(f"Hottest from heating to the end of the mix: {peak:.2f} degC, "
                     f"{round(over, 2) + 0.0:+.2f} K from the setpoint, ceiling "
                     f"{METRIC.limit(result.ceiling_c)}.")
    if result.boiled_off_l >= 0.01 or result.local_boiling_s > 0.0:
        lines.append(f"Methanol boiled: {result.boiled_off_l:.2f} L of it off, and for "
                     f"{took(result.local_boiling_s)} at the element's surface.")
    if result.flammable_s > 0.0:
        lines.append("The headspace was within the flammable range of methanol for "
                     f"{took(result.flammable_s)}.")
    return [*lines, f"The record lies in {path}; read it with:",
            f"  {shlex.quote(_me())} record show {shlex.quote(str(path))}"]


def _how(plain: dict[str, Any]) -> str:
    """State, stage and why, as far as the reason explains it."""
    state = "waiting for a start" if plain["state"] == "idle" else STATE_WORDS[plain["state"]]
    where = f" in {stage_words(plain['stages'][-1]['stage'])}" if plain["stages"] else ""
    why = plain["why"]
    if plain["state"] in UNDER_WAY and not why.startswith(UNRECORDED):
        why = f"given up {took(plain['simulated_s'])} after switching on"
    return f"{state}{where} ({why})" if why else f"{state}{where}"


def _withheld(one: str) -> str:
    """"heat: probes-apart" with the fault's sentence."""
    output, _, code = one.partition(": ")
    return f"{output}: {FAULTS[code].sentence}" if code in FAULTS else f"{output}: {code}."


def _me() -> str:
    """How this program is called here: by name when the shell finds it, else by its path."""
    if shutil.which("esterward") or not Path(sys.argv[0]).is_file():
        return "esterward"
    return os.path.relpath(sys.argv[0])
