"""Every line of the board in one table: name, direction, pull, default, allowed, what it means.

BCM numbers, as the kernel and the wiring docs use them. Outputs are active high on GPIO9 and
above (GPIO0 to 8 are pulled up from power-on, SoC data sheet), and never on 14 or 15 (the serial
console toggles them at boot). Inputs are a closed contact to 3.3 V through 1 kOhm, pulled down, so
that a broken wire reads False; those on GPIO0 to 8 by config.txt already, some seconds after
power-on, so that it is so before a program claims them too. GPIO2 and 3 have a fixed pull-up on
the board and therefore serve the I2C barometer only. `wiring/pins.md` and `esterward
wiring` are made from this table; nothing else knows a line number.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS

OUT, IN, ONE_WIRE = "out", "in", "1-wire"
CONTROLLER, GUARD = "controller", "guard"

OUT_LINES: Final = (9, 10, 11, 12, 13, *range(16, 28))
IN_LINES: Final = (0, 1, *range(4, 28))
ONE_WIRE_LINES: Final = (*range(4, 14), *range(16, 28))
I2C_LINES: Final = (2, 3)
UP_AT_POWER_ON: Final = range(9)  # BCM2835 ARM Peripherals, section 6.2

# BCM line -> pin of the 40-pin header (the same on every board that has one).
HEADER: Final[dict[int, int]] = {
    0: 27, 1: 28, 2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 7: 26, 8: 24, 9: 21, 10: 19, 11: 23, 12: 32,
    13: 33, 14: 8, 15: 10, 16: 36, 17: 11, 18: 12, 19: 35, 20: 38, 21: 40, 22: 15, 23: 16,
    24: 18, 25: 22, 26: 37, 27: 13,
}


@dataclass(frozen=True, slots=True)
class Line:
    """One row. levels: the rig levels that have it; true: what a high level says or does.

    absent: the stricter rule that holds where an optional line is not fitted.
    """

    name: str
    direction: str
    owner: str
    bcm: int
    levels: tuple[str, ...]
    wire: str
    true: str
    absent: str = ""
    active_high: bool = True

    @property
    def pull(self) -> str:
        return {OUT: "down, by a resistor at the driver", IN: "down", ONE_WIRE: "up, 4.7 kOhm"}[
            self.direction]

    @property
    def allowed(self) -> tuple[int, ...]:
        return {OUT: OUT_LINES, IN: IN_LINES, ONE_WIRE: ONE_WIRE_LINES}[self.direction]


_ALL, _HEATS, _FULL = ("watch", "small", "full"), ("small", "full"), ("full",)

LINES: Final[dict[str, Line]] = {row.name: row for row in (
    Line("k1", OUT, CONTROLLER, 17, _HEATS, "driver of K1's coil; the float is in the coil circuit",
         "element contactor closes"),
    Line("ssr", OUT, CONTROLLER, 27, _HEATS, "input of the solid-state switch in series with K1",
         "solid-state switch conducts", "K1 switches the element, seldom"),
    Line("mixer", OUT, CONTROLLER, 22, _HEATS, "driver of the mixer's contactor, behind K2",
         "mixer (circulation pump) runs"),
    Line("air", OUT, CONTROLLER, 23, _FULL, "driver of the air pump's contactor, behind K2",
         "air pump runs", "dry by spray only"),
    Line("vent", OUT, CONTROLLER, 24, _FULL, "driver of the vent fan's relay, not behind K2",
         "vent fan runs", "work outdoors or with a fan of its own switch"),
    Line("horn", OUT, CONTROLLER, 25, _ALL, "driver of the horn, not behind K2", "horn sounds"),
    Line("lamp", OUT, CONTROLLER, 18, _ALL, "driver of the lamp, not behind K2", "lamp lights"),
    Line("beat", OUT, GUARD, 12, _HEATS, "trigger input of the 2 s timer in front of K2's coil",
         "each change holds the timer for 2 s more"),
    Line("enable", OUT, GUARD, 13, _HEATS, "enable input of K2's driver, in series with the timer",
         "K2 may close while the timer runs"),
    Line("probe_a", ONE_WIRE, CONTROLLER, 4, _ALL, "data wire of probe A, alone on its bus",
         "DS18B20 of the controller"),
    Line("probe_b", ONE_WIRE, GUARD, 5, _HEATS, "data wire of probe B, alone on its bus",
         "DS18B20 of the guard"),
    Line("estop_closed", IN, GUARD, 6, _HEATS, "spare normally closed contact of the e-stop loop",
         "e-stop released"),
    Line("level_wet", IN, GUARD, 7, _HEATS, "second contact of the float, closed when it floats",
         "element covered"),
    Line("cutout_closed", IN, GUARD, 8, _HEATS,
         "auxiliary contact of the thermal cut-out, or a relay across it", "cut-out not tripped"),
    Line("k1_open", IN, GUARD, 16, _HEATS, "mirror contact of K1 (normally closed, IEC 60947-4-1)",
         "K1's main contacts proven open"),
    Line("k2_open", IN, GUARD, 26, _HEATS, "mirror contact of K2 (normally closed, IEC 60947-4-1)",
         "K2's main contacts proven open"),
    Line("mixer_proof", IN, GUARD, 20, _HEATS,
         "flow or pressure switch behind the pump, or a current relay", "mixer proves itself"),
    Line("green", IN, GUARD, 21, _HEATS, "green button, normally open", "green pressed"),
    Line("black", IN, GUARD, 19, _HEATS, "black button, normally open", "black pressed"),
    Line("blue", IN, GUARD, 9, _HEATS, "blue button, normally open", "blue pressed"),
    Line("lid_closed", IN, GUARD, 10, _FULL, "switch closed by the shut lid", "lid shut",
         "a person states before dose that the lid is shut"),
    Line("vent_proof", IN, GUARD, 11, _FULL, "air-flow switch in the vent duct",
         "air flows in the vent",
         "the fan runs unproven, and a person sees to it that air flows; no warm-hold"),
    Line("vapour_low", IN, GUARD, 0, _FULL,
         "alarm contact of the vapour detector, closed when healthy and low",
         "vapour below the detector's alarm", "no warm-hold; attended with methanol in the vessel"),
    Line("sump_dry", IN, GUARD, 14, _FULL, "float in the bund, closed when dry", "bund dry",
         "no warm-hold; a person looks for leaks"),
    Line("drain_closed", IN, GUARD, 15, _FULL, "switch closed by the shut drain valve",
         "drain shut", "asked before heat, dose and mix"),
    Line("cutout2_closed", IN, GUARD, 1, _FULL,
         "auxiliary contact of the second, low-range cut-out", "second cut-out not tripped",
         "no warm-hold: heat stays off while the methanol flag is set"),
)}

# Inputs that no line carries, for the docs: what their absence means.
ABSENT: Final[dict[str, str]] = {
    "barometer": "3.5 kPa are taken off for weather, so every limit is about 0.6 K lower",
    "high level": "dewatering above 95 degC is refused unless the oil fills at most 70 %",
}


class PinMistake(ValueError):
    """Something in [pins] or the table cannot be: one sentence each in `mistakes`."""

    def __init__(self, *mistakes: str) -> None:
        self.mistakes = mistakes
        super().__init__("\n".join(mistakes))


def lines_of(reactor: Reactor) -> dict[str, Line]:
    """The rows this reactor has: those of its rig level, optional inputs only if fitted."""
    return {name: row for name, row in LINES.items()
            if reactor.rig_level in row.levels
            and (name not in OPTIONAL_INPUTS or name in reactor.fitted)
            and not (name == "ssr" and reactor.element_switch != "ssr")}


def board(reactor: Reactor) -> dict[str, int]:
    """name -> BCM line for this reactor, moved by [pins]; PinMistake names every mistake."""
    rows, moved = lines_of(reactor), dict(reactor.pins)
    mistakes = [f"[pins] {name}: there is no such line here; there are {', '.join(rows)}."
                for name in moved if name not in rows]
    chosen = {name: moved.get(name, row.bcm) for name, row in rows.items()}
    mistakes += complaints(rows, chosen, reactor.barometer)
    if mistakes:
        raise PinMistake(*mistakes)
    return chosen


def complaints(rows: Mapping[str, Line], chosen: Mapping[str, int], i2c: bool) -> list[str]:
    """What is wrong with these lines, one sentence each."""
    found, taken = [], dict.fromkeys(I2C_LINES, "the barometer's I2C bus") if i2c else {}
    for name, bcm in chosen.items():
        row = rows[name]
        if not row.active_high:
            found.append(f"{name}: active-low is refused: an unpowered board or a broken wire "
                         "would switch it on.")
        if type(bcm) is not int or bcm not in row.allowed:
            found.append(f"[pins] {name} = {bcm!r}: a line for {_KIND[row.direction]} is one of "
                         f"{', '.join(map(str, row.allowed))}.")
            continue
        if bcm in taken:
            found.append(f"[pins] {name} = {bcm}: this line belongs to {taken[bcm]}.")
        taken[bcm] = name
    return found


_KIND: Final = {OUT: "an output", IN: "an input", ONE_WIRE: "a 1-wire bus"}


def owned(chosen: Mapping[str, int], owner: str, direction: str) -> dict[str, int]:
    """The lines of one process and direction, in the table's order."""
    return {name: bcm for name, bcm in chosen.items()
            if LINES[name].owner == owner and LINES[name].direction == direction}


def config_lines(chosen: Mapping[str, int], reactor: Reactor) -> list[str]:
    """The lines of the board's config.txt that this wiring needs."""
    lines = [f"dtoverlay=w1-gpio,gpiopin={bcm}" for name, bcm in chosen.items()
             if LINES[name].direction == ONE_WIRE]
    lines += [f"gpio={bcm}=op,dl" for name, bcm in chosen.items()
              if LINES[name].direction == OUT]
    lines += [f"gpio={bcm}=ip,pd" for name, bcm in chosen.items()
              if LINES[name].direction == IN and bcm in UP_AT_POWER_ON]
    lines += ["dtparam=strict_gpiod", "dtparam=spi=off", "enable_uart=0"]
    if {0, 1} & set(chosen.values()):
        lines.append("force_eeprom_read=0")
    if reactor.barometer:
        lines.append("dtparam=i2c_arm=on")
    return lines


def config_missing(wanted: Iterable[str], text: str) -> list[str]:
    """Those of the wanted lines that a config.txt does not say, in this or another spelling."""
    said = {line for row in text.splitlines()
            for line in _spelt_out("".join(row.partition("#")[0].split()))}
    return [line for line in wanted if line not in said]


def _spelt_out(line: str) -> Iterator[str]:
    """gpio= takes lists and ranges (the board maker's documentation of config.txt); w1-gpio has a
    default line and dtparam takes several (the same, from memory)."""
    key, _, rest = line.partition("=")
    if key == "gpio":
        said = set(rest.partition("=")[2].split(","))
        levels = [level for level in ("op,dl", "ip,pd") if set(level.split(",")) <= said]
        for part in rest.partition("=")[0].split(","):
            first, _, last = part.partition("-")
            last = last or first
            if first.isdigit() and last.isdigit():
                yield from (f"gpio={bcm}={level}" for level in levels
                            for bcm in range(int(first), int(last) + 1))
    elif key == "dtoverlay" and rest.split(",")[0] == "w1-gpio":
        options = dict(option.partition("=")[::2] for option in rest.split(",")[1:])
        yield f"dtoverlay=w1-gpio,gpiopin={options.get('gpiopin', '4')}"
    elif key == "dtparam":
        yield from (f"dtparam={'i2c_arm=on' if item == 'i2c=on' else item}"
                    for item in rest.split(","))
    else:
        yield line
