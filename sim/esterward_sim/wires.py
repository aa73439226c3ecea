"""The wires seam: real gpiozero devices on mock pins, the real sensor library on a folder.

Everything above the pins is the firmware's own: leased relays, debounced switches, beat, the
1-wire driver. The plant sees levels, never objects, and answers on levels and in files that
look like the kernel's.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from gpiozero.pins.mock import MockFactory, MockPin

from esterward.guard import rule
from esterward.hardware import pins
from esterward.hardware.beat import Beat
from esterward.hardware.probes import OneWireSensor
from esterward.hardware.relays import LeasedRelays, open_output
from esterward.hardware.supply import ALARM, SENSOR, SupplySensor
from esterward.hardware.switches import Switches
from esterward.values.messages import decode_guard, encode_guard
from esterward.values.reactor import Reactor
from esterward.values.readings import NO_READING, ProbeReading
from esterward_sim.plant import Lines, Plant
from esterward_sim.rig_faults import CONVERSION_S
from esterward_sim.virtual import QUARTER_S, VirtualClock, VirtualGuard, VirtualRig

POLLS: Final = 3              # a quarter second is one level; two of three polls carry it through
_POWER_ON: Final = (0x4B, 0x46)  # alarm bytes as delivered (DS18B20 data sheet)


def crc8(data: bytes) -> int:
    """Maxim 1-wire CRC (x^8 + x^5 + x^4 + 1, application note 27)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0x8C if crc & 1 else 0)
    return crc


def scratchpad(c: float) -> bytes:
    """The nine bytes a DS18B20 at 12 bit gives for a temperature in degC."""
    raw = round(c * 16) & 0xFFFF
    data = bytes([raw & 0xFF, raw >> 8, *_POWER_ON, 0x7F, 0xFF, 0x0C, 0x10])
    return data + bytes([crc8(data)])


def slave_text(c: float) -> str:
    """What the kernel's w1_slave file says for it."""
    data = scratchpad(c)
    octets = " ".join(f"{byte:02x}" for byte in data)
    return f"{octets} : crc={data[-1]:02x} YES\n{octets} t={round(c * 1000)}\n"


class KernelFolder:
    """A folder like /sys/bus/w1/devices; each write replaces the file as a whole."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._now: dict[str, float | None] = {}

    def show(self, sensor: str, c: float | None) -> None:
        """Let a probe read c; None: an empty file, as current kernels give for a lost one."""
        if sensor in self._now and self._now[sensor] == c:
            return
        self._now[sensor] = c
        self.put(sensor, "" if c is None else slave_text(c))

    def put(self, sensor: str, text: str | bytes) -> None:
        """Any text at all in a probe's file."""
        folder = self.root / sensor
        folder.mkdir(exist_ok=True)
        beside = folder / "w1_slave.new"
        beside.write_bytes(text if isinstance(text, bytes) else text.encode("ascii"))
        beside.replace(folder / "w1_slave")

    def remove(self, sensor: str) -> None:
        """Unplug it."""
        self._now.pop(sensor, None)
        shutil.rmtree(self.root / sensor, ignore_errors=True)


class HwmonFolder:
    """A folder like /sys/class/hwmon with the board's voltage sensor, behind another's."""

    def __init__(self, root: Path) -> None:
        self.root, self._folder = root, root / "hwmon1"
        for folder, name in (("hwmon0", "cpu_thermal"), ("hwmon1", SENSOR)):
            (root / folder).mkdir(parents=True, exist_ok=True)
            (root / folder / "name").write_text(name + "\n", "ascii")
        self._low: bool | None = None
        self.show(False)

    def show(self, low: bool) -> None:
        """Let it tell of under-voltage, or of none."""
        if low is not self._low:
            self._low = low
            beside = self._folder / (ALARM + ".new")
            beside.write_text("1\n" if low else "0\n", "ascii")
            beside.replace(self._folder / ALARM)


class WirePin(MockPin):  # type: ignore[misc]
    """A mock pin that keeps no history: a batch has millions of edges."""

    def _change_state(self, value: Any) -> Any:
        changed = super()._change_state(value)
        if changed:
            self.states.clear()
        return changed


class WiredProbe:
    """The Probe port: the driver's sensor, one conversion a second, in virtual time."""

    def __init__(self, sensor: str, clock: VirtualClock, folder: KernelFolder) -> None:
        self._sensor = OneWireSensor(sensor, clock.now_s, folder.root)
        self._newest = NO_READING

    def read(self, now_s: float) -> ProbeReading:
        if now_s - self._newest.at_s >= CONVERSION_S - 1e-6:
            self._newest = self._sensor.reading(now_s)
        return self._newest


class WiredSupply:
    """The Supply port: the driver's sensor, read when asked, in virtual time."""

    def __init__(self, folder: HwmonFolder) -> None:
        self._sensor = SupplySensor(folder.root)

    def read(self, now_s: float) -> bool | None:
        return self._sensor.told()


class WiredGuard(VirtualGuard):
    """The guard's rule behind real switches and a real beat."""

    wires: Wires

    def cycle(self, now_s: float) -> None:
        """As the process does it: poll, rule, enable, report, edge."""
        if self.dead:
            return
        wires = self.wires
        for _ in range(POLLS):
            wires.switches.poll()
        decision = rule.step(
            self.config, self.state, now_s, self.boot, wires.switches.inputs(),
            wires.probe_b.read(now_s), self.plant.barometer_kpa(), self.message, self.stored)
        wires.beat.set_enable(decision.enable)
        self.stored = decision.write is not None
        self.newest = decode_guard(encode_guard(decision.report))
        wires.beat.edge()


class Wires:
    """All lines of one reactor on mock pins, and the folders of its probes and its supply."""

    def __init__(self, reactor: Reactor, plant: Plant, clock: VirtualClock, folder: Path) -> None:
        self.reactor, self.plant = reactor, plant
        self.factory = MockFactory(pin_class=WirePin)
        self.board = pins.board(reactor)
        (folder / "w1").mkdir()
        self.folder = KernelFolder(folder / "w1")
        self.hwmon = HwmonFolder(folder / "hwmon")
        self._out = {name: self.factory.pin(f"GPIO{bcm}")
                     for owner in (pins.CONTROLLER, pins.GUARD)
                     for name, bcm in pins.owned(self.board, owner, pins.OUT).items()}
        self._in = {name: self.factory.pin(f"GPIO{bcm}")
                    for name, bcm in pins.owned(self.board, pins.GUARD, pins.IN).items()}
        self.relays = LeasedRelays.open(
            self.factory, pins.owned(self.board, pins.CONTROLLER, pins.OUT))
        self.beat = Beat(open_output(self.factory, self.board["beat"]),
                         open_output(self.factory, self.board["enable"]))
        self.switches = Switches.open(self.factory,
                                      pins.owned(self.board, pins.GUARD, pins.IN))
        self.carry()
        self.probe_a = WiredProbe(reactor.probe_a_id, clock, self.folder)
        self.probe_b = WiredProbe(reactor.probe_b_id, clock, self.folder)
        self.supply = WiredSupply(self.hwmon)

    def lines(self) -> Lines:
        """What the pins say, as the plant sees it."""
        return Lines(**{name: bool(pin.state) for name, pin in self._out.items()})

    def carry(self) -> None:
        """Put the plant's contacts, probes and supply on the wires."""
        inputs = self.plant.inputs()
        for name, pin in self._in.items():
            level = getattr(inputs, name) is True
            if bool(pin.state) is not level:
                (pin.drive_high if level else pin.drive_low)()
        self.folder.show(self.reactor.probe_a_id, self.plant.probe_a_c())
        self.folder.show(self.reactor.probe_b_id, self.plant.probe_b_c())
        self.hwmon.show(self.plant.supply_low())

    def close(self) -> None:
        self.relays.close()
        self.beat.close()
        self.switches.close()
        self.factory.close()


class WiredRig(VirtualRig):
    """The virtual rig with every level and every conversion going over wires.

    A context manager: the pins and the folder are given back at its end.
    """

    def __init__(self, reactor: Reactor, *args: Any, **kwargs: Any) -> None:
        super().__init__(reactor, *args, **kwargs)
        self._folder = tempfile.TemporaryDirectory(prefix="esterward-wires-")
        self.wires = Wires(reactor, self.plant, self.clock, Path(self._folder.name))
        guard = WiredGuard(reactor, self.plant, self.guard.probe, self.clock.boot)
        guard.wires = self.wires
        self.guard = guard
        ports = self.loop.ports
        ports.guard = guard
        ports.probe = self.wires.probe_a
        ports.relays = self.wires.relays
        ports.supply = self.wires.supply

    def lines(self) -> Lines:
        return self.wires.lines()

    def quarter(self) -> None:
        self.clock.time_s += QUARTER_S
        self.wires.relays.step(self.clock.now_s)
        self.plant.step(QUARTER_S, self.wires.lines())
        self.wires.carry()
        self.guard.cycle(self.clock.time_s)
        if not self.controller_dead:
            self.loop.look()

    def close(self) -> None:
        self.wires.close()
        self._folder.cleanup()

    def __enter__(self) -> WiredRig:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()
