"""The one table of what is published: nodes, properties, datatypes, units, retained, QoS.

Pure: text in, text out; no broker, no clock. The description document, the retained values,
the sample and the table in the docs are all made from PROPERTIES, so they cannot drift apart.

Follows the Homie convention 5.0 (homieiot.github.io/specification, 11 May 2025): ids of
a-z, 0-9 and "-"; values as UTF-8 text; an empty string value is the one byte 0; an empty
payload deletes a topic; NaN is no payload. So a value that is not known is deleted, never
shown as a number. Two departures, both named in the docs: QoS 1 where the convention
recommends 2 (retained) or wants 0 (momentary events: a stage that ended must arrive).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from typing import Any, Final
from zlib import crc32

from esterward.values.rounding import down
from esterward.values.status import STAGE_WORDS, STATE_WORDS, Status

BASE: Final = "homie/5"
SAMPLE_S: Final = 5.0  # between two samples, and between two values of pace EACH_SAMPLE
MINUTE_S: Final = 60.0  # between two values of pace EACH_MINUTE, and between two nonces

AT_ONCE: Final = "at once"
EACH_SAMPLE: Final = "5 s"
EACH_MINUTE: Final = "60 s"
BY_LINK: Final = "by the link"  # not a picture of the status: the link publishes these itself

STATE_INIT, STATE_READY, STATE_DISCONNECTED, STATE_LOST = "init", "ready", "disconnected", "lost"

DELETED: Final = ""
EMPTY_TEXT: Final = "\x00"
_ID = re.compile(r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?\Z")


@dataclass(frozen=True, slots=True)
class Property:
    """One row. about says what it is; field is the Status field it shows ("" = see value).

    sampled: also a key of the sample, under the name of the field. limit: rounded down. hub:
    what a home-automation hub should make of it: platform, then its options; empty = nothing.
    """

    node: str
    id: str
    name: str
    datatype: str
    pace: str
    about: str
    field: str = ""
    value: Callable[[Status], Any] | None = None
    unit: str = ""
    format: str = ""
    digits: int = 1
    retained: bool = True
    settable: bool = False
    qos: int = 1
    sampled: bool = False
    limit: bool = False
    hub: tuple[str, tuple[tuple[str, str], ...]] = ("", ())


NODES: Final[dict[str, str]] = {
    "batch": "Batch", "vessel": "Vessel", "outputs": "Outputs", "person": "Person wanted",
    "alarms": "Alarms", "remote": "Requests from afar", "stream": "Lines and samples",
}

_TEMPERATURE = ("sensor", (("device_class", "temperature"), ("state_class", "measurement")))
_SECONDS = ("sensor", (("device_class", "duration"),))
_RUNNING = ("binary_sensor", (("device_class", "running"),))
_TEXT = ("sensor", ())


def _words(status: Status) -> str:
    return status.title or STAGE_WORDS.get(status.stage, status.stage)


def _flag(status: Status) -> str:
    return "unknown" if status.flag is None else "set" if status.flag else "clear"


def _alarm_list(status: Status) -> list[dict[str, str]]:
    return [{"code": a.code, "severity": a.severity, "state": a.state, "sentence": a.sentence,
             "action": a.action} for a in status.alarms]


def prompt_words(status: Status) -> str:
    """The open question and how it is answered at the reactor; "" when none is open."""
    if not status.prompt:
        return ""
    text = status.prompt_text or status.prompt
    return f"{text} ({status.answers})" if status.answers else text


PROPERTIES: Final[tuple[Property, ...]] = (
    Property("batch", "name", "Batch", "string", AT_ONCE, "name of the batch", "batch"),
    Property("batch", "state", "Batch state", "enum", AT_ONCE, "state of IEC 61512", "state",
             format=",".join(STATE_WORDS)),
    Property("batch", "shown", "State", "enum", AT_ONCE, "the same in the word a person is shown",
             value=lambda s: STATE_WORDS.get(s.state), format=",".join(dict.fromkeys(
                 STATE_WORDS.values())), hub=_TEXT),
    Property("batch", "stage", "Stage (key)", "string", AT_ONCE, "stage of the stage table",
             "stage"),
    Property("batch", "step", "Step", "string", AT_ONCE, "step within the stage", "step"),
    Property("batch", "title", "Stage", "string", AT_ONCE, "stage and step in words",
             value=_words, hub=_TEXT),
    Property("batch", "repeat", "Repeat", "integer", AT_ONCE, "which run of this stage",
             "repeat", format="0:"),
    Property("batch", "elapsed", "Batch time", "float", EACH_MINUTE,
             "since the batch was started", "elapsed_s", unit="s", format="0:", sampled=True),
    Property("batch", "step-time", "Step time", "float", EACH_MINUTE, "spent in this step",
             "step_s", unit="s", format="0:", sampled=True),
    Property("batch", "left", "Time left", "float", EACH_MINUTE, "expected left in this step",
             "left_s", unit="s", format="0:", sampled=True, hub=_SECONDS),
    Property("batch", "progress", "Progress", "float", EACH_MINUTE, "part of this step done",
             value=lambda s: None if s.progress is None else 100.0 * s.progress, unit="%",
             format="0:100", hub=_TEXT),
    Property("batch", "credit", "Mixing credit", "float", EACH_MINUTE,
             "equivalent minutes at 55 degC", "credit_min", unit="min", format="0:",
             sampled=True),
    Property("batch", "settled", "Settled", "float", EACH_MINUTE,
             "proven still, nothing added", "settled_s", unit="s", format="0:", sampled=True),
    Property("vessel", "oil", "Oil", "float", EACH_SAMPLE, "temperature of the oil; deleted while "
             "there is no valid reading", "oil_c", unit="°C", digits=2, sampled=True,
             hub=_TEMPERATURE),
    Property("vessel", "setpoint", "Setpoint", "float", EACH_SAMPLE, "what the heater aims at",
             "setpoint_c", unit="°C", sampled=True, hub=_TEMPERATURE),
    Property("vessel", "ceiling", "Ceiling", "float", EACH_SAMPLE,
             "highest oil temperature allowed now", "ceiling_c", unit="°C", sampled=True,
             limit=True, hub=_TEMPERATURE),
    Property("vessel", "boiling", "Methanol boils at", "float", EACH_SAMPLE,
             "boiling point of methanol at this pressure", "boiling_c", unit="°C", sampled=True),
    Property("vessel", "methanol-flag", "Methanol in the vessel", "enum", AT_ONCE,
             "set = methanol may be in the vessel; unknown counts as set", value=_flag,
             format="set,clear,unknown", hub=_TEXT),
    Property("outputs", "element", "Element", "boolean", EACH_SAMPLE, "heating element on",
             "element", sampled=True, hub=_RUNNING),
    Property("outputs", "mixer", "Mixer", "boolean", AT_ONCE, "circulation pump on", "mixer",
             sampled=True, hub=_RUNNING),
    Property("outputs", "air", "Air pump", "boolean", AT_ONCE, "drying air on", "air",
             sampled=True),
    Property("outputs", "withheld", "Withheld", "string", EACH_SAMPLE,
             "what was wished and not granted, and why", value=lambda s: "; ".join(s.withheld)),
    Property("person", "wanted", "Person wanted", "boolean", AT_ONCE,
             "a question is open or a presence press is due",
             value=lambda s: bool(s.prompt) or s.presence_wanted,
             hub=("binary_sensor", ())),
    Property("person", "prompt", "Question", "string", AT_ONCE,
             "the open question and how it is answered; empty when none is open",
             value=prompt_words, hub=_TEXT),
    Property("person", "prompt-id", "Question (key)", "string", AT_ONCE, "key of the question",
             "prompt"),
    Property("person", "answers", "Answers", "string", AT_ONCE,
             "how it is answered at the reactor", "answers"),
    Property("person", "presence-left", "Presence left", "float", EACH_MINUTE,
             "until a presence press is due", "presence_left_s", unit="s", format="0:"),
    Property("alarms", "active", "Alarm", "boolean", AT_ONCE, "an alarm is not normal",
             value=lambda s: bool(s.alarms), hub=("binary_sensor", (("device_class", "problem"),))),
    Property("alarms", "list", "Alarms", "json", AT_ONCE,
             "every alarm that is not normal: code, severity, state, sentence, action",
             value=_alarm_list),
    Property("alarms", "first-out", "First out", "string", AT_ONCE, "which trip came first",
             "first_out", hub=_TEXT),
    Property("alarms", "latches", "Latched trips", "string", AT_ONCE,
             "trips waiting for a reset at the reactor", value=lambda s: ", ".join(s.latches)),
    Property("remote", "nonce", "Nonce", "string", BY_LINK,
             "goes into every request; a new one every 60 s, the last two count"),
    Property("remote", "request", "Request", "json", BY_LINK,
             "send to .../remote/request/set, not retained: id, nonce, kind, name, value",
             retained=False, settable=True),
    Property("remote", "answer", "Answer", "json", BY_LINK,
             "one for each request, unless more than 16 come in a second: id, accepted, why",
             retained=False),
    Property("stream", "boot", "Boot", "string", BY_LINK,
             "id of this start; now_s and numbers of another boot cannot be compared"),
    Property("stream", "event", "Event", "json", BY_LINK,
             "each event once by its boot and number: boot, number, at_s, kind, data, text",
             retained=False),
    Property("stream", "sample", "Sample", "json", BY_LINK,
             "numbers each 5 s; null = not known", retained=False, qos=0),
    Property("stream", "dropped", "Dropped", "integer", BY_LINK,
             "lines and samples lost because the broker was away too long", format="0:",
             hub=("sensor", (("entity_category", "diagnostic"),))),
)

BY_PACE: Final[dict[str, tuple[Property, ...]]] = {
    pace: tuple(p for p in PROPERTIES if p.pace == pace)
    for pace in (AT_ONCE, EACH_SAMPLE, EACH_MINUTE, BY_LINK)
}
SAMPLE_FIELDS: Final = (
    "batch", "state", "stage", "step", *(p.field for p in PROPERTIES if p.sampled))


def check_device_id(device_id: str) -> str:
    """The id itself; ValueError with what to write instead when it is no Homie id."""
    if not _ID.match(device_id):
        raise ValueError(
            f"{device_id!r} cannot be a device id: use 1 to 64 of a-z, 0-9 and '-', "
            "not starting or ending with '-', for example 'reactor-1'")
    return device_id


def to_id(text: str) -> str:
    """Any code as a Homie id: lower case, every other character a '-'."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:64].rstrip("-") or "x"


def state_topic(device_id: str) -> str:
    return f"{BASE}/{device_id}/$state"


def description_topic(device_id: str) -> str:
    return f"{BASE}/{device_id}/$description"


def alert_topic(device_id: str, alert_id: str) -> str:
    return f"{BASE}/{device_id}/$alert/{alert_id}"


def property_topic(device_id: str, node: str, property_id: str) -> str:
    return f"{BASE}/{device_id}/{node}/{property_id}"


def request_topic(device_id: str) -> str:
    """The only topic the controller subscribes to."""
    return property_topic(device_id, "remote", "request") + "/set"


def number_text(value: Any, digits: int) -> str:
    """A finite number with so many digits; anything else is DELETED."""
    if type(value) not in (int, float) or not isfinite(value):
        return DELETED
    return f"{value:.{digits}f}"


def payload(prop: Property, status: Status) -> str:
    """What the topic of this property says for this status; DELETED when it is not known."""
    value = prop.value(status) if prop.value is not None else getattr(status, prop.field)
    return text_of(prop, value)


def text_of(prop: Property, value: Any) -> str:
    """One value as the text of its datatype."""
    if value is None:
        return DELETED
    if prop.datatype == "float":
        if prop.limit and isfinite(value):
            value = down(value, prop.digits)
        return number_text(value, prop.digits)
    if prop.datatype == "integer":
        return number_text(value, 0)
    if prop.datatype == "boolean":
        return "true" if value is True else "false" if value is False else DELETED
    if prop.datatype == "json":
        return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    if prop.datatype == "enum":
        return value if value in prop.format.split(",") else DELETED
    return str(value) or EMPTY_TEXT


def description(device_id: str, name: str) -> str:
    """The $description document as JSON; its version is a checksum of the rest.

    The convention asks for another version whenever the document changes; a checksum does
    that by itself and is the same after a restart.
    """
    nodes: dict[str, Any] = {
        node: {"name": words, "properties": {}} for node, words in NODES.items()}
    for prop in PROPERTIES:
        entry: dict[str, Any] = {"name": prop.name, "datatype": prop.datatype}
        if prop.format:
            entry["format"] = prop.format
        if prop.unit:
            entry["unit"] = prop.unit
        if not prop.retained:
            entry["retained"] = False
        if prop.settable:
            entry["settable"] = True
        nodes[prop.node]["properties"][prop.id] = entry
    document: dict[str, Any] = {"homie": "5.0", "name": name or device_id, "nodes": nodes}
    body = json.dumps(document, sort_keys=True, ensure_ascii=False)
    document["version"] = crc32(body.encode("utf-8"))
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))


def rfc3339(wall_s: float | None) -> str | None:
    """Unix seconds as RFC 3339 in UTC with milliseconds; None when there is no such time."""
    if wall_s is None or not isfinite(wall_s):
        return None
    try:
        moment = datetime.fromtimestamp(wall_s, UTC)
    except (OverflowError, ValueError, OSError):
        return None
    return moment.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def _plain(value: Any) -> Any:
    if type(value) is float:
        return round(value, 3) if isfinite(value) else None
    return value


def sample(status: Status, now_s: float, wall_s: float | None, boot: str) -> str:
    """The numbers of now as one JSON line; units in the key names, null = not known.

    ts is left out when no clock is trusted; now_s counts from the boot named beside it.
    """
    line: dict[str, Any] = {}
    stamp = rfc3339(wall_s)
    if stamp is not None:
        line["ts"] = stamp
    line["now_s"] = _plain(now_s)
    line["boot"] = boot
    for field in SAMPLE_FIELDS:
        line[field] = _plain(getattr(status, field))
    if status.ceiling_c is not None and isfinite(status.ceiling_c):
        line["ceiling_c"] = down(status.ceiling_c, 3)
    line["flag"] = status.flag
    line["alarms"] = len(status.alarms)
    return json.dumps(line, ensure_ascii=False, separators=(",", ":"))


def topic_table() -> str:
    """The table of topics for the docs, in Markdown, from PROPERTIES."""
    rows = [
        "| topic below `homie/5/<id>/` | datatype | unit | format | retained | QoS "
        "| published | what |",
        "|---|---|---|---|---|---|---|---|",
        "| `$state` | enum | | init, ready, disconnected, lost | yes | 1 | at once "
        "| lost is the will: the broker says it when the controller is gone |",
        "| `$description` | json | | Homie 5.0 | yes | 1 | on connect | this table for programs |",
        "| `$alert/<id>` | string | | | yes | 1 | at once "
        "| text for a person; deleted when it is over |",
    ]
    for p in PROPERTIES:
        topic = f"{p.node}/{p.id}" + ("/set" if p.settable else "")
        limits = p.format.replace(",", ", ")
        pace = {AT_ONCE: "when it changes", EACH_SAMPLE: "when it changes, at most each 5 s",
                EACH_MINUTE: "when it changes, each 60 s and with each new step",
                BY_LINK: "as it says"}[p.pace]
        rows.append(f"| `{topic}` | {p.datatype} | {p.unit} | {limits} | "
                    f"{'yes' if p.retained else 'no'} | {p.qos} | {pace} | {p.about} |")
    return "\n".join(rows) + "\n"
