"""Nested dataclasses to numbers, strings and lists, and back. For checkpoints.

Only what our states are made of: dataclasses, tuples, lists, dicts with text keys, numbers,
text, booleans, None. Whole numbers are counts, never below 0; the others are finite. A field
missing or left over is an error, so that an old checkpoint is never half understood.
"""

from __future__ import annotations

import types
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")


def to_plain(value: Any) -> Any:
    """The value as lists, dicts with text keys, numbers, text, booleans and None."""
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return {name: to_plain(getattr(value, name)) for name in _names(type(value))}
    if isinstance(value, (list, tuple)):
        return [to_plain(item) for item in value]
    if isinstance(value, dict):
        return {key: to_plain(item) for key, item in value.items()}
    raise TypeError(f"{type(value).__name__} cannot be written to a checkpoint")


@cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def from_plain(kind: type[T], plain: Any) -> T:
    """Rebuild a value of the given type; ValueError when the plain form does not fit it."""
    built: T = _build(kind, plain)
    return built


def _build(kind: Any, plain: Any) -> Any:
    origin = get_origin(kind)
    if kind is Any:
        return plain
    if origin in (Union, types.UnionType):
        return _build_union(get_args(kind), plain)
    if isinstance(kind, type) and is_dataclass(kind):
        if not isinstance(plain, dict):
            raise ValueError(f"{kind.__name__}: a mapping was expected")
        names = _names(kind)
        if set(plain) != set(names):
            raise ValueError(f"{kind.__name__}: fields differ: {sorted(set(plain) ^ set(names))}")
        hints = _hints(kind)
        return kind(**{name: _field(name, hints[name], plain[name]) for name in names})
    if origin in (list, tuple):
        return _build_sequence(origin, get_args(kind), plain)
    if origin is dict:
        if not isinstance(plain, dict):
            raise ValueError("a mapping was expected")
        item = get_args(kind)[1]
        return {str(key): _build(item, value) for key, value in plain.items()}
    if kind is float and type(plain) in (int, float):
        if not -1e300 <= plain <= 1e300:
            raise ValueError("a number that is not finite")
        return float(plain)
    if kind is int and type(plain) is int and plain < 0:
        raise ValueError("a count below 0")
    if kind in (None, type(None)):
        if plain is None:
            return None
    elif isinstance(kind, type) and type(plain) is kind:
        return plain
    raise ValueError(f"{_word(kind)} was expected, not {repr(plain)[:40]}")


def _word(kind: Any) -> str:
    return {float: "a number", int: "a count", str: "text", bool: "true or false",
            types.NoneType: "nothing"}.get(kind, "something else")


def _field(name: str, kind: Any, plain: Any) -> Any:
    try:
        return _build(kind, plain)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def _build_sequence(origin: Any, args: tuple[Any, ...], plain: Any) -> Any:
    if not isinstance(plain, (list, tuple)):
        raise ValueError("a list was expected")
    if origin is tuple and not (len(args) == 2 and args[1] is Ellipsis):
        if len(args) != len(plain):
            raise ValueError("a list of another length was expected")
        return tuple(_build(kind, item) for kind, item in zip(args, plain, strict=True))
    return origin(_build(args[0], item) for item in plain)


def _build_union(kinds: tuple[Any, ...], plain: Any) -> Any:
    for kind in kinds:
        try:
            return _build(kind, plain)
        except ValueError:
            continue
    raise ValueError(f"{' or '.join(map(_word, kinds))} was expected, not {repr(plain)[:40]}")
