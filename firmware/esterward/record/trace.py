"""A run of ticks as compressed bytes and back, exactly, so that a batch can be replayed.

Decides how Snapshot and Outputs look on disk; knows no file. One chunk is JSON compressed
with zlib: a list of columns, one column a field, because a field hardly changes from tick to
tick. A column of equal values is written once. Numbers come back with every bit: JSON text of
a Python float is its shortest exact form, and -Infinity is kept as JSON's usual extension.

    [FORMAT, ticks, snapshot columns, probe A columns, which ticks have a guard report,
     guard columns, probe B columns, inputs, outputs, requests]
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Sequence
from operator import attrgetter
from typing import Any

from esterward.values.messages import GuardReport, inputs_from_marks, inputs_to_marks
from esterward.values.outputs import OUTPUT_NAMES, Outputs
from esterward.values.readings import INPUT_NAMES, ProbeReading
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot

FORMAT = 1
CHUNK_TICKS = 60

Tick = tuple[Snapshot, Outputs]
Column = list[Any]

# What each column may hold. A number that is not finite stays what it was, or the replay of a tick
# that had one would differ.
Kinds = frozenset[type]
_NONE: Kinds = frozenset({type(None)})
_TEXT: Kinds = frozenset({str})
_YES_NO: Kinds = frozenset({bool})
_COUNT: Kinds = frozenset({int})
_LIST: Kinds = frozenset({list})
_NUMBER: Kinds = frozenset({float, int})
_MAYBE = _NUMBER | _NONE
SNAPSHOT_FIELDS: dict[str, Kinds] = {
    "now_s": _NUMBER, "boot": _TEXT, "periodic": _YES_NO, "wall_s": _MAYBE,
    "barometer_kpa": _MAYBE, "stored": _COUNT, "record_fault": _TEXT,
    "supply_low": _YES_NO | _NONE,
}
GUARD_FIELDS: dict[str, Kinds] = {
    "count": _COUNT, "at_s": _NUMBER, "boot": _TEXT, "enable": _YES_NO, "latches": _LIST,
    "flag": _YES_NO, "trip_c": _MAYBE, "pressure_kpa": _MAYBE, "hash": _TEXT,
}
PROBE_FIELDS: dict[str, Kinds] = {"c": _MAYBE, "at_s": _NUMBER, "why": _TEXT}
REQUEST_FIELDS: dict[str, Kinds] = {
    "id": _TEXT, "kind": _TEXT, "source": _TEXT, "name": _TEXT, "value": _MAYBE, "text": _TEXT,
}

_snapshot = attrgetter(*SNAPSHOT_FIELDS)
_guard = attrgetter(*GUARD_FIELDS)
_probe = attrgetter(*PROBE_FIELDS)
_request = attrgetter(*REQUEST_FIELDS)
_inputs = attrgetter(*INPUT_NAMES)
_outputs = attrgetter(*OUTPUT_NAMES)
_to_json = json.JSONEncoder(separators=(",", ":")).encode


def encode(ticks: Sequence[Tick]) -> bytes:
    """The chunk holding these ticks, in order."""
    snapshots = [snapshot for snapshot, _ in ticks]
    reports = [snapshot.guard for snapshot in snapshots]
    guards = [report for report in reports if report is not None]
    plain = [
        FORMAT,
        len(ticks),
        _columns(_snapshot, snapshots),
        _columns(_probe, [snapshot.probe_a for snapshot in snapshots]),
        _column([report is not None for report in reports]) if reports else [],
        _columns(_guard, guards),
        _columns(_probe, [guard.probe_b for guard in guards]),
        _coded(_inputs, [guard.inputs for guard in guards], inputs_to_marks),
        _coded(_outputs, [outputs for _, outputs in ticks], _outputs_to_marks),
        [[index, [_request(request) for request in snapshot.requests]]
         for index, snapshot in enumerate(snapshots) if snapshot.requests],
    ]
    return zlib.compress(_to_json(plain).encode("ascii"), 3)


def decode(body: bytes) -> list[Tick]:
    """The ticks of one chunk; ValueError when it is not one that encode() wrote."""
    try:
        plain = json.loads(zlib.decompress(body))
    except (zlib.error, ValueError, RecursionError) as error:
        raise ValueError(f"not a chunk of the trace: {error}") from None
    if type(plain) is not list or not plain or plain[0] != FORMAT:
        raise ValueError("the trace was written in another format")
    try:
        return _rebuild(plain)
    except (TypeError, IndexError, KeyError, AttributeError) as error:
        raise ValueError(f"a chunk of the trace does not fit: {error}") from None


def _rebuild(plain: list[Any]) -> list[Tick]:
    (_, count, snapshot_columns, probe_a, have_guard, guard_columns, probe_b, inputs, outputs,
     requests) = plain
    if type(count) is not int or not 0 < count <= CHUNK_TICKS:
        raise ValueError(f"a chunk of the trace has 1 to {CHUNK_TICKS} ticks")
    present = _spread(_only(have_guard, _YES_NO, "guard"), count)
    reports = iter([
        GuardReport(number, at_s, boot, levels, ProbeReading(*probe), enable,
                    tuple(_only(latches, _TEXT, "latches")),
                    flag, trip_c, pressure_kpa, digest)
        for (number, at_s, boot, enable, latches, flag, trip_c, pressure_kpa, digest), probe,
        levels in zip(
            _rows(guard_columns, sum(present), GUARD_FIELDS),
            _rows(probe_b, sum(present), PROBE_FIELDS),
            _decoded(inputs, sum(present), _marks_to_inputs),
            strict=True,
        )
    ])
    asked = {}
    for index, rows in requests:
        if type(index) is not int or not 0 <= index < count:
            raise ValueError("a chunk of the trace has a request of no tick of its own")
        asked[index] = tuple(Request(*_fitting(row)) for row in rows)
    return [
        (Snapshot(now_s, boot, periodic, wall_s, ProbeReading(*probe), barometer_kpa,
                  next(reports) if has_guard else None, stored, record_fault,
                  asked.get(index, ()), supply_low), levels)
        for index, ((now_s, boot, periodic, wall_s, barometer_kpa, stored, record_fault,
                     supply_low), probe, has_guard, levels) in enumerate(zip(
            _rows(snapshot_columns, count, SNAPSHOT_FIELDS),
            _rows(probe_a, count, PROBE_FIELDS),
            present,
            _decoded(outputs, count, _marks_to_outputs),
            strict=True,
        ))
    ]


def _columns(getter: Callable[[Any], tuple[Any, ...]], items: Sequence[Any]) -> list[Column]:
    return [_column(values) for values in zip(*map(getter, items), strict=True)]


def _column(values: Sequence[Any]) -> Column:
    """The values as a list, or as a list of one when all are the same to the bit."""
    first = values[0]
    # 1, 1.0 and True are equal and so are 0.0 and -0.0, but none may become the other; a NaN
    # equals not even itself.
    if first and first == first:
        same = values.count(first) == len(values) and len(set(map(type, values))) == 1
    else:
        same = len(set(map(repr, values))) == 1
    if same:
        return [first]
    return list(values)


def _spread(column: Column, count: int) -> Column:
    if len(column) == count:
        return column
    if len(column) != 1:
        raise ValueError(f"a column of the trace has {len(column)} values, not {count}")
    return column * count


def _only(column: Any, kinds: Kinds, name: str) -> Column:
    """The column itself when it is a list of nothing but these."""
    if type(column) is not list or not kinds.issuperset(map(type, column)):
        raise ValueError(f"the trace has something else than it may under {name}")
    return column


def _rows(columns: list[Column], count: int, kinds: dict[str, Kinds]
          ) -> list[tuple[Any, ...]]:
    if not count:
        return []
    if len(columns) != len(kinds):
        raise ValueError(f"the trace has {len(columns)} columns, not {len(kinds)}")
    return list(zip(*[_spread(_only(column, kinds[name], name), count)
                      for name, column in zip(kinds, columns, strict=True)], strict=True))


def _fitting(row: list[Any]) -> list[Any]:
    """The fields of one request, each of its kind."""
    if type(row) is not list or len(row) != len(REQUEST_FIELDS):
        raise ValueError(f"a request in the trace has not {len(REQUEST_FIELDS)} fields")
    for (name, kinds), value in zip(REQUEST_FIELDS.items(), row, strict=True):
        _only([value], kinds, name)
    return row


def _coded(getter: Callable[[Any], tuple[Any, ...]], items: Sequence[Any],
           to_marks: Callable[[Any], str]) -> list[Column]:
    """Few different values among many: each once as marks, then one index an item."""
    if not items:
        return [[], []]
    places: dict[tuple[Any, ...], int] = {}
    index = [places.setdefault(levels, len(places)) for levels in map(getter, items)]
    firsts = [items[index.index(place)] for place in range(len(places))]
    return [[to_marks(item) for item in firsts], _column(index)]


def _decoded(coded: list[Column], count: int, from_marks: Callable[[str], Any]) -> list[Any]:
    if not count:
        return []
    marks, index = coded
    values = [from_marks(text) for text in marks]
    if min(_only(index, _COUNT, "levels"), default=0) < 0:
        raise ValueError("the trace has levels before the first")
    return [values[place] for place in _spread(index, count)]


def _outputs_to_marks(outputs: Outputs) -> str:
    return "".join(["1" if level else "0" for level in _outputs(outputs)])


def _marks_to_outputs(marks: str) -> Outputs:
    if len(marks) != len(OUTPUT_NAMES) or set(marks) - {"0", "1"}:
        raise ValueError("the trace has other outputs than this version")
    return Outputs(*[mark == "1" for mark in marks])


def _marks_to_inputs(marks: str) -> Any:
    inputs = inputs_from_marks(marks)
    if inputs is None:
        raise ValueError("the trace has other inputs than this version")
    return inputs
