"""What to buy, in one table: `wiring/parts.md` and `esterward wiring` are made from it.

No makes and no prices: what a part must be able to do. Ratings follow common practice, no
source, unless one is named; local codes and the licensed person who wires the mains decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Part:
    """One row. levels: the rig levels that need it."""

    count: str
    what: str
    must: str
    levels: tuple[str, ...]


_ALL, _HEATS, _FULL = ("watch", "small", "full"), ("small", "full"), ("full",)

PARTS: Final[tuple[Part, ...]] = (
    Part("1", "Raspberry Pi with a 40-pin header", "64-bit system; its own 5 V supply with a "
         "short, thick cable; in a box outside the vapour space", _ALL),
    Part("1", "24 V DC supply", "isolated low voltage (SELV), fused; for coils, drivers and horn",
         _ALL),
    Part("2", "probe DS18B20 in a steel sheath", "genuine chip, three wires (no parasite power), "
         "each in a thermowell in the circulating stream; probe B on its own bus", _HEATS),
    Part("1", "probe DS18B20 in a steel sheath", "genuine chip, three wires (no parasite power), "
         "in a thermowell in the oil", ("watch",)),
    Part("1 a bus", "resistor 4.7 kOhm", "data wire to 3.3 V (DS18B20 data sheet)", _ALL),
    Part("2", "contactor K1, K2", "24 V DC coil; contacts for the element's current, AC-1; each "
         "with a mirror contact (IEC 60947-4-1, annex F)", _HEATS),
    Part("1", "contactor of the mixer", "24 V DC coil; contacts for a motor, AC-3", _HEATS),
    Part("1", "contactor of the air pump", "as the mixer's", _FULL),
    Part("1", "solid-state switch", "zero-crossing, twice the element's current, on a heat sink; "
         "only with [element] switch = \"ssr\", always behind K1", _HEATS),
    Part("1 an output", "low-side driver", "switched on by 3.3 V high, off when open: 10 kOhm "
         "from its input to ground, free-wheel diode at each coil", _ALL),
    Part("1", "timer in front of K2", "retriggerable one-shot of 2.0 s, triggered by edges of a "
         "3.3 V line (both or one direction), output off when it lapses; a 74HC123 or 4538 "
         "circuit with its driver, or a relay made as a pulse watchdog", _HEATS),
    Part("1", "thermal cut-out", "independent of everything else, reset by hand, on the vessel or "
         "the element's sheath, at most 130 degC, with an auxiliary contact or a relay across it",
         _HEATS),
    Part("1", "second thermal cut-out", "reset by hand, at most 62 degC at sea level and 3 K lower "
         "each km, with auxiliary contact; only for warm-hold, switched in by a key", _FULL),
    Part("1", "e-stop", "latching mushroom, two normally closed contacts (ISO 13850)", _HEATS),
    Part("1", "float switch", "above the element, for the liquid and 120 degC; two contacts, one "
         "in K1's coil, one read", _HEATS),
    Part("1", "proof of the mixer", "flow or pressure switch behind the pump, or a current relay",
         _HEATS),
    Part("3", "buttons green, black, blue", "normally open, gloved fingers, IP65", _HEATS),
    Part("1", "lamp", "24 V, seen from where the person stands", _ALL),
    Part("1", "horn", "24 V, heard outside", _ALL),
    Part("1 an input", "resistor 1 kOhm", "in series at the board: a wrong wire or a line that is "
         "driven at boot then harms nothing", _ALL),
    Part("1", "barometer on I2C", "a chip the kernel's IIO drivers know, reading absolute "
         "pressure", _FULL),
    Part("1", "lid switch", "closed by the shut lid, positive opening", _FULL),
    Part("1", "air-flow switch", "in the vent duct, closed by flow", _FULL),
    Part("1", "vent fan", "rated for the vapour, or far from it", _FULL),
    Part("1", "vapour detector", "methanol, alarm contact at 10 % of the lower limit, closed when "
         "healthy", _FULL),
    Part("1", "float in the bund", "closed when dry", _FULL),
    Part("1", "switch on the drain valve", "closed by the shut valve", _FULL),
    Part("1", "RCD 30 mA, breaker, isolator", "for the whole rig, fitted by a licensed person; the "
         "isolator within reach and outside the vapour space", _HEATS),
)


def parts_of(level: str) -> tuple[Part, ...]:
    """The rows a rig level needs."""
    return tuple(row for row in PARTS if level in row.levels)
