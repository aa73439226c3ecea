"""docs/reference/topics.md from the tables, so that the two cannot differ.

    python -m esterward.telemetry.reference > docs/reference/topics.md
"""

from __future__ import annotations

from typing import Final

from esterward.telemetry.topics import topic_table
from esterward.values.requests import FROM_AFAR, OBSERVATIONS, REMOTE_KINDS

_HEAD: Final = """\
# Every MQTT topic

Made by `python -m esterward.telemetry.reference`; a test fails when it is stale. `<id>` is
`[mqtt] id` of reactor.toml. Units: degC, L, g, kPa, s; times RFC 3339 in UTC. A value that is
not known is deleted, never shown as a number; in the JSON lines it is null. Nothing here can
energise an output, and losing the broker changes nothing in the batch.

The tree follows the Homie convention 5.0 (homieiot.github.io/specification, 11 May 2025), with
two departures:

1. Retained properties, `$state` and `$alert` go out with QoS 1 where the convention recommends
   QoS 2: each of them says the whole of what is so now, so that hearing one twice does no harm.
2. Momentary properties (`stream/event`, `remote/answer`) go out with QoS 1 where the convention
   wants QoS 0: that a stage ended must arrive. They may arrive twice; an event's `boot` and
   `number` together, an answer's `id` tell. The number alone does not: events are told before they
   are on the disk, and after a power cut the next start counts on from the last one there. Samples
   go out with QoS 0.

One retained discovery message for home-automation hubs stands beside the tree, in
`homeassistant/device/<id>/config`.

"""

_REQUESTS: Final = """
## Requests

One JSON object to `homie/5/<id>/remote/request/set`, not retained, for example

    {"id": "phone-17", "nonce": "<remote/nonce>", "kind": "observe", "name": "glycerol_l",
     "value": 16.9}

`nonce` is what `remote/nonce` shows now; a new one comes each 60 s and the last two count. Each
`id` counts once. The answer comes on `remote/answer`, and with MQTT 5 on the response topic too:
`{"id": ..., "accepted": true|false, "why": ...}`. Of an observation `true` means that it is on the
disk. If it is not there within 10 s the answer is `false` with that as `why`: the reading is noted
and shown, but a power cut would lose it, so look at the reactor before you send it again; the same
if no answer comes. A titration reading is shown at the reactor and counts only once green is held
there. The litres in the vessel, the methoxide's temperature and the unreacted layer are told at the
machine only (`esterward record add`).

"""


def page() -> str:
    """The whole document."""
    kinds = ", ".join(f"`{kind}`" for kind in REMOTE_KINDS)
    rows = [f"| `{name}` | {unit} | {low:g} to {high:g} | {what} |"
            for name, (unit, low, high, what) in OBSERVATIONS.items() if name in FROM_AFAR]
    return (_HEAD + topic_table() + _REQUESTS + f"Kinds: {kinds}. What may be observed:\n\n"
            "| name | unit | allowed | what |\n|---|---|---|---|\n" + "\n".join(rows) + "\n")


if __name__ == "__main__":
    print(page(), end="")
