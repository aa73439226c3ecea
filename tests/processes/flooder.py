"""A process that publishes requests of all kinds at a rate: PORT TOPIC_ROOT SECONDS RATE.

It hears the controller's nonce, so that some requests are taken and the rest fail in every way
there is. No request of its own is a hold (those that are forged, replayed or retained may be).
Prints one JSON line: {"published", "seconds", "behind_s"}, behind_s = how late it was at most.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[1]))
from remote_messages import Message, Sender

FRESH_EVERY = 50     # under the present nonce, with a new id
TOO_LONG_S = 4.5     # the first message longer than the controller reads at all, and each 5 s
POOL = 4000


def main(port: int, root: str, seconds: float, rate: float) -> None:
    sender = Sender("flood 1", taken=("acknowledge", "observe"))
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(0)
    client.on_message = lambda _client, _data, message: sender.nonces.append(
        message.payload.decode())
    client.connect("127.0.0.1", port)
    client.subscribe(root + "remote/nonce")
    while not sender.nonces:
        client.loop(0.1)
    pool = [sender.message() for _ in range(POOL)]
    too_long = Message(b"x" * 100_000)
    began_s = time.monotonic()
    published, behind_s, too_long_s = 0, 0.0, TOO_LONG_S
    print("begun", flush=True)
    while (now_s := time.monotonic() - began_s) < seconds:
        behind_s = max(behind_s, now_s - published / rate)
        for _ in range(min(int(now_s * rate) - published, 200)):
            message = pool[published % POOL]
            if published % FRESH_EVERY == 0:
                message = Message(json.dumps(sender.plain()).encode())
            elif now_s >= too_long_s:
                message, too_long_s = too_long, too_long_s + 5.0
            client.publish(root + "remote/request/set", message.payload, published % 2,
                           message.retained)
            published += 1
        client.loop(0.001)
    seconds = time.monotonic() - began_s
    for _ in range(100):
        client.loop(0.01)
    print(json.dumps({"published": published, "seconds": round(seconds, 2),
                      "behind_s": round(behind_s, 3)}), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2], float(sys.argv[3]), float(sys.argv[4]))
