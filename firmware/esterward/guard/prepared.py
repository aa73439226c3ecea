"""guard.json: what the running guard reads, made from reactor.toml by `esterward guard --prepare`.

Plain numbers with units in their names, and a checksum over all of it: a file edited by hand is
refused, because limits must come from the one file that was checked.
"""

from __future__ import annotations

import hashlib
import json
import shlex
from dataclasses import dataclass
from typing import Any, Final

from esterward.guard import rule
from esterward.hardware import pins
from esterward.values.plain import from_plain, to_plain
from esterward.values.reactor import Reactor

VERSION: Final = 1
OTHERS: Final = "it was changed by hand or by another version"


@dataclass(frozen=True, slots=True)
class Prepared:
    """The guard's whole configuration. inputs: input name -> BCM line."""

    version: int
    reactor: str
    rule: rule.GuardConfig
    probe_b: str
    beat_bcm: int
    enable_bcm: int
    inputs: dict[str, int]


class PreparedWrong(ValueError):
    """guard.json cannot be used; one sentence."""


def prepare(reactor: Reactor) -> Prepared:
    """The guard's part of a reactor; ValueError (PinMistake) when it cannot be guarded."""
    if reactor.rig_level == "watch":
        raise PreparedWrong("[rig] level = \"watch\" has no contactor to guard; `esterward run` "
                            "works without a guard there.")
    lines = pins.board(reactor)
    outputs = pins.owned(lines, pins.GUARD, pins.OUT)
    return Prepared(VERSION, reactor.name, rule.config_of(reactor), reactor.probe_b_id,
                    outputs["beat"], outputs["enable"], pins.owned(lines, pins.GUARD, pins.IN))


def to_text(prepared: Prepared) -> str:
    """The file."""
    plain = to_plain(prepared)
    return json.dumps(plain | {"checksum": _checksum(plain)}, indent=2) + "\n"


def again(where: str) -> str:
    """What to type so that the file is made again, there. Ends a sentence: no stop after it."""
    return ("make it again: esterward guard --prepare --reactor reactor.toml --config "
            f"{shlex.quote(where)}")


def strange(where: str) -> PreparedWrong:
    """The refusal of a file of another kind, which `--prepare` never replaces."""
    return PreparedWrong(f"{where}: this is not a file of this guard; move it away, then "
                         f"{again(where)}")


def from_text(text: str, where: str) -> Prepared:
    """The inverse; PreparedWrong names the file and what to do."""
    try:
        plain = json.loads(text)
        checksum = plain.pop("checksum")
        prepared = from_plain(Prepared, plain)
        good = checksum == _checksum(plain)  # refuses what is no number
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        if not is_own(text):
            raise strange(where) from None
        raise PreparedWrong(f"{where}: {OTHERS}; {again(where)}") from None
    if not good or prepared.version != VERSION:
        raise PreparedWrong(f"{where}: {OTHERS}; {again(where)}")
    return prepared


def is_own(text: str) -> bool:
    """Whether this once was a guard's file, of any version, even if edited since."""
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError):
        return False
    return isinstance(plain, dict) and {"version", "rule", "checksum"} <= plain.keys()


def _checksum(plain: Any) -> str:
    text = json.dumps(plain, sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
