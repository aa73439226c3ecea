"""Orders for faults: NAME@TIME, NAME=NUMBER@TIME, either with -TIME for the end.

TIME is seconds from the start of the batch, or STAGE+SECONDS from the first time that stage
begins (idle+SECONDS from switching on). lid_open@dose+300-360 opens the lid for a minute.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from math import isfinite
from typing import Final

from esterward.process.stages import STAGES
from esterward_sim.plant.faults import ROWS, FaultRow

AT_MOST_S: Final = 4 * 86400.0
IDLE: Final = "idle"
FORM: Final = "NAME@SECONDS, NAME@STAGE+SECONDS or NAME=NUMBER@STAGE+SECONDS-SECONDS"
_SECONDS: Final = re.compile(r"\d{1,9}(\.\d{1,6})?")


@dataclass(frozen=True, slots=True)
class Moment:
    """Seconds after the batch's start, or after the first start of a stage."""

    at_s: float
    stage: str = ""

    def __str__(self) -> str:
        return f"{self.stage}+{self.at_s:g}" if self.stage else f"{self.at_s:g}"


@dataclass(frozen=True, slots=True)
class FaultOrder:
    """A fault to start, and perhaps to end: seconds from the batch's start or a stage's.

    value None takes the table's number; ends_s None lets it last.
    """

    name: str
    at_s: float
    stage: str = ""
    ends_s: float | None = None
    value: float | None = None

    @classmethod
    def parse(cls, text: str) -> FaultOrder:
        """ValueError with one sentence, without the option's name, when it cannot be read."""
        head, _, when = text.partition("@")
        name, equals, number = head.partition("=")
        row = ROWS.get(name)
        if row is None:
            raise ValueError(f"{text!r}: there is no fault {name!r}; {_near(name, ROWS)}")
        value = _number(text, row, number) if equals else None
        if not when:
            raise ValueError(f"{text!r}: when does it start? Write {FORM}.")
        stage, plus, span = when.rpartition("+")
        if plus and stage not in (IDLE, *STAGES):
            raise ValueError(f"{text!r}: there is no stage {stage!r}; "
                             f"{_near(stage, (IDLE, *STAGES))}")
        start, dash, end = span.partition("-")
        at_s = _seconds(text, start or when)
        ends_s = _seconds(text, end or when) if dash else None
        if ends_s is not None and not ends_s > at_s:
            raise ValueError(f"{text!r}: it would end at {end} s, before it starts at {start} s; "
                             "both count from the same moment.")
        return cls(name, at_s, stage if plus else "", ends_s, value)

    def __str__(self) -> str:
        number = "" if self.value is None else f"={self.value:g}"
        end = "" if self.ends_s is None else f"-{self.ends_s:g}"
        return f"{self.name}{number}@{Moment(self.at_s, self.stage)}{end}"


def parse_moment(text: str) -> Moment:
    """SECONDS or STAGE+SECONDS; ValueError in one sentence."""
    stage, plus, seconds = text.rpartition("+")
    if plus and stage not in (IDLE, *STAGES):
        raise ValueError(f"{text!r}: there is no stage {stage!r}; "
                         f"{_near(stage, (IDLE, *STAGES))}")
    return Moment(_seconds(text, seconds or text), stage if plus else "")


def parse_orders(texts: Iterable[str]) -> tuple[tuple[FaultOrder, ...], list[str]]:
    """(the orders, one sentence for each text that is none)."""
    orders, mistakes = [], []
    for text in texts:
        try:
            orders.append(FaultOrder.parse(text))
        except ValueError as error:
            mistakes.append(str(error))
    return tuple(orders), mistakes


def _seconds(text: str, seconds: str) -> float:
    if not _SECONDS.fullmatch(seconds) or not float(seconds) <= AT_MOST_S:
        raise ValueError(f"{text!r}: {seconds!r} must be seconds from 0 to {AT_MOST_S:.0f}; "
                         f"write {FORM}.")
    return float(seconds)


def _number(text: str, row: FaultRow, number: str) -> float:
    if not row.unit:
        raise ValueError(f"{text!r}: {row.name} takes no number; write {row.name}@TIME.")
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or not row.low <= value <= row.high:
        raise ValueError(f"{text!r}: {number!r} must be a number from {row.low:g} to "
                         f"{row.high:g} ({row.unit}), for example "
                         f"{row.name}={row.value:g}@TIME.")
    return value


def _near(name: str, names: Iterable[str]) -> str:
    known = list(names)
    near = get_close_matches(name, known, 3, 0.6)
    if not near:  # a part of a name is enough
        near = [full for full in known if name and name.lower() in full][:3]
    if near:
        return f"did you mean {' or '.join(near)}?"
    if len(known) < 20:
        return f"known are {', '.join(known)}."
    return "see esterward rehearse --faults."
