"""Whether a value is what its annotations say, all the way down."""

from __future__ import annotations

import types
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import partial
from typing import Any, Union, get_args, get_origin, get_type_hints

Fault = Callable[[Any], str]  # "" for a value that is as it must be, else where and what it is
# Given "Reactor.vessel_l" and its annotation: the rule for that field, None for the usual one.
Rule = Callable[[str, Any], Fault | None]


def fault_of(kind: Any, rule: Rule, name: str = "") -> Fault:
    """The check for values of this annotation; rule judges the fields it knows."""
    own = rule(name, kind)
    if own is not None:
        return own
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        found = [fault_of(one, rule, name) for one in get_args(kind)]
        return lambda value: "" if any(not one(value) for one in found) else f"{name} {value!r}"
    if origin is tuple:
        inner = get_args(kind)
        if inner[-1] is Ellipsis:
            return partial(_every, name, fault_of(inner[0], rule, name))
        return partial(_each, name, [fault_of(one, rule, f"{name}[{place}]")
                                     for place, one in enumerate(inner)])
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind)
        return partial(_whole, kind, [
            (field.name, fault_of(hints[field.name], rule, f"{kind.__name__}.{field.name}"))
            for field in fields(kind)])
    return lambda value: "" if type(value) is kind else f"{name} {value!r}"


def _every(name: str, inner: Fault, value: Any) -> str:
    if type(value) is not tuple:
        return f"{name} {value!r}"
    return next((wrong for one in value if (wrong := inner(one))), "")


def _each(name: str, inner: list[Fault], value: Any) -> str:
    if type(value) is not tuple or len(value) != len(inner):
        return f"{name} {value!r}"
    return next((wrong for one, judge in zip(value, inner, strict=True)
                 if (wrong := judge(one))), "")


def _whole(kind: type, inner: list[tuple[str, Fault]], value: Any) -> str:
    if type(value) is not kind:
        return f"{kind.__name__} {value!r}"
    for name, judge in inner:
        if wrong := judge(getattr(value, name)):
            return wrong
    return ""
