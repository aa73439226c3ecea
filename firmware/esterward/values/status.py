"""What a person or another program is shown: one picture of now."""

from __future__ import annotations

from dataclasses import dataclass

# What a person reads for each stage; the others read as they are called.
STAGE_WORDS = {"dose": "add methoxide", "mix": "mix and react"}
# IEC 61512 state -> the word a person is shown.
STATE_WORDS = {
    "idle": "waiting", "running": "running", "pausing": "held", "paused": "held",
    "holding": "held", "held": "held", "restarting": "running", "stopping": "stopped",
    "stopped": "stopped", "aborting": "stopped", "aborted": "stopped", "complete": "done",
}
# A cause that shows only while something runs may be there all the same.
STANDS, GONE = "Its cause still stands.", "Its cause is not seen any more."
SEEN = "[blue = seen]"  # what a short press says to an alarm nobody has seen yet


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm that is not normal; state is one of the IEC 62682 words in safety.alarms."""

    code: str
    severity: str
    state: str
    sentence: str
    action: str


@dataclass(frozen=True, slots=True)
class Status:
    """The picture. None means not known or not applicable; seconds are of the batch clock.

    answers says how the prompt is answered at the reactor, e.g. "green = yes, blue = no".
    left_s is the expected time left in this step, progress its part done, 0..1.
    unseen: an alarm waits for a short press of blue.
    """

    batch: str
    state: str
    stage: str
    step: str
    title: str
    elapsed_s: float
    step_s: float
    left_s: float | None
    progress: float | None
    oil_c: float | None
    oil_age_s: float | None
    setpoint_c: float | None
    ceiling_c: float | None
    boiling_c: float | None
    flag: bool | None
    element: bool
    mixer: bool
    air: bool
    withheld: tuple[str, ...]
    prompt: str
    prompt_text: str
    answers: str
    presence_left_s: float | None
    presence_wanted: bool
    alarms: tuple[Alarm, ...]
    first_out: str
    latches: tuple[str, ...]
    credit_min: float
    settled_s: float
    repeat: int
    unseen: bool = False
