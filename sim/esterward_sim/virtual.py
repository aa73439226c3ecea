"""The virtual rig: plant, guard rule and controller loop in one order, in virtual time.

A quarter second is: plant, guard rule (its messages as the codec of the socket leaves them), one
look of the controller's loop. Nothing sleeps, nothing reads a clock; the whole can be copied.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from esterward.guard import rule
from esterward.hardware.pins import lines_of
from esterward.loop import Loop, Ports
from esterward.tick import Controller
from esterward.values.batch import Batch
from esterward.values.messages import (
    ControllerReport,
    GuardReport,
    decode_controller,
    decode_guard,
    encode_controller,
    encode_guard,
)
from esterward.values.outputs import SAFE, Outputs
from esterward.values.ports import Record, Telemetry
from esterward.values.reactor import Reactor
from esterward.values.readings import NO_READING, ProbeReading
from esterward.values.requests import Request
from esterward_sim.broker import EmbeddedBroker
from esterward_sim.plant import Lines, Plant
from esterward_sim.rig_faults import CONVERSION_S, Disk, RigFaults

QUARTER_S = 0.25
# The longest that a hung loop's outputs may stay on (docs/reference/processes.md): longer than the
# relays' own lease and the look that finds it over, so that what is tried here is the worse case.
LEASE_S = 3.0
# Labels only: the first moment of a rehearsal's wall clock, 2027-03-06 08:00 UTC.
WALL_START_S = 1_804_320_000.0


class VirtualClock:
    """Time that goes on only when told. offset_s moves the wall clock, never the other; unset:
    nobody knows the time of day."""

    def __init__(self, boot: str = "rehearsal-1") -> None:
        self.boot = boot
        self.time_s = 0.0
        self.offset_s = 0.0
        self.unset = False

    def now_s(self) -> float:
        return self.time_s

    def wall_s(self) -> float | None:
        return None if self.unset else WALL_START_S + self.time_s + self.offset_s

    def wait(self, until_s: float) -> None:
        self.time_s = max(self.time_s, until_s)


class PlantProbe:
    """A probe port on the plant: a new conversion each conversion_s; hung: none ever."""

    def __init__(self, plant: Plant, which: str) -> None:
        self.plant, self.which = plant, which
        self.newest = NO_READING
        self.hung = False
        self.conversion_s = CONVERSION_S

    def read(self, now_s: float) -> ProbeReading:
        if not self.hung and now_s - self.newest.at_s >= self.conversion_s - 1e-6:
            c = self.plant.probe_a_c() if self.which == "a" else self.plant.probe_b_c()
            why = "" if c is not None else "the probe gives no value"
            self.newest = ProbeReading(c, now_s, why)
        return self.newest


class PlantBarometer:
    """The barometer port on the plant."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant

    def read(self, now_s: float) -> float | None:
        return self.plant.barometer_kpa()


class PlantSupply:
    """The supply port on the plant."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant

    def read(self, now_s: float) -> bool:
        return self.plant.supply_low()


class LeasedOutputs:
    """The relay port: outputs with a lease that lapses when it is not renewed."""

    def __init__(self) -> None:
        self.outputs, self.renewed_s = SAFE, float("-inf")

    def write(self, outputs: Outputs, now_s: float) -> None:
        self.outputs, self.renewed_s = outputs, now_s

    def now(self, now_s: float) -> Outputs:
        return self.outputs if now_s - self.renewed_s <= LEASE_S else SAFE


def _says_as(new: GuardReport, old: GuardReport) -> bool:
    """Nothing new but number and stamps. If the codec gave back old unchanged, so it would new."""
    b, was = new.probe_b, old.probe_b
    return ((new.inputs is old.inputs or new.inputs == old.inputs)
            and new.enable is old.enable and new.flag is old.flag and new.latches == old.latches
            and b.c == was.c and b.why == was.why and new.trip_c == old.trip_c
            and new.pressure_kpa == old.pressure_kpa and new.boot == old.boot
            and new.hash == old.hash)


def _tells_as(new: ControllerReport, old: ControllerReport) -> bool:
    """The same for what the controller tells the guard."""
    return (new.k1 is old.k1 and new.k2_wanted is old.k2_wanted and new.flag is old.flag
            and new.trip_c == old.trip_c and new.pressure_kpa == old.pressure_kpa
            and new.boot == old.boot and new.hash == old.hash)


@dataclass(slots=True)
class VirtualGuard:
    """The guard's rule with its shell played: own probe, beat, enable, flag file."""

    reactor: Reactor
    plant: Plant
    probe: PlantProbe
    boot: str
    state: rule.GuardState = field(default_factory=rule.GuardState)
    message: ControllerReport | None = None
    newest: GuardReport | None = None
    beat: bool = False
    enable: bool = False
    dead: bool = False  # off; hung: its lines stay as they are
    hung: bool = False
    stored: bool = False
    file: str | None = None
    config: rule.GuardConfig = field(init=False)
    # The last of each that came through the codec unchanged.
    _reported: GuardReport | None = None
    _told: ControllerReport | None = None

    def __post_init__(self) -> None:
        self.config = rule.config_of(self.reactor)

    def cycle(self, now_s: float) -> None:
        """One guard cycle; the report comes out as over the socket."""
        if self.dead or self.hung:
            return
        decision = rule.step(
            self.config, self.state, now_s, self.boot, self.plant.inputs(),
            self.probe.read(now_s), self.plant.barometer_kpa(), self.message, self.stored)
        self.stored = decision.write is not None
        if decision.write is not None:
            self.file = decision.write
        self.enable = decision.enable
        self.beat = not self.beat
        report = decision.report
        if self._reported is None or not _says_as(report, self._reported):
            self.newest = decode_guard(encode_guard(report))
            self._reported = report if self.newest == report else None
        else:
            self.newest = report

    def send(self, report: ControllerReport, now_s: float) -> None:
        if self._told is None or not _tells_as(report, self._told):
            self.message = decode_controller(encode_controller(report))
            self._told = report if self.message == report else None
        else:
            self.message = report

    def take(self, now_s: float) -> GuardReport | None:
        newest, self.newest = self.newest, None
        return newest


class NoRecord:
    """A record that keeps nothing and says so at once: everything counts as stored."""

    def __init__(self) -> None:
        self.stored, self.fault = 0, ""

    def add(self, snapshot: object, outputs: Outputs, events: tuple[object, ...],
            checkpoint: str | None) -> None:
        self.stored += len(events)

    def take_requests(self) -> tuple[Request, ...]:
        return ()

    def step(self, now_s: float) -> None:
        return


class VirtualRig:
    """One reactor, its guard and its controller, stepped by quarters of a second."""

    def __init__(self, reactor: Reactor, batch: Batch, *, record: Record,
                 telemetry: Telemetry | None = None, seed: int = 1,
                 plant: Plant | None = None, controller: Controller | None = None,
                 clock: VirtualClock | None = None) -> None:
        self.clock = clock if clock is not None else VirtualClock()
        self.plant = plant if plant is not None else Plant(reactor, batch, seed)
        self.relays = LeasedOutputs()
        self.disk = Disk(record)
        self.faults = RigFaults()
        self.probe = PlantProbe(self.plant, "a")
        self.guard = VirtualGuard(reactor, self.plant, PlantProbe(self.plant, "b"),
                                  self.clock.boot)
        self.controller = controller if controller is not None else Controller(reactor, batch)
        self.loop = Loop(self.controller, Ports(
            clock=self.clock, probe=self.probe, relays=self.relays, guard=self.guard,
            record=self.disk, telemetry=telemetry, supply=PlantSupply(self.plant),
            barometer=PlantBarometer(self.plant) if reactor.barometer else None))
        self.controller_dead = False
        wired = lines_of(reactor)  # an output that has no line drives nothing
        self._ssr, self._air, self._vent = "ssr" in wired, "air" in wired, "vent" in wired
        self.broker: EmbeddedBroker | None = None  # for a fault of it to act on
        self._out = SAFE
        self._lines: dict[tuple[bool, bool], Lines] = {}  # by beat and enable, for _out

    def lines(self) -> Lines:
        """The levels on the wires now. The beat moves four times a second, the rest seldom."""
        relays, guard = self.relays, self.guard
        out = relays.outputs if self.faults.hung else relays.now(self.clock.time_s)
        if out is not self._out:
            if out != self._out:
                self._lines.clear()
            self._out = out
        key = (guard.beat, guard.enable)
        found = self._lines.get(key)
        if found is None:
            found = self._lines[key] = Lines(
                out.k1, out.ssr and self._ssr, out.mixer, out.air and self._air,
                out.vent and self._vent, out.horn, out.lamp, *key)
        return found

    def quarter(self) -> None:
        """Go on by a quarter second."""
        self.clock.time_s += QUARTER_S
        looks = self.faults.step(self, QUARTER_S)
        self.plant.step(QUARTER_S, self.lines())
        self.guard.cycle(self.clock.time_s)
        if looks:
            self.loop.look()

    def close(self) -> None:
        """Nothing was taken that must be given back."""
