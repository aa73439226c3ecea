"""A controller that only wants heat: real relays, leases and socket, no batch.

It tries the guard and the drivers by themselves. It says "flag clear" once it saw green and blue
held, and asks for the element once the guard says so too; on SIGUSR1 it hangs inside, with its
lease thread alive.
"""

from __future__ import annotations

import signal
import sys
import threading
import time
from pathlib import Path

from esterward.guard import prepared
from esterward.guard.link import ControllerSocket
from esterward.hardware import board, pins, service
from esterward.hardware.relays import LeasedRelays
from esterward.settings.files import load_reactor
from esterward.values.buttons import GREEN_BLUE, Buttons
from esterward.values.messages import ControllerReport
from esterward.values.outputs import SAFE, Outputs

REACTOR_FILE = Path(__file__).parents[1] / "firmware/config/reactor.toml"


def main(folder: Path) -> None:
    reactor = load_reactor(REACTOR_FILE)
    config = prepared.from_text((folder / "guard.json").read_text("utf-8"), "guard.json")
    clock = service.MonotonicClock()
    service.stop_on_signals(clock)
    signal.signal(signal.SIGUSR1, lambda *_: time.sleep(600))
    factory = board.open_factory(folder / "run")
    relays = LeasedRelays.open(factory, pins.owned(pins.board(reactor), pins.CONTROLLER, pins.OUT))
    board.at_exit(relays.off)

    def lapse() -> None:
        while True:
            time.sleep(0.1)
            relays.step(clock.now_s())

    threading.Thread(target=lapse, daemon=True).start()
    link = ControllerSocket(folder / "run/guard.sock")
    newest, count, flag, buttons = None, 0, True, Buttons()
    try:
        while not clock.stopped:
            now_s = clock.now_s()
            newest = link.take(now_s) or newest
            if newest is not None:
                pressed = newest.inputs
                if GREEN_BLUE in buttons.step(now_s, pressed.green, pressed.black, pressed.blue):
                    flag = False
            heat = newest is not None and newest.flag is False
            outputs = Outputs(k1=heat, k2_wanted=True, mixer=True)
            relays.write(outputs, now_s)
            count += 1
            link.send(ControllerReport(
                count, now_s, clock.boot, outputs.k1, True, flag, None,
                newest.pressure_kpa if newest else None, config.rule.hash), now_s)
            clock.wait(now_s + 0.5)
    finally:
        relays.write(SAFE, clock.now_s())


main(Path(sys.argv[1]))
