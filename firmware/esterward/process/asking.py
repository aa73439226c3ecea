"""Opening questions and taking their answers: which one is open now, and what a gesture says.

A question whose `asks_if` does not hold is not open: nothing answers it, and a person who can
mend that is told what it waits for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from esterward.process.prompts import CLEAR_QUESTION, PROMPTS, START_QUESTION, WAITS
from esterward.process.sequence import Facts
from esterward.process.stages import Step
from esterward.process.state import ProcessState, World
from esterward.values import buttons
from esterward.values.events import EventLog

SAYS_YES: Final = ("yes", "yesno")
SAYS_NO: Final = ("yesno", "gateno", "pump", "washed")
OPENS: Final = ("gate", "gateno")
# Rows that want heat with no methanol in the vessel: a flag set by a silence locks them.
CLEAR_HEATS: Final = ("melt", "dewater", "boil", "setpoint", "dry")
AT_REST: Final = ("held", "aborted")


def answer(state: ProcessState, facts: Facts, world: World, log: EventLog) -> None:
    """Turn this tick's gestures into the answer of the open question, one at most."""
    facts.yes = facts.no = facts.answered = facts.gate = False
    if state.gate_number and world.stored >= state.gate_number:
        state.gate_number, facts.gate = 0, True  # a gate opens once it is on disk
    if not state.asked or state.state != "running":
        return
    prompt = PROMPTS[state.asked]
    for gesture in world.gestures:
        said = ""
        if prompt.kind in SAYS_YES and gesture == buttons.GREEN_SHORT:
            said, facts.yes = "yes", True
        elif prompt.kind in SAYS_NO and gesture == buttons.BLUE_SHORT:
            said, facts.no = "no", True
        elif prompt.kind in OPENS and gesture == buttons.GREEN_HELD:
            said = "gate opened"
        if not said:
            continue
        number = log.add("prompt_answered", prompt=state.asked, answer=said)
        if said == "gate opened":
            state.gate_number = number
        facts.answered = facts.yes or facts.no
        if facts.yes and prompt.evidence and prompt.evidence not in state.evidence:
            state.evidence.append(prompt.evidence)
        return


def ask(state: ProcessState, facts: Facts, row: Step, world: World,
        words: Callable[[], dict[str, str]], log: EventLog) -> None:
    """Open the question of this moment when it may be asked; note each opening once."""
    name = waiting = ""
    if flag_in_doubt(state, row, world):
        name = CLEAR_QUESTION
    elif state.state == "running":
        prompt = PROMPTS.get(row.prompt)
        if prompt is not None and (not prompt.asks_if
                                   or getattr(facts, prompt.asks_if) is True):
            name = row.prompt
        elif prompt is not None and prompt.calls:
            waiting = row.prompt
    elif state.state == "idle":
        if not world.flag:
            name = START_QUESTION
        elif world.flag_may_clear:
            name = CLEAR_QUESTION
    if waiting != state.waiting:
        state.waiting = waiting
        if waiting:
            text = PROMPTS[waiting].instead.format_map(words())
            log.add("prompt_opened", prompt=WAITS, text=text)
    if name == state.asked:
        return
    state.asked, state.gate_number = name, 0  # what was answered before is of another moment
    if name and name != START_QUESTION:
        state.asked_text = PROMPTS[name].text.format_map(words())
        log.add("prompt_opened", prompt=name, text=state.asked_text)


def flag_in_doubt(state: ProcessState, row: Step, world: World) -> bool:
    """True when the clearing question is due: only its answer lets the batch go on.

    A silence between guard and controller, or a restart of either, sets the flag. Before the
    dose and after the washed statement a person may say that nothing is in; in between the
    flag is the truth, and nothing asks. Over hot oil the doubt trips too: that latch stays for as
    long as the flag, so it must not forbid the question; any other is reset first. A running row
    that wants no heat goes on without an answer.
    """
    return (world.flag_doubted and not state.methanol_in and world.flag_may_clear
            and (state.state in AT_REST or (state.state == "running" and row.heat in CLEAR_HEATS)))
