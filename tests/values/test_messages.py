"""The codec of the two messages: exact both ways, and nothing malformed gets through."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from esterward.values import messages
from esterward.values.messages import MAX_BYTES, ControllerReport, GuardReport
from esterward.values.readings import INPUT_NAMES, OPTIONAL_INPUTS, Inputs, ProbeReading

INPUTS = st.builds(Inputs, **{
    f.name: st.sampled_from([True, False, None] if f.name in OPTIONAL_INPUTS else [True, False])
    for f in fields(Inputs)})
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(alphabet=st.characters(codec="ascii", exclude_categories=["C"]), max_size=40)
GUARDS = st.builds(
    GuardReport, count=st.integers(0, 2**53), at_s=NUMBERS, boot=TEXTS, inputs=INPUTS,
    probe_b=st.builds(ProbeReading, st.none() | NUMBERS, NUMBERS, TEXTS), enable=st.booleans(),
    latches=st.lists(TEXTS, max_size=5).map(tuple), flag=st.booleans(),
    trip_c=st.none() | NUMBERS, pressure_kpa=st.none() | NUMBERS, hash=TEXTS)
CONTROLLERS = st.builds(
    ControllerReport, count=st.integers(0, 2**53), at_s=NUMBERS, boot=TEXTS, k1=st.booleans(),
    k2_wanted=st.booleans(), flag=st.none() | st.booleans(), trip_c=st.none() | NUMBERS,
    pressure_kpa=st.none() | NUMBERS, hash=TEXTS)
GUARD = GuardReport(1, 2.0, "b", Inputs(), ProbeReading(54.125, 1.5), False, ("e-stop",), True,
                    57.0, 85.0, "h")
CONTROLLER = ControllerReport(1, 2.0, "b", True, True, None, 57.0, 85.0, "h")


@given(GUARDS)
def test_a_guard_report_comes_back_exactly(report: GuardReport) -> None:
    line = messages.encode_guard(report)
    assert messages.decode_guard(line) == report


@given(CONTROLLERS)
def test_a_controller_report_comes_back_exactly(report: ControllerReport) -> None:
    assert messages.decode_controller(messages.encode_controller(report)) == report


def test_the_longest_honest_report_fits_its_limit() -> None:
    long = replace(GUARD, boot="b" * 36, hash="h" * 64, latches=("guard-disagrees",) * 10,
                   probe_b=ProbeReading(None, 1e9 / 3, "w" * 200))
    assert len(messages.encode_guard(long)) <= MAX_BYTES


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_sent_as_unknown(value: float) -> None:
    sent = messages.decode_guard(messages.encode_guard(
        replace(GUARD, trip_c=value, probe_b=ProbeReading(value, value))))
    assert sent is not None
    assert sent.trip_c is None and sent.probe_b == ProbeReading(None, -math.inf)


@pytest.mark.parametrize("index", range(14))
@pytest.mark.parametrize("wrong", ["NaN", "Infinity", "{}", "[[]]", "-1.5e400"])
def test_a_wrong_value_in_any_place_is_silence(index: int, wrong: str) -> None:
    plain = json.loads(messages.encode_guard(GUARD))
    parts = [json.dumps(item) for item in plain]
    parts[index] = wrong
    assert messages.decode_guard(f"[{','.join(parts)}]".encode()) is None


@pytest.mark.parametrize("line", [
    b"", b"\xff\xfe", b"null", b"{}", b"[]", b'["g"]', b"[" * 900, b"x" * (MAX_BYTES + 1),
])
def test_garbage_is_silence(line: bytes) -> None:
    assert messages.decode_guard(line) is None
    assert messages.decode_controller(line) is None


def test_each_kind_refuses_the_other() -> None:
    assert messages.decode_guard(messages.encode_controller(CONTROLLER)) is None
    assert messages.decode_controller(messages.encode_guard(GUARD)) is None


@pytest.mark.parametrize("name", [n for n in INPUT_NAMES if n not in OPTIONAL_INPUTS])
def test_an_input_that_must_be_there_may_not_be_missing(name: str) -> None:
    marks = list(messages.inputs_to_marks(Inputs()))
    marks[INPUT_NAMES.index(name)] = "-"
    assert messages.inputs_from_marks("".join(marks)) is None


@settings(max_examples=300)
@given(st.binary(max_size=200))
def test_no_bytes_raise(line: bytes) -> None:
    messages.decode_guard(line)
    messages.decode_controller(line)


@given(GUARDS, CONTROLLERS)
def test_a_line_is_the_json_that_the_standard_library_writes(
    guard: GuardReport, controller: ControllerReport,
) -> None:
    probe = guard.probe_b
    assert messages.encode_guard(guard) == json.dumps(
        ["g", guard.count, guard.at_s, guard.boot, messages.inputs_to_marks(guard.inputs),
         probe.c, probe.at_s, probe.why, guard.enable, guard.latches, guard.flag, guard.trip_c,
         guard.pressure_kpa, guard.hash], separators=(",", ":")).encode()
    assert messages.encode_controller(controller) == json.dumps(
        ["c", controller.count, controller.at_s, controller.boot, controller.k1,
         controller.k2_wanted, controller.flag, controller.trip_c, controller.pressure_kpa,
         controller.hash], separators=(",", ":")).encode()


def test_blanks_around_a_line_are_allowed_and_nothing_else() -> None:
    line = messages.encode_guard(GUARD)
    assert messages.decode_guard(b" " + line + b"\r\n") == GUARD
    assert messages.decode_guard(line + b"x") is None and messages.decode_guard(line * 2) is None


@pytest.mark.parametrize("digits", [309, 700])
def test_a_whole_number_that_no_float_holds_is_silence_and_no_crash(digits: int) -> None:
    huge = b"9" * digits
    for line in (messages.encode_controller(CONTROLLER), messages.encode_guard(GUARD)):
        assert line.count(b",2.0,") == 1
        line = line.replace(b",2.0,", b"," + huge + b",")
        assert messages.decode_controller(line) is None
        assert messages.decode_guard(line) is None
