"""A whole process that uses MqttLink and can be killed: PORT. Prints 'ready' when it is."""

from __future__ import annotations

import sys
import time

from esterward.telemetry.link import MqttLink
from telemetry.mqtt_rig import DEVICE, make_status

link = MqttLink("127.0.0.1", int(sys.argv[1]), DEVICE, "Shed reactor", "boot-1")
link.show(make_status(prompt="grains", prompt_text="No grains left?", answers="green = yes"), (),
          0.0, None)
told = False
while True:
    link.step(time.monotonic())
    if link.ready and not link.waiting and not told:
        told = True
        print("ready", flush=True)
    time.sleep(0.01)
