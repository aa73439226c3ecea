"""A line somebody types, such as "titration 3.0 mL", to an observation."""

from __future__ import annotations

import re
from dataclasses import replace

from esterward.settings.mistakes import SettingsError, Wrong, nearest, plain_name, shown
from esterward.settings.quantity import bounded, example, range_words
from esterward.settings.units import (
    CONTENT,
    MASS,
    PH,
    SMALL_VOLUME,
    TEMPERATURE,
    VOLUME,
    Kind,
)
from esterward.values.requests import OBSERVATIONS

KIND_OF_UNIT: dict[str, Kind] = {
    "mL": SMALL_VOLUME, "L": VOLUME, "g": MASS, "degC": TEMPERATURE, "pH": PH, "mg/kg": CONTENT,
}

# What each may look like with the example batch of firmware/config.
EXAMPLES: dict[str, str] = {
    "titration_ml": "3.0 mL", "oil_l": "120 L", "titration_anew_ml": "3.0 mL",
    "catalyst_g": "1293 g", "methanol_l": "24.0 L", "methoxide_c": "30 degC",
    "unreacted_ml": "0.2 mL", "glycerol_l": "17 L", "wash_ph": "7.2 pH", "tap_ph": "7.2 pH",
    "soap_ppm": "40 mg/kg",
}


def _short(name: str) -> str:
    """titration_ml is typed titration, wash_ph is typed wash."""
    return name.rsplit("_", 1)[0]


NAMES: dict[str, str] = {_short(name): name for name in OBSERVATIONS}


def as_typed(text: str) -> str:
    """The controller's words with its names of observations as a person types them."""
    return re.sub(r"[a-z_]+", lambda word: _short(word[0]) if word[0] in OBSERVATIONS else word[0],
                  text)


def observation(text: str) -> tuple[str, float]:
    """("titration_ml", 3.0) from "titration 3.0 mL"; SettingsError with one sentence else.

    The name is that of values.requests.OBSERVATIONS, with or without its unit; the number is
    in the unit and the range of that table.
    """
    word, _, rest = text.strip().partition(" ")
    name = word if word in OBSERVATIONS else NAMES.get(word, "")
    if not name:
        meant = nearest(word, tuple(NAMES))
        hint = f'; did you mean "{meant}"?' if meant else "."
        raise SettingsError([
            f"{shown(word)} is not something that can be told: "
            f"it is one of {', '.join(NAMES)}{hint}"])
    unit, lowest, highest, what = OBSERVATIONS[name]
    kind = replace(KIND_OF_UNIT[unit], example=EXAMPLES[name])
    value = bounded(rest, kind, lowest, highest)
    if isinstance(value, Wrong):
        write = value.write or f'for example "{example(kind, lowest, highest)}"'
        write = re.sub(r'"([^"]*)"', lambda one: f'"{word} {one[1]}"', write)
        raise SettingsError([
            f"{plain_name(word)} {shown(rest)[1:-1]} ({what}): {value.why}; "
            f"allowed is {range_words(kind, lowest, highest)}; write {write}."])
    return name, value


def typed(option: str, text: str, kind: Kind, lowest: float, highest: float) -> float:
    """The number of a command's option in the core unit; SettingsError with one sentence."""
    value = bounded(text, kind, lowest, highest)
    if isinstance(value, Wrong):
        write = value.write or f'for example "{example(kind, lowest, highest)}"'
        raise SettingsError([
            f"{option} {shown(text)}: {value.why}; "
            f"allowed is {range_words(kind, lowest, highest)}; write {write}."])
    return value

