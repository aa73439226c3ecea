"""reactor.toml and batch.toml to plain values, or every mistake in them at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from esterward.settings.build import Found, batch_from, bracketed, reactor_from
from esterward.settings.keys import BatchFile, ReactorFile
from esterward.settings.mistakes import (
    SettingsError,
    Wrong,
    nearest,
    plain_name,
    sentence,
    shown,
)
from esterward.settings.quantity import wording
from esterward.settings.toml_file import read_toml
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor

REACTOR_SECTIONS = ("site", "vessel", "element", "rig", "probes")
BATCH_SECTIONS = ("oil", "titration", "catalyst", "methanol")


def load_reactor(path: str | Path) -> Reactor:
    """The reactor in the file; SettingsError with every mistake else."""
    found, reactor = _reactor(path)
    if found.mistakes:
        raise SettingsError(found.mistakes)
    return reactor


def load_batch(path: str | Path, reactor: Reactor | None = None) -> Batch:
    """The batch in the file, possible in this reactor; SettingsError with every mistake else.

    What can never be allowed (chemistry.sheet's errors, such as oil plus methanol above the
    vessel or a setpoint above the limit here) is a mistake of the file like any other.
    """
    found, batch = _batch(path)
    mistakes = found.mistakes + _never_allowed(found, batch, reactor)
    if mistakes:
        raise SettingsError(mistakes)
    return batch


def load_pair(
    batch_path: str | Path, reactor_path: str | Path | None,
    temperature: str | None = None, volume: str | None = None, *,
    batch_raw: Mapping[str, Any] | None = None, reactor_raw: Mapping[str, Any] | None = None,
) -> tuple[Batch, Reactor | None]:
    """Both files, the mistakes of both at once; without a reactor_path the reactor is None.

    What can never be allowed is said in these units, else in those of the reactor's [display].
    batch_raw, reactor_raw: tables read already, instead of what is in the files.
    """
    mistakes: list[str] = []
    reactor: Reactor | None = None
    if reactor_path is not None:
        try:
            found, reactor = _reactor(reactor_path, reactor_raw)
            mistakes += found.mistakes
        except SettingsError as error:
            mistakes += error.mistakes
    try:
        found, batch = _batch(batch_path, batch_raw)
    except SettingsError as error:
        raise SettingsError([*error.mistakes, *mistakes]) from None
    usable = reactor if not mistakes else None
    never = _never_allowed(found, batch, usable, temperature, volume)
    mistakes = found.mistakes + never + mistakes
    if mistakes:
        raise SettingsError(mistakes)
    return batch, reactor


def reactor_beside(batch_path: str | Path) -> Path | None:
    """reactor.toml in the folder of the batch file, if there is one."""
    path = Path(batch_path).parent / "reactor.toml"
    return path if path.is_file() else None


def _reactor(path: str | Path, raw: Mapping[str, Any] | None = None) -> tuple[Found, Reactor]:
    found = _check(path, raw, ReactorFile, "reactor", REACTOR_SECTIONS, "batch", BATCH_SECTIONS)
    return found, reactor_from(found)


def _batch(path: str | Path, raw: Mapping[str, Any] | None = None) -> tuple[Found, Batch]:
    found = _check(path, raw, BatchFile, "batch", BATCH_SECTIONS, "reactor", REACTOR_SECTIONS)
    return found, batch_from(found)


SETPOINTS = (("heat", "setpoint"), ("dry", "temperature"))
_NUMBER_OF_KEY = re.compile(r"\[(\w+)\] (\w+) = (-?[\d.]+) (\w+)")
# What to write for a list of tables.
ROW_EXAMPLES = {
    "wash.rounds": '[{ water = "30 %", way = "stir" }]',
    "oil.lots": '[{ volume = "20 L", titre = "6.0 mL" }]',
    "vessel.dipstick": '[{ stick = "0 mm", volume = "0 L" }, { stick = "400 mm", '
                       'volume = "98 L" }]',
}
# An error of the sheet that begins with this table also hangs on keys of these.
HANGS_ON = {"[oil]": ("oil", "methanol"), "[dewater]": ("oil",),
            "[titration]": ("titration", "catalyst"),
            "[scale]": ("oil", "titration", "catalyst")}


def _never_allowed(found: Found, batch: Batch, reactor: Reactor | None,
                   temperature: str | None = None, volume: str | None = None) -> list[str]:
    """The sheet's errors, but none that the default of a key reported already may have caused."""
    from esterward.chemistry.sheet import batch_sheet

    told = reactor or Reactor()
    fahrenheit = any(str(found.raw.get(table, {}).get(key)).endswith("F")
                     for table, key in SETPOINTS)
    say = wording(temperature or ("degF" if fahrenheit else told.show_temperature),
                  volume or told.show_volume)
    faulty = {key.split(".", 1)[0] for key in found.faulty}
    return [f"{found.where}: {_as_it_stands(error, found.raw)}"
            for error in batch_sheet(batch, reactor, say).errors
            if faulty.isdisjoint(HANGS_ON.get(error.split(" ", 1)[0], ()))]


def _as_it_stands(error: str, raw: Mapping[str, Any]) -> str:
    """The sheet's error with the number it begins with as the file has it."""
    begins = _NUMBER_OF_KEY.match(error)
    if begins is None:
        return error
    table, key, number, unit = begins.groups()
    stands = raw.get(table, {}).get(key)
    if not isinstance(stands, str):
        return error
    said = "" if stands.strip().endswith(unit) else f" ({number} {unit})"
    return f"[{table}] {key} = {shown(stands)}{said}{error[begins.end():]}"


def _check(path: str | Path, given: Mapping[str, Any] | None,
           model: type[ReactorFile | BatchFile], own: str,
           own_sections: tuple[str, ...], other: str, other_sections: tuple[str, ...]) -> Found:
    """Types, units, ranges and unknown keys; a file of another kind is one sentence."""
    where = plain_name(str(path))
    raw = read_toml(path) if given is None else dict(given)
    if not any(name in raw for name in own_sections):
        theirs = [f"[{name}]" for name in other_sections if name in raw]
        what = f"this is a {other} file ({theirs[0]} is in it)" if theirs else (
            "this is neither a batch nor a reactor file")
        raise SettingsError([f"{where}: {what}; a {own} file is wanted here, which has "
                             f"{', '.join(f'[{name}]' for name in own_sections)}."])
    mistakes: list[str] = []
    faulty: set[str] = set()
    raw = deepcopy(raw)
    try:
        return Found(where, model.model_validate(raw), faulty, mistakes, raw)
    except ValidationError as error:
        for one in error.errors(include_url=False):
            mistakes.append(_sentence(where, model, one["loc"], one))
            faulty.add(_key(one["loc"]))
            _drop(raw, _path(one["loc"]))
    # What was wrong is gone.
    return Found(where, model.model_validate(raw), faulty, mistakes, raw)


def _path(loc: tuple[str | int, ...]) -> list[str]:
    """Down to the first list: ("wash", "rounds", 0, "water") is wash, rounds."""
    return [str(part) for part in loc[:2]]


def _key(loc: tuple[str | int, ...]) -> str:
    return ".".join(_path(loc))


def _drop(raw: dict[str, Any], path: list[str]) -> None:
    """Take a wrong key out, so that the rest of the file can still be judged."""
    node: Any = raw
    for name in path[:-1]:
        node = node.get(name, {})
    node.pop(path[-1], None)


def _sentence(where: str, model: type[BaseModel], loc: tuple[str | int, ...],
              error: Mapping[str, Any]) -> str:
    key, value, kind = bracketed(_key(loc)), error["input"], error["type"]
    numbers = [part for part in loc if isinstance(part, int)]
    inner = [part for part in loc[2:] if isinstance(part, str)]
    if numbers:
        key += f" (value {numbers[0] + 1}{''.join(', ' + name for name in inner)})"
    if kind == "extra_forbidden":
        return _unknown(where, model, loc, value)
    if kind == "esterward":
        ctx = error["ctx"]
        return sentence(where, key, value, Wrong(ctx["why"], ctx["write"]), ctx["allowed"])
    rows = ROW_EXAMPLES.get(_key(loc))
    if rows and kind in ("list_type", "model_type", "dict_type"):
        return sentence(where, key, value, Wrong("a list of tables is wanted",
                                                  f"for example {rows}"))
    if kind in ("model_type", "dict_type"):
        name = str(loc[0])
        write = f"[{plain_name(name)}] on a line of its own and its keys below"
        return sentence(where, key, value, Wrong("that is a table, not a value", write))
    if kind == "list_type":
        return sentence(where, key, value, Wrong("a list is wanted", f"[{shown(value)}]"))
    if kind == "bool_type":
        return sentence(where, key, value, Wrong("yes or no is wanted", "true or false"))
    return sentence(where, key, value, Wrong(str(error["msg"])))


def _unknown(where: str, model: type[BaseModel], loc: tuple[str | int, ...],
             value: Any) -> str:
    """An unknown key or table, with the nearest known one: in its table, else in another."""
    fields = model.model_fields
    name = str(loc[-1])
    if len(loc) == 1:
        looks = f"[{plain_name(name)}]" if isinstance(value, dict) else plain_name(name)
        meant = nearest(name, tuple(fields))
        homes = _homes(model, name)
        if meant and isinstance(value, dict):
            hint = f"did you mean [{meant}]?"
        elif homes:
            hint = f"did you mean {' or '.join(homes)}?"
        else:
            hint = f"known are {', '.join(fields)}."
        return f"{where}: {looks} is not known here; {hint}"
    section = fields[str(loc[0])].default
    keys: tuple[str, ...] = tuple(type(section).model_fields)
    if len(loc) > 2:  # a table in a list
        rows = get_args(type(section).model_fields[str(loc[1])].annotation)[0]
        keys = tuple(get_args(rows)[0].model_fields)
    meant = nearest(name, keys)
    homes = _homes(model, name)
    hint = f'did you mean "{meant}"?' if meant else (
        f"did you mean {' or '.join(homes)}?" if homes else f"known are {', '.join(keys)}.")
    return f"{where}: [{loc[0]}] {plain_name(name)} is not known here; {hint}"


def _homes(model: type[BaseModel], name: str) -> list[str]:
    """The tables that do have such a key, as [oil] volume."""
    return [f"[{section}] {name}" for section, field in model.model_fields.items()
            if isinstance(field.default, BaseModel) and name in type(field.default).model_fields]
