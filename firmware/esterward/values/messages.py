"""The two messages between controller and guard, and their codec.

One JSON line of at most MAX_BYTES each way. A malformed line, a wrong type, a missing or
an extra key, a number that is not finite: all decode to None, which counts as silence.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from math import isfinite
from typing import Any

from esterward.values.readings import INPUT_NAMES, OPTIONAL_INPUTS, Inputs, ProbeReading

MAX_BYTES = 1024
# What the guard may have latched (guard/rule.py), in words for people.
GUARD_LATCHES = {
    "e-stop": "the emergency stop was open",
    "cut-out": "the independent cut-out was open",
    "over-limit": "its probe was at or over the limit",
    "level": "the float was dry with K1 closed or wanted",
    "lid": "the lid was open with methanol in the vessel",
    "probe": "its own probe gave no usable reading",
    "silent": "it did not hear the controller for 2 s",
    "k1": "K1 was closed against command",
    "methanol-heat": "heat was wanted with methanol in the vessel",
    "disagreement": "it and the controller disagreed on flag, pressure or configuration",
    "memory": "its file could not be read",
}
HIGHEST = 1.7976931348623157e308  # the largest float


@dataclass(frozen=True, slots=True)
class GuardReport:
    """Guard to controller, every guard cycle (0.25 s)."""

    count: int
    at_s: float
    boot: str
    inputs: Inputs
    probe_b: ProbeReading
    enable: bool
    latches: tuple[str, ...]
    flag: bool
    trip_c: float | None
    pressure_kpa: float | None
    hash: str


@dataclass(frozen=True, slots=True)
class ControllerReport:
    """Controller to guard, every tick. flag None means the controller does not know."""

    count: int
    at_s: float
    boot: str
    k1: bool
    k2_wanted: bool
    flag: bool | None
    trip_c: float | None
    pressure_kpa: float | None
    hash: str


_MARKS = {True: "1", False: "0", None: "-"}
_LEVELS: dict[str, bool | None] = {"1": True, "0": False, "-": None}
_MUST = len(INPUT_NAMES) - len(OPTIONAL_INPUTS)


# Four messages a second and a whole batch rehearsed in seconds: what hardly ever changes (texts,
# latches, inputs) is turned into JSON once, the rest is put between it. Built once: json.dumps and
# json.loads would look for the same settings at every message.
_quoted = lru_cache(maxsize=256)(json.JSONEncoder(separators=(",", ":")).encode)
_decoder = json.JSONDecoder()
_from_start, _from_text = _decoder.raw_decode, _decoder.decode
_WORDS = {True: "true", False: "false", None: "null"}


@lru_cache(maxsize=256)
def inputs_to_marks(inputs: Inputs) -> str:
    """One character an input in the order of INPUT_NAMES: 1, 0, or - for not fitted."""
    return "".join([_MARKS[getattr(inputs, name)] for name in INPUT_NAMES])


@lru_cache(maxsize=256)
def inputs_from_marks(marks: str) -> Inputs | None:
    """The inverse; None when the text is not exactly such a line."""
    if len(marks) != len(INPUT_NAMES) or "-" in marks[:_MUST]:
        return None
    try:
        return Inputs(*[_LEVELS[mark] for mark in marks])  # type: ignore[arg-type]
    except KeyError:
        return None


def _text(value: float | None) -> str:
    """A finite number as JSON, null for anything else."""
    return repr(value) if value is not None and isfinite(value) else "null"


def encode_guard(report: GuardReport) -> bytes:
    """The line the guard sends."""
    probe = report.probe_b
    return (
        f'["g",{report.count},{report.at_s!r},{_quoted(report.boot)},'
        f'"{inputs_to_marks(report.inputs)}",{_text(probe.c)},{_text(probe.at_s)},'
        f"{_quoted(probe.why[:80])},{_WORDS[report.enable]},{_quoted(report.latches)},"
        f"{_WORDS[report.flag]},{_text(report.trip_c)},{_text(report.pressure_kpa)},"
        f"{_quoted(report.hash)}]"
    ).encode("ascii")


def encode_controller(report: ControllerReport) -> bytes:
    """The line the controller sends."""
    return (
        f'["c",{report.count},{report.at_s!r},{_quoted(report.boot)},{_WORDS[report.k1]},'
        f"{_WORDS[report.k2_wanted]},{_WORDS[report.flag]},{_text(report.trip_c)},"
        f"{_text(report.pressure_kpa)},{_quoted(report.hash)}]"
    ).encode("ascii")


def _load(line: bytes, mark: str, length: int) -> list[Any] | None:
    if len(line) > MAX_BYTES:
        return None
    try:
        text = line.decode("ascii")
        if text[:1] == "[":
            plain, end = _from_start(text)
        else:
            plain, end = None, -1
        if end != len(text):
            plain = _from_text(text)  # blanks around it are allowed
    except (ValueError, RecursionError):
        return None
    if type(plain) is not list or len(plain) != length or plain[0] != mark:
        return None
    return plain


def _number(value: Any) -> bool:
    # Compared, not asked for isfinite: a whole number of 300 digits is no float.
    return (type(value) is float or type(value) is int) and -HIGHEST <= value <= HIGHEST


def _number_or_none(value: Any) -> bool:
    return value is None or _number(value)


def decode_guard(line: bytes) -> GuardReport | None:
    """The report in the line, or None when anything about it is wrong."""
    plain = _load(line, "g", 14)
    if plain is None:
        return None
    (_, count, at_s, boot, marks, b_c, b_at_s, b_why, enable, latches, flag, trip_c, kpa,
     digest) = plain
    if not (
        type(count) is int and _number(at_s) and type(boot) is str and type(marks) is str
        and _number_or_none(b_c) and _number_or_none(b_at_s) and type(b_why) is str
        and type(enable) is bool and type(flag) is bool and type(digest) is str
        and type(latches) is list
        and (not latches or all(type(code) is str for code in latches))
        and _number_or_none(trip_c) and _number_or_none(kpa)
    ):
        return None
    inputs = inputs_from_marks(marks)
    if inputs is None:
        return None
    probe_b = ProbeReading(b_c, b_at_s if b_at_s is not None else float("-inf"), b_why)
    return GuardReport(count, float(at_s), boot, inputs, probe_b, enable, tuple(latches), flag,
                       trip_c, kpa, digest)


def decode_controller(line: bytes) -> ControllerReport | None:
    """The report in the line, or None when anything about it is wrong."""
    plain = _load(line, "c", 10)
    if plain is None:
        return None
    _, count, at_s, boot, k1, k2_wanted, flag, trip_c, kpa, digest = plain
    if not (
        type(count) is int and _number(at_s) and type(boot) is str and type(k1) is bool
        and type(k2_wanted) is bool and (flag is None or type(flag) is bool)
        and _number_or_none(trip_c) and _number_or_none(kpa) and type(digest) is str
    ):
        return None
    return ControllerReport(count, float(at_s), boot, k1, k2_wanted, flag, trip_c, kpa, digest)
