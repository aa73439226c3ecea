"""A person's hands on the reactor: buttons, lid, float, e-stop, cans and hoses.

Nothing here knows time: pours are put down as streams and run while the plant steps.
"""

from __future__ import annotations

from esterward_sim.plant import dose
from esterward_sim.plant.observations import Observations


class Hands(Observations):
    """What a person may do; the plant is built on it."""

    streams: list[dose.Stream]

    def room_now_c(self) -> float:
        """Temperature of the room now."""
        raise NotImplementedError

    def _hand(self, name: str, value: bool) -> None:
        if getattr(self.electrical, name) is not bool(value):
            setattr(self.electrical, name, bool(value))
            self.electrical.refresh()

    @property
    def green(self) -> bool:
        """The green button is down."""
        return self.electrical.green

    @green.setter
    def green(self, value: bool) -> None:
        self._hand("green", value)

    @property
    def black(self) -> bool:
        """The black button is down."""
        return self.electrical.black

    @black.setter
    def black(self, value: bool) -> None:
        self._hand("black", value)

    @property
    def blue(self) -> bool:
        """The blue button is down."""
        return self.electrical.blue

    @blue.setter
    def blue(self, value: bool) -> None:
        self._hand("blue", value)

    @property
    def estop_pressed(self) -> bool:
        """The emergency stop is down; it stays down until released."""
        return self.electrical.estop_pressed

    @estop_pressed.setter
    def estop_pressed(self, value: bool) -> None:
        self._hand("estop_pressed", value)

    @property
    def lid_open(self) -> bool:
        """The lid stands open."""
        return self.electrical.lid_open

    @lid_open.setter
    def lid_open(self, value: bool) -> None:
        self._hand("lid_open", value)

    @property
    def float_lifted(self) -> bool:
        """A hand lifts the float: the level contact closes."""
        return self.electrical.float_lifted

    @float_lifted.setter
    def float_lifted(self, value: bool) -> None:
        self._hand("float_lifted", value)

    @property
    def drain_valve_open(self) -> bool:
        """The drain valve's switch sees it open (drain() opens it by itself)."""
        return self.electrical.drain_open

    @drain_valve_open.setter
    def drain_valve_open(self, value: bool) -> None:
        self._hand("drain_open", value)

    @property
    def methanol_key(self) -> bool:
        """The second cut-out's key stands at methanol: it is then in K2's coil."""
        return self.electrical.methanol_key

    @methanol_key.setter
    def methanol_key(self, value: bool) -> None:
        self._hand("methanol_key", value)

    def reset_cutout(self) -> None:
        """Press the cut-out's own reset; it holds only when cool (10 K below)."""
        if max(self.thermal.upper_c, self.thermal.wall_c) < self.p.cutout_c - 10.0:
            self.electrical.cutout_tripped = False
            self.electrical.refresh()

    def pour_oil(self, litres: float, at_c: float, over_s: float) -> None:
        """Let oil in: litres measured at at_c, over over_s seconds of step()."""
        self.streams.append(dose.stream(dose.OIL, litres, over_s, at_c))

    def pour_methoxide(self, methanol_l: float, catalyst_g: float, at_c: float,
                       over_s: float) -> None:
        """Let methoxide in; methanol_l is measured at 20 degC, catalyst_g as weighed."""
        self.streams.append(dose.stream(dose.METHOXIDE, methanol_l, over_s, at_c, catalyst_g))

    def add_wash_water(self, litres: float, over_s: float) -> None:
        """Mist or run wash water in."""
        self.streams.append(dose.stream(dose.WATER, litres, over_s, self.p.wash_water_c))

    def drain(self, litres: float, over_s: float) -> None:
        """Let this much out at the bottom: glycerol layer first, then water, then fuel."""
        self.streams.append(dose.stream(dose.DRAIN, litres, over_s, 20.0))

    def drain_water(self) -> None:
        """Open the drain until the water is out (0.1 L/s) and look at it."""
        self.streams.append(dose.stream(dose.DRAIN_WATER, 1e4, 1e5, 20.0))

    def stop_pouring(self) -> None:
        """Close every valve; what has not flowed stays in the can."""
        self.streams = []

    @property
    def pouring(self) -> bool:
        """Something still flows, in or out."""
        return bool(self.streams)

    def methoxide_c(self, methanol_l: float, catalyst_g: float, start_c: float,
                    after_s: float) -> float:
        """How warm a can of methoxide is after_s seconds after the last grain dissolved."""
        return dose.methoxide_c(self.batch.catalyst_kind, self.batch.catalyst_purity, catalyst_g,
                                methanol_l, start_c, self.room_now_c(), after_s)
