"""Scenario files: one story a file, with the ending it must have. Reads them, runs nothing.

    story = "The lid is opened while the methoxide runs in."
    batch_file = "demo/batch.toml"        # beside this file; [batch.*] holds the differences
    seed = 3
    person = "prompt"
    faults = ["lid_open@dose+700-760"]    # as --fault
    until = "mix+60"                      # end here, when the rest adds nothing
    [reactor.rig]                         # differences from reactor_file, else the example
    level = "full"
    [plant]                               # parameters of the plant that no file knows
    fat_melts_c = 40.0
    [ending]
    state = "running"
    first_out = "lid"                     # first latch since the start, "" = none
    trips = ["lid"]                       # every latch since the start, once each; may be left out
    stages = ["fill 11 min +-2", "heat 55 min +-3", "mix running"]
    peak_oil_c = [54.3, 0.5]              # and within how many kelvin
    ceiling_c = [57.5, 0.2]               # at the end; may be left out
    methanol_flag = true
    asked = ["fill", "sheet"]             # every question in the order it was first asked
    told = ["The lid is open."]           # words that must stand in what was said or is asked
    warned = []                           # words that must stand in the sheet's warnings
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, ValidationError

from esterward.process.sequence import BATCH_STATES
from esterward.process.stages import STAGES
from esterward.safety.faults import FAULTS
from esterward.settings.files import load_pair
from esterward.settings.mistakes import SettingsError, plain_name
from esterward.settings.toml_file import read_toml
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.orders import FaultOrder, Moment, parse_moment, parse_orders
from esterward_sim.person import KINDS
from esterward_sim.plant.parameters import read_parameters

_STAGE: Final = re.compile(
    r"(?P<stage>[a-z]+)(?: (?P<minutes>\d+(?:\.\d+)?) min \+-(?P<within>\d+(?:\.\d+)?))?"
    r"(?: (?P<outcome>[a-z]+))?")


@dataclass(frozen=True, slots=True)
class StageRow:
    """One row of the stages: how long it took, in minutes, and how it ended."""

    stage: str
    minutes: float | None
    within: float
    outcome: str

    @classmethod
    def parse(cls, text: str) -> StageRow:
        """STAGE [MINUTES min +-MINUTES] [OUTCOME]; ValueError with one sentence otherwise."""
        found = _STAGE.fullmatch(text)
        if found is None or found["stage"] not in STAGES:
            raise ValueError(f'{text!r}: write a stage, its minutes and an outcome, for example '
                             f'"heat 55 min +-3" or "dose held"; stages are {", ".join(STAGES)}.')
        minutes = found["minutes"]
        return cls(found["stage"], float(minutes) if minutes else None,
                   float(found["within"] or 0.0), found["outcome"] or "done")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _EndingTable(_Table):
    state: str
    first_out: str
    stages: list[str]
    methanol_flag: bool
    asked: list[str]
    peak_oil_c: list[float] | None = None
    ceiling_c: list[float] | None = None
    guard_latches: list[str] | None = None
    trips: list[str] | None = None
    told: list[str] = []
    warned: list[str] = []
    published: str = ""


class _Short(_Table):
    settle_h: float | None = None


class _File(_Table):
    story: str
    ending: _EndingTable
    batch_file: str = ""
    reactor_file: str = ""
    batch: dict[str, Any] = {}
    reactor: dict[str, Any] = {}
    plant: dict[str, Any] = {}
    shorter: _Short = _Short()
    faults: list[str] = []
    person: str = "prompt"
    seed: int = 1
    until: str = ""
    broker: bool = False
    xfail: str = ""


@dataclass(frozen=True, slots=True)
class Ending:
    """What must come of it. peak, ceiling: (degC, within K); None and empty: not compared."""

    state: str
    first_out: str
    stages: tuple[StageRow, ...]
    methanol_flag: bool
    asked: tuple[str, ...]
    peak: tuple[float, float] | None
    ceiling: tuple[float, float] | None
    guard_latches: tuple[str, ...] | None
    trips: tuple[str, ...] | None
    told: tuple[str, ...]
    warned: tuple[str, ...]
    published: str


@dataclass(frozen=True, slots=True)
class Scenario:
    """One story, ready to run. xfail: why it is known not to end as it must, "" = it does.

    broker: an embedded broker is there and everything is published.
    """

    name: str
    story: str
    batch: Batch
    reactor: Reactor
    plant: dict[str, Any]
    faults: tuple[FaultOrder, ...]
    person: str
    seed: int
    until: Moment | None
    broker: bool
    xfail: str
    ending: Ending


def load(path: Path, example_reactor: Path) -> Scenario:
    """The scenario of a file; SettingsError with every mistake in it."""
    where = plain_name(str(path))
    raw = read_toml(path)
    if not {"story", "ending"} & set(raw):
        raise SettingsError([f"{where}: this is no scenario: neither story nor [ending] is in it; "
                             "a batch file is rehearsed without --scenario."])
    try:
        file = _File.model_validate(raw)
    except ValidationError as error:
        raise SettingsError([
            f"{where}: {'.'.join(str(part) for part in one['loc'])}: "
            f"{_words(one['type'], one['msg'])}." for one in error.errors(include_url=False)
        ]) from None
    mistakes: list[str] = []
    orders, wrong = parse_orders(file.faults)
    mistakes += [f"{where}: faults: {sentence}" for sentence in wrong]
    stages, ending = [], file.ending
    for text in ending.stages:
        try:
            stages.append(StageRow.parse(text))
        except ValueError as error:
            mistakes.append(f"{where}: ending.stages: {error}")
    until = None
    try:
        until = parse_moment(file.until) if file.until else None
    except ValueError as error:
        mistakes.append(f"{where}: until: {error}")
    if file.person not in KINDS:
        mistakes.append(f"{where}: person: write one of {', '.join(KINDS)}.")
    if ending.state not in BATCH_STATES:
        mistakes.append(f"{where}: ending.state: {ending.state!r}: write one of "
                        f"{', '.join(BATCH_STATES)}.")
    for code in dict.fromkeys((ending.first_out, *(ending.trips or ()))):
        if code and code not in FAULTS:
            near = get_close_matches(code, FAULTS, 1)
            mistakes.append(f"{where}: ending: there is no trip {code!r}"
                            f"{f'; did you mean {near[0]}' if near else ''}; trips are "
                            f"{', '.join(FAULTS)}.")
    for key, pair in (("peak_oil_c", ending.peak_oil_c), ("ceiling_c", ending.ceiling_c)):
        if pair is not None and len(pair) != 2:
            mistakes.append(f"{where}: ending.{key}: write [degC, within K].")
    if ending.peak_oil_c is None and any(row.stage == "heat" for row in stages):
        mistakes.append(f"{where}: ending.peak_oil_c is needed when there was heat.")
    if any(order.name == "broker_gone" for order in orders) and not file.broker:
        mistakes.append(f"{where}: faults: broker_gone needs broker = true.")
    try:
        read_parameters(file.plant)
    except ValueError as error:
        mistakes.append(f"{where}: {error}.")
    batch, reactor = _pair(path, file, example_reactor, mistakes)
    if reactor is not None and reactor.rig_level == "watch":
        mistakes.append(f'{where}: a reactor of level "watch" cannot be rehearsed.')
    if mistakes or batch is None or reactor is None:
        raise SettingsError(mistakes)
    if file.shorter.settle_h is not None:
        batch = replace(batch, settle_h=file.shorter.settle_h)
    peak, ceiling = ending.peak_oil_c, ending.ceiling_c
    return Scenario(
        path.stem, file.story, batch, reactor, file.plant, orders, file.person, file.seed, until,
        file.broker, file.xfail,
        Ending(ending.state, ending.first_out, tuple(stages), ending.methanol_flag,
               tuple(ending.asked), (peak[0], peak[1]) if peak else None,
               (ceiling[0], ceiling[1]) if ceiling else None,
               None if ending.guard_latches is None else tuple(ending.guard_latches),
               None if ending.trips is None else tuple(ending.trips),
               tuple(ending.told), tuple(ending.warned), ending.published))


def _pair(path: Path, file: _File, example: Path,
          mistakes: list[str]) -> tuple[Batch | None, Reactor | None]:
    """Batch and reactor: the named files with the differences laid over them."""
    batch_path = path.parent / file.batch_file if file.batch_file else path
    reactor_path = path.parent / file.reactor_file if file.reactor_file else example
    try:
        batch_raw = _over(read_toml(batch_path) if file.batch_file else {}, file.batch)
        reactor_raw = _over(read_toml(reactor_path), file.reactor)
        return load_pair(batch_path, reactor_path, batch_raw=batch_raw, reactor_raw=reactor_raw)
    except SettingsError as error:
        mistakes += error.mistakes
    return None, None


def _over(base: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """base with changes laid over it, tables within tables."""
    merged = dict(base)
    for key, value in changes.items():
        below = merged.get(key)
        both = isinstance(below, dict) and isinstance(value, dict)
        merged[key] = _over(below or {}, value) if both else value
    return merged


def _words(kind: str, message: str) -> str:
    return {"missing": "this is needed", "extra_forbidden": "this key is not known here"}.get(
        kind, message[:1].lower() + message[1:])


