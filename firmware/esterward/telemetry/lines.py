"""Events and alerts in words: one line for each event, one text for each alert. Pure.

A line is sent once and not kept by the broker; an alert is kept by the broker until it is
over. A line that must arrive (a stage, an alarm, a question) is never dropped before others.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isfinite
from typing import Any, Final

from esterward.telemetry.topics import prompt_words, rfc3339, to_id
from esterward.values.events import EVENT_KINDS, Event, Plain
from esterward.values.requests import OBSERVATIONS
from esterward.values.status import STAGE_WORDS, STATE_WORDS, Status

PERSON_WANTED: Final = "person-wanted"
PRESENCE: Final = "presence-press"
STAGE_FINISHED: Final = "stage-finished"
ALARM_PREFIX: Final = "alarm-"
FIXED_ALERTS: Final = (PERSON_WANTED, PRESENCE, STAGE_FINISHED)

# kind -> words; {name} is a key of the event's data in words. Every kind has a row.
LINE_WORDS: Final[dict[str, str]] = {
    "batch_started": "batch {batch} started",
    "batch_ended": "batch ended: {state}",
    "state_changed": "{new}: {why}",
    "stage_started": "{stage} started",
    "stage_ended": "{stage} finished: {outcome}",
    "step_started": "{stage}: step {step}",
    "prompt_opened": "person wanted: {text}",
    "prompt_answered": "answered {prompt}: {answer}",
    "alarm_raised": "alarm {code} ({severity}): {sentence} {action}",
    "alarm_acknowledged": "alarm {code} acknowledged",
    "alarm_returned": "alarm {code} is over",
    "latched": "latched: {code}",
    "latch_reset": "latch {code} reset, {resets}",
    "guard_latched": "the guard latched: {code}",
    "guard_reset": "the guard's latch {code} reset, {resets}",
    "flag_set": "methanol flag set: methanol may be in the vessel",
    "flag_cleared": "methanol flag cleared: {evidence}",
    "check_seen": "start check seen: {check}",
    "observation": "told {source}: {name} {value}",
    # It only ever changes before green held confirms it: process/observations.py.
    "sheet_changed": "batch sheet would be: catalyst {mass_g} g, methanol {methanol_l} L; not "
                     "confirmed yet",
    "request_accepted": "request {id} accepted",
    "request_refused": "request {id} refused: {why}",
    "vessel_learnt": "learnt of the vessel: {rate_k_s} K/s at full power, lags {element_s} s "
                     "of the element and {probe_s} s of the probe",
    "grant_withheld": "{output} withheld: {why}",
    "note": "{text}",
}

SOURCES: Final = {"local": "at the machine", "mqtt": "from afar"}

# These may go first when the outbox is full; every other kind is kept as long as possible.
MINOR_KINDS: Final = frozenset({
    "step_started", "check_seen", "observation", "sheet_changed", "request_accepted",
    "request_refused", "grant_withheld", "note",
    "vessel_learnt",
})


class _Words(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return "?"


def number_words(value: Plain) -> str:
    """A value as a person writes it."""
    if value is None:
        return "not known"
    if type(value) is float:
        return f"{value:.6g}" if isfinite(value) else "not known"
    if type(value) is bool:
        return "yes" if value else "no"
    return str(value)


def duration_words(seconds: float) -> str:
    """Seconds as '1 h 52 min', '14 min' or '40 s'."""
    if not isfinite(seconds) or seconds < 0:
        return "not known"
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def line_words(event: Event) -> str:
    """The event as one plain sentence for a person."""
    data = event.data
    words = _Words({key: number_words(value) for key, value in data.items()})
    if "stage" in data:
        words["stage"] = STAGE_WORDS.get(words["stage"], words["stage"])
    repeat = data.get("repeat")
    if type(repeat) is int and repeat > 1:
        words["stage"] += f" (run {repeat})"
    for key in ("new", "old", "state"):
        if key in data:
            words[key] = STATE_WORDS.get(words[key], words[key])
    if "resets" in data:
        words["resets"] = (f"{words['resets']} in this batch" if data["resets"]
                           else "not counted, no batch under way")
    name = data.get("name")
    if event.kind == "observation" and name in OBSERVATIONS:
        words["name"] = str(name).rsplit("_", 1)[0].replace("_", " ")  # the unit follows it
        value = data.get("value")
        if isinstance(value, float):
            words["value"] = number_words(round(value, 2))
        words["value"] += f" {OBSERVATIONS[str(name)][0]}"
        words["source"] = SOURCES.get(words["source"], words["source"])
    text = LINE_WORDS.get(event.kind, event.kind).format_map(words)
    if event.kind == "latched" and data.get("first_out") is True:
        text += ", the first of its chain"
    started_s = data.get("started_s")
    if event.kind == "stage_ended" and isinstance(started_s, int | float):
        text += f", after {duration_words(event.at_s - started_s)}"
    return " ".join(text.split())


def event_line(event: Event, wall_s: float | None, boot: str) -> str:
    """The event as one JSON line: boot and number (the same twice is the same event), at_s, text.

    A number alone may come twice: what was not on the disk in a power cut is counted anew.
    """
    line: dict[str, Any] = {"boot": boot, "number": event.number, "at_s": _finite(event.at_s)}
    stamp = rfc3339(wall_s)
    if stamp is not None:
        line["ts"] = stamp
    line["kind"] = event.kind
    line["text"] = line_words(event)
    line["data"] = {key: _finite(value) for key, value in event.data.items()}
    return json.dumps(line, ensure_ascii=False, separators=(",", ":"))


def _finite(value: Plain) -> Plain:
    return None if type(value) is float and not isfinite(value) else value


def is_minor(event: Event) -> bool:
    """True when this line may be dropped before stages, alarms and questions."""
    return event.kind in MINOR_KINDS or event.kind not in EVENT_KINDS


def finished_words(event: Event, now: str) -> str:
    """The alert when a stage ended; now is what is going on now, "" when nothing is."""
    text = line_words(event)
    return f"{text}. Now: {now}." if now else f"{text}."


def alert_id_of(code: str) -> str:
    """Alert id of an alarm code."""
    return to_id(ALARM_PREFIX + code)


def alerts(status: Status, finished: str) -> Mapping[str, str]:
    """Every alert that stands for this status: id -> text for a person."""
    found: dict[str, str] = {}
    if finished:
        found[STAGE_FINISHED] = finished
    if status.prompt:
        found[PERSON_WANTED] = "You are wanted: " + prompt_words(status)
    if status.presence_wanted and status.prompt != "presence":  # then the question says it
        found[PRESENCE] = ("Press green at the reactor to show that somebody is there; "
                           "otherwise heat, mixer and air stop.")
    for alarm in status.alarms:
        found[alert_id_of(alarm.code)] = " ".join(f"{alarm.sentence} {alarm.action}".split())
    return found


# What ends the "stage finished" alert: somebody has been there, or a new batch begins.
ENDS_FINISHED: Final = frozenset({"prompt_answered", "alarm_acknowledged", "batch_started"})
