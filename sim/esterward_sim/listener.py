"""An independent subscriber: prints what one reactor says, one line each, for a person.

    python -m esterward_sim.listener HOST PORT DEVICE_ID

It knows only the public topics and shares no code with the link it listens to. Each line is
the batch time and what happened. It ends by itself when the reactor says `disconnected` or
the broker says `lost`, or on Ctrl-C. Exit codes: 0 the reactor said goodbye, 1 it was lost or
the broker went away, 2 bad arguments or no broker there.
"""

from __future__ import annotations

import contextlib
import json
import signal
import sys
from typing import Any, TextIO

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

USAGE = "usage: python -m esterward_sim.listener HOST PORT DEVICE_ID"
BASE = "homie/5"
# Said by an alert already, or too small for a person.
UNSAID = frozenset({"prompt_opened", "alarm_raised", "grant_withheld", "check_seen",
                    "step_started", "request_accepted", "request_refused", "alarm_returned"})
STATES = {
    "init": "the reactor is connecting", "ready": "the reactor is connected",
    "disconnected": "the reactor said goodbye", "lost": "the reactor is LOST: nobody knows what "
    "it does; go and look",
}


def batch_time(seconds: float | None) -> str:
    """h:mm:ss, or dashes when no batch time was heard yet."""
    if seconds is None:
        return "-:--:--"
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


class Listener:
    """Turns messages into lines. ended: the last $state that ends a session, else ""."""

    def __init__(self, device_id: str, out: TextIO) -> None:
        self._root = f"{BASE}/{device_id}/"
        self._out = out
        self._at_s: float | None = None
        self._number = 0
        self._alerts: dict[str, str] = {}
        self._said: set[str] = set()
        self._was_ready = False
        self.ended = ""

    def topics(self) -> list[tuple[str, int]]:
        return [(self._root + name, 1)
                for name in ("$state", "$alert/+", "stream/event", "stream/sample")]

    def take(self, topic: str, payload: bytes) -> None:
        """One message; a line that cannot be read is shown as such, never fatal."""
        text = payload.decode("utf-8", "replace")
        name = topic.removeprefix(self._root)
        if name == "$state":
            self._state(text)
        elif name.startswith("$alert/"):
            self._alert(name.removeprefix("$alert/"), text)
        else:
            try:
                line = json.loads(text)
                self._line(name, line)
            except (ValueError, KeyError, TypeError):
                self._say("?", f"a line on {name} that cannot be read")

    def _state(self, state: str) -> None:
        self._say("link", STATES.get(state, state))
        self._was_ready = self._was_ready or state == "ready"
        if self._was_ready and state in ("disconnected", "lost"):
            self.ended = state

    def _alert(self, alert: str, text: str) -> None:
        known = self._alerts.pop(alert, "")
        if text:
            # A question about an alarm tells the alarm: the same words once are enough.
            told = any(text in other for other in self._alerts.values())
            self._alerts[alert] = text
            if text != known and not told:
                self._say("ALERT", text)
        elif known:
            code = alert.removeprefix("alarm-")
            self._say("over", code.replace("-", " ") if code == alert else f"alarm {code}")

    def _line(self, name: str, line: dict[str, Any]) -> None:
        if name == "stream/sample":
            elapsed_s = line["elapsed_s"]
            self._at_s = elapsed_s if self._at_s is None else max(self._at_s, elapsed_s)
            return
        if line["number"] <= self._number:
            return  # sent again after a broken connection
        self._number = line["number"]
        self._at_s = float(line["at_s"])
        text = str(line["text"])
        if line["kind"] == "stage_ended" and any(one.startswith(text) for one in self._said):
            return  # the alert said it, with what comes now
        if line["kind"] not in UNSAID:
            self._say("event", text)

    def _say(self, kind: str, words: str) -> None:
        if kind == "ALERT" and " finished: " in words:
            self._said.add(words)
        print(f"{batch_time(self._at_s):>8}  {kind:<6} {words}", file=self._out, flush=True)


def listen(host: str, port: int, device_id: str, out: TextIO) -> int:
    """Print until the reactor goes; the exit code."""
    listener = Listener(device_id, out)
    # 3.1.1, which both brokers of a rehearsal speak.
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.suppress_exceptions = True

    def on_connect(*_: Any) -> None:
        client.subscribe(listener.topics())

    def on_message(_client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        listener.take(message.topic, bytes(message.payload))
        if listener.ended:
            client.disconnect()

    def on_subscribe(*_: Any) -> None:
        print(f"{batch_time(None):>8}  link   listening to {host}:{port}", file=out, flush=True)

    client.on_connect, client.on_message, client.on_subscribe = on_connect, on_message, on_subscribe
    try:
        client.connect(host, port, keepalive=10)
    except OSError as error:
        print(f"no broker at {host}:{port} ({error.strerror or error}); start one first.",
              file=sys.stderr)
        return 2
    while client.loop(0.5) == mqtt.MQTT_ERR_SUCCESS:
        pass
    return 0 if listener.ended == "disconnected" else 1


def main(arguments: list[str]) -> int:
    """Check the three arguments and listen."""
    if len(arguments) != 3 or not arguments[1].isdigit() or not 0 < int(arguments[1]) < 65536:
        print(f"{USAGE}, for example 127.0.0.1 1883 reactor", file=sys.stderr)
        return 2

    def leave(_signal: int, _frame: Any) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, leave)
    with contextlib.suppress(KeyboardInterrupt):
        return listen(arguments[0], int(arguments[1]), arguments[2], sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
