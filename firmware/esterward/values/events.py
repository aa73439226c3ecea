"""Numbered events: what happened, in batch time, with plain data. Same seed, same bytes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

Plain = str | int | float | bool | None

# kind -> the keys of its data
EVENT_KINDS: Final[dict[str, tuple[str, ...]]] = {
    "batch_started": ("batch",),
    "batch_ended": ("state",),
    "state_changed": ("old", "new", "why"),
    "stage_started": ("stage", "repeat"),
    "stage_ended": ("stage", "repeat", "started_s", "outcome"),
    "step_started": ("stage", "step"),
    "prompt_opened": ("prompt", "text"),
    "prompt_answered": ("prompt", "answer"),
    "alarm_raised": ("code", "severity", "sentence", "action"),
    "alarm_acknowledged": ("code",),
    "alarm_returned": ("code",),
    "latched": ("code", "first_out"),
    "latch_reset": ("code", "resets"),
    "guard_latched": ("code",),
    "guard_reset": ("code", "resets"),
    "flag_set": (),
    "flag_cleared": ("evidence",),
    "check_seen": ("check",),
    "observation": ("name", "value", "source", "counts"),
    "sheet_changed": ("mass_g", "methanol_l"),
    "request_accepted": ("id",),
    "request_refused": ("id", "why"),
    "vessel_learnt": ("version", "vessel", "rate_k_s", "loss_slope", "element_s", "probe_s"),
    "grant_withheld": ("output", "why"),
    "note": ("text",),
}


@dataclass(frozen=True, slots=True)
class Event:
    """number counts from 1 over the life of the record; at_s is batch time."""

    number: int
    at_s: float
    kind: str
    data: dict[str, Plain]


class EventLog:
    """Numbers the events of one tick. add() gives the number, which durability is asked by."""

    __slots__ = ("at_s", "events", "last")

    def __init__(self, last: int, at_s: float) -> None:
        self.last, self.at_s = last, at_s
        self.events: list[Event] = []

    def add(self, kind: str, **data: Plain) -> int:
        """Append an event of a known kind with exactly its keys; its number is returned."""
        if tuple(data) != EVENT_KINDS[kind]:
            raise ValueError(f"event {kind} carries {EVENT_KINDS[kind]}, not {tuple(data)}")
        self.last += 1
        self.events.append(Event(self.last, self.at_s, kind, data))
        return self.last
