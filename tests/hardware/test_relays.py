"""The controller's outputs on real gpiozero devices: levels, leases, order, every way out."""

from __future__ import annotations

import math
import signal
import subprocess
import sys
import textwrap
from dataclasses import replace
from threading import Thread
from typing import Any

import pytest
from gpiozero import DigitalOutputDevice

from esterward.cli.run import LEASE_LOOK_S
from esterward.hardware.relays import LEASE_S, LeasedRelays, OutputRefused
from esterward.values.outputs import OUTPUT_NAMES, SAFE, Outputs
from esterward_sim import virtual

LINES = {"k1": 17, "ssr": 27, "mixer": 22, "air": 23, "vent": 24, "horn": 25, "lamp": 18}
ALL_ON = Outputs(**dict.fromkeys(OUTPUT_NAMES, True))


@pytest.fixture
def relays(factory: Any) -> LeasedRelays:
    return LeasedRelays.open(factory, LINES)


def levels(factory: Any) -> set[int]:
    return {bcm for bcm in LINES.values() if factory.pin(f"GPIO{bcm}").state}


def test_every_line_is_low_from_its_first_moment(factory: Any, relays: LeasedRelays) -> None:
    assert factory.log == []
    assert all(factory.pin(f"GPIO{bcm}").function == "output" for bcm in LINES.values())


@pytest.mark.parametrize("name", sorted(LINES))
def test_each_output_drives_its_own_line_and_no_other(factory: Any, relays: LeasedRelays,
                                                      name: str) -> None:
    relays.write(replace(SAFE, **{name: True}), 0.0)
    assert levels(factory) == {LINES[name]}
    relays.write(SAFE, 1.0)
    assert levels(factory) == set()


@pytest.mark.parametrize("level", [math.nan, 5, 1, 0, 1.0, None, "on", math.inf])
@pytest.mark.parametrize("name", ["k1", "lamp", "k2_wanted"])
def test_a_level_that_is_neither_true_nor_false_is_refused_and_everything_goes_low(
    factory: Any, relays: LeasedRelays, name: str, level: Any,
) -> None:
    relays.write(ALL_ON, 0.0)
    with pytest.raises(OutputRefused, match=name):
        relays.write(replace(ALL_ON, **{name: level}), 1.0)
    assert levels(factory) == set()


def test_gpiozero_itself_would_have_switched_on_for_nan(factory: Any) -> None:
    device = DigitalOutputDevice(17, pin_factory=factory)
    device.value = math.nan
    assert device.value == 1, "the trap the adapter is there for"


def test_an_active_low_device_is_refused(factory: Any) -> None:
    device = DigitalOutputDevice(17, active_high=False, pin_factory=factory)
    with pytest.raises(OutputRefused, match="active-low"):
        LeasedRelays({"k1": device})


def test_a_line_found_high_is_refused(factory: Any) -> None:
    device = DigitalOutputDevice(17, initial_value=True, pin_factory=factory)
    with pytest.raises(OutputRefused, match="high although nothing asked"):
        LeasedRelays({"k1": device})


def test_an_unknown_output_is_refused(factory: Any) -> None:
    with pytest.raises(OutputRefused, match="heater"):
        LeasedRelays({"heater": DigitalOutputDevice(17, pin_factory=factory)})


def test_the_lease_lapses_just_after_its_time_and_not_before(factory: Any,
                                                             relays: LeasedRelays) -> None:
    relays.write(ALL_ON, 10.0)
    relays.step(lambda: 10.0 + LEASE_S)
    assert levels(factory) == set(LINES.values())
    relays.step(lambda: 10.0 + LEASE_S + 0.01)
    assert levels(factory) == set()


def test_no_real_lease_outlasts_the_one_tried_on_simulated_reactors() -> None:
    assert LEASE_S + LEASE_LOOK_S <= virtual.LEASE_S <= 3.0


@pytest.mark.parametrize("now_s", [9.9, math.nan, math.inf])
def test_a_time_that_makes_no_sense_lapses_the_lease(factory: Any, relays: LeasedRelays,
                                                     now_s: float) -> None:
    relays.write(ALL_ON, 10.0)
    relays.step(lambda: now_s)
    assert levels(factory) == set()


def test_a_write_while_the_lease_is_looked_at_does_not_drop_it(factory: Any,
                                                               relays: LeasedRelays) -> None:
    """The loop writes from its thread just when the lease's thread reads the clock."""
    relays.write(ALL_ON, 99.0)
    looked = []

    def clock() -> float:
        writer = Thread(target=relays.write, args=(ALL_ON, 100.002))
        writer.start()
        writer.join(0.2)  # done at once unless the lock is held
        looked.append(writer)
        return 100.0

    relays.step(clock)
    looked[0].join()
    assert levels(factory) == set(LINES.values())
    relays.step(lambda: 100.002 + LEASE_S + 0.01)
    assert levels(factory) == set()


def test_lines_fall_in_our_order_and_rise_in_the_reverse(factory: Any,
                                                         relays: LeasedRelays) -> None:
    relays.write(ALL_ON, 0.0)
    relays.off()
    order = [LINES[name] for name in ("ssr", "k1", "air", "mixer", "vent", "horn", "lamp")]
    assert factory.log == ([(bcm, True) for bcm in reversed(order)]
                           + [(bcm, False) for bcm in order])


def test_what_falls_falls_before_anything_rises(factory: Any, relays: LeasedRelays) -> None:
    relays.write(replace(SAFE, k1=True), 0.0)
    factory.log.clear()
    relays.write(replace(SAFE, mixer=True), 1.0)
    assert factory.log == [(LINES["k1"], False), (LINES["mixer"], True)]


def test_a_line_that_fails_does_not_keep_the_others_high(
    factory: Any, relays: LeasedRelays, monkeypatch: pytest.MonkeyPatch,
) -> None:
    relays.write(ALL_ON, 0.0)
    ssr, plain = factory.pin("GPIO27"), type(factory.pin("GPIO27"))._set_state

    def fail(self: Any, value: Any) -> None:
        if self is ssr:
            raise OSError("input/output error")
        plain(self, value)

    monkeypatch.setattr(type(ssr), "_set_state", fail)
    with pytest.raises(OSError, match="input/output"):
        relays.off()
    assert levels(factory) == {LINES["ssr"]}


def test_a_wish_for_a_line_that_is_not_wired_does_nothing(factory: Any) -> None:
    relays = LeasedRelays.open(factory, {"mixer": 22})
    relays.write(ALL_ON, 0.0)
    assert levels(factory) == {22}


# -- ways out, in real processes ------------------------------------------------------------------

PROGRAM = textwrap.dedent("""
    import sys
    from gpiozero import Device
    from gpiozero.pins.mock import MockFactory, MockPin
    class Pin(MockPin):
        def _change_state(self, value):
            changed = super()._change_state(value)
            if changed and self.function == "output":
                print(self.info.name, "high" if value else "low", flush=True)
            return changed
        def close(self):
            print(self.info.name, "closed", flush=True)
            super().close()
    factory = Device.pin_factory = MockFactory(pin_class=Pin)
    from esterward.hardware import board, service
    from esterward.hardware.relays import LeasedRelays
    from esterward.values.outputs import Outputs
    clock = service.MonotonicClock()
    service.stop_on_signals(clock)
    relays = LeasedRelays.open(factory, {{"k1": 17, "ssr": 27, "mixer": 22}})
    hook = board.at_exit(relays.off)
    relays.write(Outputs(k1=True, ssr=True, mixer=True), clock.now_s())
    print("ready", flush=True)
    {way}
""")
FALLS = ["GPIO27 low", "GPIO17 low", "GPIO22 low"]


def leave(way: str, number: int | None = None) -> list[str]:
    """Lines printed after "ready" by a process that leaves in this way."""
    code = PROGRAM.format(way=way)
    out = []
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE,
                          stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if line.strip() == "ready" and number is not None:
                process.send_signal(number)
            out.append(line.strip())
    return out[out.index("ready") + 1:]


@pytest.mark.parametrize(("way", "number"), [
    ("pass", None),
    ("raise RuntimeError('doubt')", None),
    ("sys.exit(3)", None),
    ("while not clock.stopped: clock.wait(clock.now_s() + 60)", signal.SIGTERM),
    ("while not clock.stopped: clock.wait(clock.now_s() + 60)", signal.SIGHUP),
    ("while not clock.stopped: clock.wait(clock.now_s() + 60)", signal.SIGINT),
    ("while not clock.stopped: clock.wait(clock.now_s() + 60)", signal.SIGQUIT),
], ids=["end", "exception", "exit", "SIGTERM", "SIGHUP", "SIGINT", "SIGQUIT"])
def test_on_every_way_out_our_order_comes_before_the_librarys_exit_hook(
    way: str, number: int | None,
) -> None:
    said = leave(way, number)
    assert said[:3] == FALLS
    assert set(said[3:]) == {"GPIO17 closed", "GPIO22 closed", "GPIO27 closed"}


EARLY = """
from esterward.hardware import board
board.at_exit(lambda: print("ours"))
from gpiozero import Device, DigitalOutputDevice
from gpiozero.pins.mock import MockFactory, MockPin
class Pin(MockPin):
    def close(self):
        print("closed")
        super().close()
Device.pin_factory = MockFactory(pin_class=Pin)
device = DigitalOutputDevice(17)
"""


def test_our_hook_comes_first_even_when_it_is_set_before_the_library_is_loaded() -> None:
    done = subprocess.run([sys.executable, "-c", EARLY], capture_output=True, text=True,
                          timeout=60, check=True)
    said = done.stdout.split()
    assert said[0] == "ours" and set(said[1:]) == {"closed"}


def test_without_our_hook_the_library_leaves_the_lines_high_until_it_closes_them() -> None:
    said = leave("import atexit; atexit.unregister(hook)")
    assert "closed" in said[0], "the trap: pins become inputs without having been driven low"


def test_a_line_that_cannot_be_driven_low_at_the_very_end_is_one_sentence() -> None:
    code = ("from esterward.hardware import board\n"
            "def off(): raise OSError(5, 'the chip does not answer')\n"
            "board.at_exit(off)\n")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                          timeout=60, check=True)
    (told,) = done.stderr.splitlines()
    assert "the chip does not answer" in told and told.endswith("switch off at the isolator.")
