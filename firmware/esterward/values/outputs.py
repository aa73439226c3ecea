"""What the controller drives. Safe is the default value of every field."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outputs:
    """Levels of the controller's outputs; True energises.

    k1: element contactor; ssr: solid-state switch in series with it (rig level full);
    k2_wanted: the controller wants energy, so the guard may close the safety contactor;
    mixer: circulation pump; air: drying air pump; vent: fan; horn and lamp: for people.
    """

    k1: bool = False
    ssr: bool = False
    k2_wanted: bool = False
    mixer: bool = False
    air: bool = False
    vent: bool = False
    horn: bool = False
    lamp: bool = False


SAFE = Outputs()
OUTPUT_NAMES: tuple[str, ...] = tuple(Outputs.__dataclass_fields__)
