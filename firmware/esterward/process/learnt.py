"""What one batch leaves to the next about the vessel, and whether the next may start from it.

It goes to the record as an event and comes back as the data of one. Whatever comes back may be
of another reactor, of another version, damaged or forged, so it is checked as a stranger's
input; and even when it passes it only moves where the heater law begins to learn (GUESS_SD in
heating_model.py). No limit is taken from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from esterward.process.heating import HeaterControl
from esterward.process.heating_model import LEARNT, LEARNT_VERSION, YOUNG_BLOCKS
from esterward.values.events import Plain
from esterward.values.reactor import Reactor

EVENT: Final = "vessel_learnt"
# Heating that teaches about the vessel; water that boils out and drying air are losses of theirs.
TEACHES: Final = ("dewater", "setpoint")


def vessel_of(reactor: Reactor) -> str:
    """The parts that what was learnt belongs to, in words: another one makes another vessel."""
    return (f"{reactor.vessel_l:g} L, {reactor.element_w:g} W, {reactor.element_switch}, "
            f"probe {reactor.probe_a_id or 'without id'}")


def lesson(heater: HeaterControl, heat: str, reactor: Reactor) -> dict[str, Plain]:
    """The event's data when a heating row ends; {} when it was too short or teaches nothing."""
    if heat not in TEACHES or heater.model.blocks < YOUNG_BLOCKS:
        return {}
    values = {name: float(f"{value:.4g}") for name, value in heater.learnt().items()}
    return {"version": LEARNT_VERSION, "vessel": vessel_of(reactor), **values}


def guess_of(told: object, reactor: Reactor) -> tuple[dict[str, float], str]:
    """(guess, "") from an event's data, or ({}, why it is no guess). One bad value spoils all."""
    if not isinstance(told, Mapping):
        return {}, "it is no table of values"
    if type(told.get("version")) is not int or told["version"] != LEARNT_VERSION:
        return {}, "it is of another version"
    if told.get("vessel") != vessel_of(reactor):
        return {}, "it is of another vessel, element or probe"
    guess: dict[str, float] = {}
    for name, (_, _, (low, high)) in LEARNT.items():
        value = told.get(name)
        if not isinstance(value, (int, float)) or isinstance(value, bool) or not (
            low <= value <= high
        ):
            return {}, f"{name} is not a number from {low:g} to {high:g}"
        guess[name] = float(value)
    return guess, ""
