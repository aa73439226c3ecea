"""The levels on the wires between the controller, the guard and the reactor."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Lines:
    """What the drivers put on the wires; True is high. All low is safe.

    k1, ssr, mixer, air, vent, horn, lamp are driven by the controller; beat and enable by the
    guard. beat is a level: the guard toggles it in every good cycle (0.25 s), each change
    retriggers the timer in front of K2, which lapses 2.0 s after the last change.
    """

    k1: bool = False
    ssr: bool = False
    mixer: bool = False
    air: bool = False
    vent: bool = False
    horn: bool = False
    lamp: bool = False
    beat: bool = False
    enable: bool = False


LOW = Lines()
