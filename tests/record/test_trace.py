"""A tick comes back from the trace equal to the bit, or not at all."""

from __future__ import annotations

import json
import zlib
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from esterward.record import trace
from esterward.values.messages import GuardReport
from esterward.values.outputs import OUTPUT_NAMES, Outputs
from esterward.values.readings import INPUT_NAMES, OPTIONAL_INPUTS, Inputs, ProbeReading
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot

REALS = st.one_of(st.floats(allow_nan=True), st.sampled_from([0.0, -0.0, float("-inf"), 1.0]),
                  st.integers(-3, 3))
MAYBE = st.one_of(st.none(), REALS)
WORDS = st.text(max_size=8)
PROBES = st.builds(ProbeReading, MAYBE, REALS, WORDS)
INPUTS = st.builds(lambda must, may: Inputs(*must, *may),
                   st.lists(st.booleans(), min_size=9, max_size=9),
                   st.lists(st.sampled_from([None, True, False]), min_size=len(OPTIONAL_INPUTS),
                            max_size=len(OPTIONAL_INPUTS)))
GUARDS = st.builds(GuardReport, st.integers(0, 2**40), REALS, WORDS, INPUTS, PROBES,
                   st.booleans(), st.lists(WORDS, max_size=2).map(tuple), st.booleans(), MAYBE,
                   MAYBE, WORDS)
REQUESTS = st.builds(Request, WORDS, WORDS, WORDS, WORDS, MAYBE, WORDS)
SNAPSHOTS = st.builds(Snapshot, REALS, WORDS, st.booleans(), MAYBE, PROBES, MAYBE,
                      st.one_of(st.none(), GUARDS), st.integers(0, 9), WORDS,
                      st.lists(REQUESTS, max_size=2).map(tuple),
                      st.sampled_from([None, True, False]))
OUTPUTS = st.builds(lambda levels: Outputs(*levels),
                    st.lists(st.booleans(), min_size=len(OUTPUT_NAMES),
                             max_size=len(OUTPUT_NAMES)))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(SNAPSHOTS, OUTPUTS), min_size=1, max_size=6), st.integers(1, 3))
def test_any_ticks_come_back_the_same_to_the_bit(
        ticks: list[tuple[Snapshot, Outputs]], again: int) -> None:
    # repr tells 1 from 1.0 and True, 0.0 from -0.0, and calls two NaN the same.
    assert repr(trace.decode(trace.encode(ticks * again))) == repr(ticks * again)


def test_every_field_of_the_shared_nouns_is_carried() -> None:
    # A field added to one of these must be added to the trace, or a replay would lack it.
    carried = {
        Snapshot: {*trace.SNAPSHOT_FIELDS, "probe_a", "guard", "requests"},
        GuardReport: {*trace.GUARD_FIELDS, "inputs", "probe_b"},
        ProbeReading: set(trace.PROBE_FIELDS),
        Request: set(trace.REQUEST_FIELDS),
        Inputs: set(INPUT_NAMES),
        Outputs: set(OUTPUT_NAMES),
    }
    for kind, names in carried.items():
        assert {field.name for field in fields(kind)} == names, kind.__name__


def _tick(now_s: float) -> tuple[Snapshot, Outputs]:
    return (Snapshot(now_s, "b", True, None, ProbeReading(20.0, now_s), None, None, 0), Outputs())


def test_a_chunk_is_the_same_whether_two_nan_are_one_object_or_two() -> None:
    def chunk(*nan: float) -> bytes:
        return trace.encode([
            (Snapshot(0.0, "b", True, None, ProbeReading(c, 0.0), None, None, 0), Outputs())
            for c in nan])

    one = float("nan")
    assert chunk(one, one) == chunk(one, float("nan"))


@pytest.mark.parametrize("values", [
    (1.0, 1), (0.0, -0.0), (-0.0, 0), (5e-324, 0.0), (2.0, float("nan")), (float("nan"), 2.0),
    (float("inf"), -float("inf")),
])
def test_what_is_equal_but_not_the_same_stays_what_it_was(values: tuple[Any, ...]) -> None:
    for mixed in (values, values[::-1], (*values, values[0])):
        ticks = [replace(_tick(0.0)[0], wall_s=value) for value in mixed]
        back = trace.decode(trace.encode([(tick, Outputs()) for tick in ticks]))
        assert [repr(tick.wall_s) for tick, _ in back] == [*map(repr, mixed)]


@pytest.mark.parametrize("value", [True, False, "", [], "1.0"])
def test_what_is_equal_but_of_another_kind_is_refused_and_not_taken_for_a_number(
        value: Any) -> None:
    for number in (1.0, 0.0, None):
        ticks = [replace(_tick(0.0)[0], wall_s=one) for one in (number, value, number)]
        with pytest.raises(ValueError, match="wall_s"):
            trace.decode(trace.encode([(tick, Outputs()) for tick in ticks]))


def test_a_chunk_of_another_format_is_refused() -> None:
    plain = json.loads(zlib.decompress(trace.encode([_tick(1.0), _tick(2.0)])))
    plain[0] = trace.FORMAT + 1
    with pytest.raises(ValueError, match="another format"):
        trace.decode(zlib.compress(json.dumps(plain).encode()))


@pytest.mark.parametrize("change", [
    lambda plain: plain.pop(),
    lambda plain: plain[2].pop(),
    lambda plain: plain[2][0].append(3.0),
    lambda plain: plain[8][0].append("2"),
    lambda plain: plain[8][0].__setitem__(0, "01"),
    lambda plain: plain[8].__setitem__(1, [9]),
    lambda plain: plain.__setitem__(9, [[0, [["id"]]]]),
    lambda plain: plain.__setitem__(1, 7),
    *(lambda plain, count=count: plain.__setitem__(1, count)
      for count in (0, -1, 2.0, True, 61, 10**10, 10**30)),
    lambda plain: plain.__setitem__(4, [10**30]),
    # Of the right length, but of another kind: each was read as a tick once.
    lambda plain: plain[2].__setitem__(0, ["12"]),
    lambda plain: plain[2].__setitem__(0, "12"),
    lambda plain: plain[2].__setitem__(1, [None]),
    lambda plain: plain[2].__setitem__(2, [1]),
    lambda plain: plain[2].__setitem__(5, [True]),
    lambda plain: plain[3].__setitem__(0, ["hot", 1.0]),
    lambda plain: plain[3].__setitem__(1, [None]),
    lambda plain: plain.__setitem__(4, [0]),
    lambda plain: plain[8].__setitem__(1, [-1]),
    lambda plain: plain[8].__setitem__(1, [False]),
    lambda plain: plain.__setitem__(9, [[2, []]]),
    lambda plain: plain.__setitem__(9, [[True, []]]),
    lambda plain: plain.__setitem__(9, [[0, [["id", "hold", "local", "", "1", ""]]]]),
    lambda plain: plain.__setitem__(9, [[0, ["abcdef"]]]),
    lambda plain: plain.__setitem__(9, [[0, [[1, "hold", "local", "", None, ""]]]]),
])
def test_a_chunk_that_does_not_fit_is_refused(change: object) -> None:
    plain = json.loads(zlib.decompress(trace.encode([_tick(1.0), _tick(2.0)])))
    change(plain)  # type: ignore[operator]
    with pytest.raises(ValueError, match=r"trace|levels|outputs|unpack"):
        trace.decode(zlib.compress(json.dumps(plain).encode()))


@pytest.mark.parametrize(("name", "value"), [
    ("enable", [1]), ("latches", ["lid"]), ("latches", [[7]]), ("count", [1.0]), ("flag", [None]),
    ("trip_c", ["60"]), ("hash", [0]),
])
def test_a_guard_report_with_another_kind_in_a_field_is_refused(name: str, value: object) -> None:
    report = GuardReport(1, 1.0, "b", Inputs(), ProbeReading(20.0, 1.0), True, ("lid",), False,
                         60.0, None, "d")
    tick = replace(_tick(1.0)[0], guard=report)
    plain = json.loads(zlib.decompress(trace.encode([(tick, Outputs())])))
    plain[5][[*trace.GUARD_FIELDS].index(name)] = value
    with pytest.raises(ValueError, match=name):
        trace.decode(zlib.compress(json.dumps(plain).encode()))


def test_bytes_that_are_no_chunk_are_refused() -> None:
    for body in (b"", b"x" * 50, zlib.compress(b"[1"), zlib.compress(b"{}")):
        with pytest.raises(ValueError, match="trace"):
            trace.decode(body)
