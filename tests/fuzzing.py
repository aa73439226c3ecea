"""Every surface where text or bytes come in from outside, fed with seeded changes of good inputs.

    .venv/bin/python tests/fuzzing.py                           # 20,000 inputs a surface
    .venv/bin/python tests/fuzzing.py --inputs 10000000         # the long run
    .venv/bin/python tests/fuzzing.py --only topic --seed 7

A surface takes bytes and must either refuse them in its own way or give a value that passes its
own check; any other exception, or a value outside its range, is a finding. The input that did it
is printed as Python, so that it can become a test.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import isfinite
from pathlib import Path
from random import Random

from esterward.chemistry import boiling
from esterward.guard import prepared, rule
from esterward.hardware.probes import OneWireSensor
from esterward.process.sequence import BATCH_STATES
from esterward.process.stages import STEPS
from esterward.settings import files, quantity, typed, units
from esterward.settings.mistakes import SettingsError, Wrong
from esterward.telemetry.link import reply_allowed
from esterward.telemetry.requests import Refusal, Requests
from esterward.tick import Controller, from_plain
from esterward.values import messages, requests
from esterward.values.readings import NO_READING, Inputs, ProbeReading
from esterward.values.snapshot import Snapshot
from esterward_sim.wires import KernelFolder, slave_text
from folders import MEMORY
from fuzz_mutators import mutated, mutated_values
from fuzz_record import chunk_seeds, journal_file, trace_chunk
from fuzz_settings import BATCH_SEEDS, REACTOR_SEEDS, settings_file
from harness import BATCH, REACTOR

Take = Callable[[bytes], None]


@dataclass(frozen=True)
class Surface:
    """seeds: good inputs to begin from; make: gives the function that takes one input; change:
    makes an input of the seeds."""

    name: str
    seeds: tuple[bytes, ...]
    make: Callable[[Path], Take]
    change: Callable[[tuple[bytes, ...], Random], bytes] = mutated


def mqtt_payload(folder: Path) -> Take:
    judge = Requests()
    judge.renew("n1")

    def take(data: bytes) -> None:
        found = judge.judge(data, False)
        if isinstance(found, Refusal):
            assert found.why
            return
        assert found.kind in requests.REMOTE_KINDS and found.source == "mqtt"
        if found.kind == requests.OBSERVE:
            _, lowest, highest, _ = requests.OBSERVATIONS[found.name]
            assert found.value is not None and lowest <= found.value <= highest
        if len(judge.used["n1"]) > 40:
            judge.used["n1"].clear()

    return take


def mqtt_topic(folder: Path) -> Take:
    def take(data: bytes) -> None:
        topic = data.decode("utf-8", "replace")
        if reply_allowed(topic):
            assert topic and not topic.startswith(("$", "homie/", "homeassistant/"))
            assert not set("#+\0") & set(topic) and len(topic) <= 200

    return take


def probe_file(folder: Path) -> Take:
    kernel = KernelFolder(folder)
    now = [100.0]
    sensor = OneWireSensor("28-0316a2794ff1", lambda: now[0], folder)

    def take(data: bytes) -> None:
        now[0] += 1.0
        kernel.put("28-0316a2794ff1", data)
        reading = sensor.reading(now[0])
        if reading.c is None:
            assert reading.why
        else:
            assert -55.0 <= reading.c <= 125.0

    return take


def number(folder: Path) -> Take:
    kinds = [kind for kind in vars(units).values() if isinstance(kind, units.Kind)]

    def take(data: bytes) -> None:
        text = data.decode("utf-8", "replace")
        kind = kinds[len(data) % len(kinds)]
        value = quantity.quantity(text, kind)
        assert isinstance(value, Wrong) or isfinite(value), value
        value = quantity.bounded(text, kind, 1.0, 100.0)
        assert isinstance(value, Wrong) or 1.0 <= value <= 100.0, value
        try:
            name, told = typed.observation(text)
        except SettingsError as error:
            assert error.mistakes
        else:
            _, lowest, highest, _ = requests.OBSERVATIONS[name]
            assert lowest <= told <= highest

    return take


def socket_line(folder: Path) -> Take:
    def take(data: bytes) -> None:
        guard, controller = messages.decode_guard(data), messages.decode_controller(data)
        for report in (guard, controller):
            for value in () if report is None else (report.at_s, report.trip_c,
                                                    report.pressure_kpa):
                assert value is None or isfinite(value)

    return take


def guard_files(folder: Path) -> Take:
    def take(data: bytes) -> None:
        text = data.decode("utf-8", "replace")
        state = rule.read_file(text)
        good = state.latches != ["memory"]
        assert good or state.flag, "doubt means methanol"
        assert all(code in rule.CAUSES for code in state.latches)
        try:
            prepared.from_text(text, "guard.json")
        except prepared.PreparedWrong as wrong:
            assert "guard --prepare" in str(wrong)

    return take


def checkpoint(folder: Path) -> Take:
    def take(data: bytes) -> None:
        try:
            whole = json.loads(data)
            controller = from_plain(REACTOR, BATCH, whole)
        except (ValueError, RecursionError):
            return
        assert controller.state.process.step in STEPS
        assert controller.state.process.state in BATCH_STATES
        controller.restarted("fuzzed", 0)
        assert controller.tick(Snapshot(1.0, "b", True, None, NO_READING, None, None, 0)
                               ).outputs.k1 is False

    return take


REPORT = messages.GuardReport(7, 12.25, "b1", Inputs(estop_closed=True), ProbeReading(54.0, 12.0),
                              True, (), True, 60.0, 88.5, "d1")
SAID = messages.ControllerReport(9, 12.0, "b1", True, True, False, boiling.CLEAR_TRIP_C, 88.5,
                                 "d1")
OBSERVED = (b'{"id":"a1","nonce":"n1","kind":"observe","name":"titration_ml","value":3.0}')

SURFACES: tuple[Surface, ...] = (
    Surface("mqtt-payload", (OBSERVED, b'{"id":"a1","nonce":"n1","kind":"hold"}'), mqtt_payload),
    Surface("mqtt-topic", (b"shed/answers", b"homie/5/x/$state", b"$SYS/broker", b"a/+/#"),
            mqtt_topic),
    Surface("probe-file", (slave_text(54.0).encode(), slave_text(85.0).encode(),
                           slave_text(-10.0625).encode()), probe_file),
    Surface("reactor-file", REACTOR_SEEDS, partial(settings_file, files.load_reactor),
            mutated_values),
    Surface("batch-file", BATCH_SEEDS, partial(settings_file, files.load_batch), mutated_values),
    Surface("number", (b"55.5 L", b"3.0 mL", b"131 degF", b"titration 3.0 mL", b"1120 m",
                       b"90 %", b"methoxide 30 degC"), number),
    Surface("socket", (messages.encode_guard(REPORT), messages.encode_controller(SAID)),
            socket_line),
    Surface("guard-files", (
        re.sub(rb'"altitude_m": [0-9.]+', b'"altitude_m": NaN',
               prepared.to_text(prepared.prepare(REACTOR)).encode()),
        rule.file_text(rule.GuardState()).encode(),
                            prepared.to_text(prepared.prepare(REACTOR)).encode()), guard_files),
    Surface("checkpoint", (json.dumps(Controller(REACTOR, BATCH).to_plain()).encode(),),
            checkpoint),
    Surface("trace-chunk", chunk_seeds(), trace_chunk, mutated_values),
    Surface("journal-file", (b"\x00" * 8, b"hello", b"\xff" * 40), journal_file),
)


def feed(surface: Surface, count: int, seed: int, folder: Path) -> tuple[bytes, Exception] | None:
    """The first input that is a finding, with what it raised; None when there is none."""
    rng = Random(f"{surface.name} {seed}")
    take = surface.make(folder)
    for number in range(count):
        good = number < len(surface.seeds)
        data = surface.seeds[number] if good else surface.change(surface.seeds, rng)
        try:
            take(data)
        except Exception as error:  # whatever it is, it is a finding
            return data, error
    return None


def main() -> int:
    parser = argparse.ArgumentParser(description="Mutated inputs at every surface.")
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="surfaces with this in their name")
    options = parser.parse_args()
    found = 0
    for surface in SURFACES:
        if options.only not in surface.name:
            continue
        began_s = time.process_time()
        with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
            bad = feed(surface, options.inputs, options.seed, Path(folder))
        print(f"{surface.name:14} {options.inputs} inputs, seed {options.seed}, "
              f"{time.process_time() - began_s:.1f} s: "
              + ("nothing" if bad is None else f"{bad[1]!r} on {bad[0]!r}"), flush=True)
        found += bad is not None
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
