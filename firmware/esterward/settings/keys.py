"""Every key of the two files: what it holds, which range. The tables of this package.

Every field is None when the key is absent or was wrong; build.py supplies the rest of the
sense: what must be there, what fits what, and the defaults (those of values.reactor and
values.batch).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from pydantic import BaseModel, ConfigDict

from esterward.chemistry.boiling import ALTITUDE_RANGE_M
from esterward.settings.fields import Host, Number, Text, Whole, Word
from esterward.settings.units import (
    ALTITUDE,
    CONTENT,
    DENSITY,
    DIFFERENCE,
    HEAT_CAPACITY,
    HOURS,
    LENGTH,
    LOSS,
    MASS,
    MINUTES,
    MOLAR_MASS,
    POWER,
    RATIO,
    SECONDS,
    SHARE,
    SHORT_LENGTH,
    SMALL_VOLUME,
    STRENGTH,
    TEMPERATURE,
    VOLUME,
)
from esterward.values.batch import CATALYSTS, DEWATER_MODES, INDICATORS, TITRANTS
from esterward.values.reactor import RIG_LEVELS, SWITCHES
from esterward.values.readings import OPTIONAL_INPUTS

SAMPLE = replace(SMALL_VOLUME, example="1 mL")
SAMPLE_MASS = replace(MASS, example="0.918 g")
BASE = replace(STRENGTH, example="7 g/L")
NAME = Text(r"[^\x00-\x1f\x7f]{1,40}", "1 to 40 characters on one line", "harvest lot 3")
# The folder of a DS18B20 in /sys/bus/w1/devices: family code 28 and its serial number.
PROBE_ID = Text(r"28-[0-9a-f]{12}", '"28-" and 12 digits 0-9 a-f, as in /sys/bus/w1/devices',
                "28-0316a2794ff1")
HOST = Host(r"[A-Za-z0-9_.:-]{0,253}", "a host name or address, empty for no broker",
            "127.0.0.1")
# Homie 5: a device id is lower case letters, digits and hyphens.
MQTT_ID = Text(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?",
               "1 to 40 lower case letters, digits and hyphens", "reactor-1")


class Section(BaseModel):
    """One [table] of a file; a key that is not a field is an error."""

    model_config = ConfigDict(extra="forbid", strict=True)


class Site(Section):
    altitude: Annotated[float | None, Number(ALTITUDE, *ALTITUDE_RANGE_M)] = None
    barometer: bool | None = None
    room: Annotated[float | None, Number(TEMPERATURE, -20.0, 45.0)] = None


class Mark(Section):
    """One row of a dipstick table."""

    stick: Annotated[float | None, Number(SHORT_LENGTH, 0.0, 3000.0)] = None
    volume: Annotated[float | None, Number(VOLUME, 0.0, 1000.0)] = None


class Vessel(Section):
    volume: Annotated[float | None, Number(VOLUME, 5.0, 1000.0)] = None
    loss: Annotated[float | None, Number(LOSS, 0.5, 200.0)] = None
    lagging: Annotated[float | None, Number(SHORT_LENGTH, 0.0, 200.0)] = None
    diameter: Annotated[float | None, Number(LENGTH, 0.1, 2.0)] = None
    dipstick: list[Mark] | None = None


class Element(Section):
    power: Annotated[float | None, Number(POWER, 100.0, 20_000.0)] = None
    switch: Annotated[str | None, Word(SWITCHES)] = None


class Rig(Section):
    level: Annotated[str | None, Word(RIG_LEVELS)] = None
    fitted: list[Annotated[str, Word(OPTIONAL_INPUTS)]] | None = None
    warm_hold: bool | None = None


class Probes(Section):
    a: Annotated[str | None, PROBE_ID] = None
    b: Annotated[str | None, PROBE_ID] = None
    # What is added to a reading. Never negative: a correction may make the oil look warmer,
    # so that the limits come earlier, and never colder.
    a_correction: Annotated[float | None, Number(DIFFERENCE, 0.0, 5.0)] = None
    b_correction: Annotated[float | None, Number(DIFFERENCE, 0.0, 5.0)] = None
    checked: bool | None = None


class Measured(Section):
    """What `esterward rehearse --fit` found; for forecasts and the simulator, for no limit."""

    heat_capacity: Annotated[float | None, Number(HEAT_CAPACITY, 5.0, 5000.0)] = None
    oil: Annotated[float | None, Number(VOLUME, 1.0, 1000.0)] = None
    loss: Annotated[float | None, Number(LOSS, 0.5, 200.0)] = None
    run_on: Annotated[float | None, Number(SECONDS, 5.0, 600.0)] = None
    probe_lag: Annotated[float | None, Number(SECONDS, 2.0, 300.0)] = None


class Caps(Section):
    setpoint: Annotated[float | None, Number(TEMPERATURE, 30.0, 110.0)] = None


class Scale(Section):
    resolution: Annotated[float | None, Number(MASS, 0.001, 100.0)] = None


class Mqtt(Section):
    host: Annotated[str | None, HOST] = None
    port: Annotated[int | None, Whole(1, 65535)] = None
    id: Annotated[str | None, MQTT_ID] = None


class Display(Section):
    temperature: Annotated[str | None, Word(("degC", "degF"))] = None
    volume: Annotated[str | None, Word(("L", "gal_us", "gal_imp"))] = None


class ReactorFile(Section):
    """reactor.toml."""

    name: Annotated[str | None, NAME] = None
    site: Site = Site()
    vessel: Vessel = Vessel()
    element: Element = Element()
    rig: Rig = Rig()
    probes: Probes = Probes()
    measured: Measured = Measured()
    limits: Caps = Caps()
    scale: Scale = Scale()
    mqtt: Mqtt = Mqtt()
    display: Display = Display()
    # Names and allowed lines are those of hardware/pins.py, which judges them.
    pins: dict[str, Annotated[int, Whole(0, 27)]] = {}


class BlendedLot(Section):
    """One lot that was poured into this oil."""

    volume: Annotated[float | None, Number(VOLUME, 0.1, 1000.0)] = None
    titre: Annotated[float | None, Number(SMALL_VOLUME, 0.0, 20.0)] = None


class Oil(Section):
    volume: Annotated[float | None, Number(VOLUME, 1.0, 1000.0)] = None
    start: Annotated[float | None, Number(TEMPERATURE, -20.0, 110.0)] = None
    set: bool | None = None
    density: Annotated[float | None, Number(DENSITY, 0.85, 0.98)] = None
    water: Annotated[float | None, Number(CONTENT, 0.0, 20_000.0)] = None
    molar_mass: Annotated[float | None, Number(MOLAR_MASS, 600.0, 1000.0)] = None
    lots: list[BlendedLot] | None = None


class Titration(Section):
    readings: list[Annotated[float, Number(SMALL_VOLUME, 0.0, 20.0)]] | None = None
    titrant: Annotated[str | None, Word(TITRANTS)] = None
    strength: Annotated[float | None, Number(STRENGTH, 0.5, 10.0)] = None
    titrant_kind: Annotated[str | None, Word(CATALYSTS)] = None
    sample: Annotated[float | None, Number(SAMPLE, 0.5, 25.0)] = None
    sample_mass: Annotated[float | None, Number(SAMPLE_MASS, 0.5, 25.0)] = None
    indicator: Annotated[str | None, Word(INDICATORS)] = None
    blank: Annotated[float | None, Number(SMALL_VOLUME, 0.0, 5.0)] = None


class Catalyst(Section):
    kind: Annotated[str | None, Word(CATALYSTS)] = None
    purity: Annotated[float | None, Number(SHARE, 0.5, 1.0)] = None
    base: Annotated[float | None, Number(BASE, 2.0, 15.0)] = None
    base_as: Annotated[str | None, Word(("pure", "as weighed"))] = None


class Methanol(Section):
    share: Annotated[float | None, Number(SHARE, 0.10, 0.40)] = None
    ratio: Annotated[float | None, Number(RATIO, 2.5, 10.0)] = None
    start: Annotated[float | None, Number(TEMPERATURE, -10.0, 45.0)] = None


class Heat(Section):
    setpoint: Annotated[float | None, Number(TEMPERATURE, 30.0, 65.0)] = None


class Dewater(Section):
    method: Annotated[str | None, Word(DEWATER_MODES)] = None
    stand: Annotated[float | None, Number(MINUTES, 10.0, 2880.0)] = None


class Methoxide(Section):
    dissolve: Annotated[float | None, Number(MINUTES, 5.0, 240.0)] = None
    first_share: Annotated[float | None, Number(SHARE, 0.5, 0.95)] = None


class Dose(Section):
    pour: Annotated[float | None, Number(MINUTES, 10.0, 60.0)] = None


class Settle(Section):
    time: Annotated[float | None, Number(HOURS, 8.0, 240.0)] = None


class WashRound(Section):
    water: Annotated[float | None, Number(SHARE, 0.02, 1.0)] = None
    way: Annotated[str | None, Word(("mist", "stir"))] = None


class WashSection(Section):
    rounds: list[WashRound] | None = None
    stir: Annotated[float | None, Number(MINUTES, 1.0, 120.0)] = None
    stand: Annotated[float | None, Number(MINUTES, 20.0, 2880.0)] = None


class Dry(Section):
    temperature: Annotated[float | None, Number(TEMPERATURE, 30.0, 65.0)] = None
    time: Annotated[float | None, Number(MINUTES, 15.0, 2880.0)] = None


class BatchFile(Section):
    """batch.toml."""

    name: Annotated[str | None, NAME] = None
    oil: Oil = Oil()
    titration: Titration = Titration()
    catalyst: Catalyst = Catalyst()
    methanol: Methanol = Methanol()
    heat: Heat = Heat()
    dewater: Dewater = Dewater()
    methoxide: Methoxide = Methoxide()
    dose: Dose = Dose()
    settle: Settle = Settle()
    wash: WashSection = WashSection()
    dry: Dry = Dry()
