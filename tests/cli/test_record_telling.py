"""esterward record add and reset: what is typed reaches the running controller, or nothing does."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from esterward.process.observations import refusal
from esterward.record.journal import Journal
from esterward.settings.typed import observation
from esterward.values.events import Event
from esterward.values.outputs import SAFE
from esterward.values.readings import ProbeReading
from esterward.values.requests import OBSERVATIONS
from esterward.values.snapshot import Snapshot

Run = Callable[..., Any]


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("ESTERWARD_RECORD", raising=False)
    monkeypatch.chdir(tmp_path)


class Answering:
    """A controller reduced to its record: takes requests, answers each with an event."""

    def __init__(self, path: Path, answer: str) -> None:
        self.journal = Journal(path, boot="boot", now_s=0.0)
        self.answer, self.taken, self.over = answer, [], threading.Event()  # type: ignore[var-annotated]
        self.why = "no batch"
        self.thread = threading.Thread(target=self._work)

    def __enter__(self) -> Answering:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self.thread.join()
        self.journal.close(1e6)

    def _work(self) -> None:
        now_s = 0.0
        while not self.over.wait(0.02):
            now_s += 1.0
            events = []
            for request in self.journal.take_requests():
                self.taken.append(request)
                data = {"id": request.id} | ({"why": self.why} if self.answer == "refused"
                                             else {})
                events.append(Event(self.journal.stored + 1, 0.0, f"request_{self.answer}", data))
            self.journal.add(Snapshot(now_s, "boot", True, None, ProbeReading(20.0, 0.0), None,
                                      None, 0), SAFE, tuple(events),
                             "state" if events else None)
            self.journal.step(now_s)


def test_add_hands_a_reading_to_the_running_controller(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    with Answering(path, "accepted") as controller:
        ran = run("record", "add", "titration 3.0 mL")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == ("The controller has it. It counts once green is held at the reactor.\n")
    (request,) = controller.taken
    assert (request.kind, request.source, request.name, request.value) == (
        "observe", "local", "titration_ml", 3.0)


def test_a_reading_may_be_typed_without_quotes_as_the_question_shows_it(
        run: Run, tmp_path: Path) -> None:
    with Answering(tmp_path / "record.sqlite", "accepted") as controller:
        ran = run("record", "add", "methoxide", "31", "degC")
    assert (ran.code, ran.out) == (0, "The controller has it. It counts at once.\n")
    (request,) = controller.taken
    assert (request.name, request.value) == ("methoxide_c", 31.0)


def test_a_refusal_of_the_controller_is_told_with_its_reason(run: Run, tmp_path: Path) -> None:
    with Answering(tmp_path / "record.sqlite", "refused"):
        ran = run("record", "add", "oil 118 L", "--json")
    told = json.loads(ran.out)
    assert (ran.code, told["outcome"], told["why"]) == (1, "refused", "no batch")


def test_a_refusal_names_the_reading_as_it_was_typed(run: Run, tmp_path: Path) -> None:
    with Answering(tmp_path / "record.sqlite", "refused") as controller:
        controller.why = refusal("oil_l", 118.0, "settle.first", "running", [], afar=False)
        ran = run("record", "add", "oil 118 L")
    assert (ran.code, ran.out) == (1, "The controller refused it: oil changes the batch sheet, "
                                      "which was confirmed at the reactor.\n")


def test_reset_hands_over_the_code_and_the_reason(run: Run, tmp_path: Path) -> None:
    with Answering(tmp_path / "record.sqlite", "accepted") as controller:
        assert run("record", "reset", "e-stop", "--why", "  knob  released ").code == 0
    (request,) = controller.taken
    assert (request.kind, request.name, request.text) == ("reset", "e-stop", "knob released")


def test_reset_says_what_comes_next_or_that_nothing_of_that_name_is_latched(
        run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    journal = Journal(path, boot="boot", now_s=0.0)
    for number, (kind, data) in enumerate([
            ("latched", {"code": "e-stop", "first_out": True}),
            ("latched", {"code": "k1-welded", "first_out": False}),
            ("latch_reset", {"code": "e-stop", "resets": 1})], 1):
        journal.add(Snapshot(1.0, "boot", True, None, ProbeReading(20.0, 0.0), None, None, 0),
                    SAFE, (Event(number, 0.0, kind, data),), "state")
    journal.step(1.0)
    journal.close(2.0)
    with Answering(path, "accepted"):
        known = run("record", "reset", "k1-welded", "--why", "K1 replaced")
        other = run("record", "reset", "e-stop", "--why", "knob released")
    assert (known.code, other.code) == (0, 0)
    assert known.out == ("The controller has it. Now hold blue 5 s at the reactor; the reason "
                         "counts for 10 minutes.\n")
    assert other.out == ("The controller has it. But the record shows no latch e-stop (k1-welded "
                         "is latched); the reason serves a latch of that name within 10 "
                         "minutes only.\n")


@pytest.mark.parametrize(("arguments", "why"), [
    (["add", "titration 3.0 L"], "mL"),
    (["add", "titration"], "titration"),
    (["add", "titration nan mL"], "titration"),
    (["add", "magic 3 mL"], "not something that can be told"),
    (["reset", "no-such-code", "--why", "because"], "there is no fault"),
    (["reset", "e-stop"], "the reason is missing"),
    (["reset", "e-stop", "--why", "  "], "the reason is missing"),
    (["reset", "e-stop", "--why", "x" * 300], "too long"),
    (["reset", "e-stop", "--why", "a\x1b[2Jb"], "the reason is missing"),
])
def test_bad_words_are_refused_and_nothing_is_told(run: Run, tmp_path: Path,
                                                   arguments: list[str], why: str) -> None:
    with Answering(tmp_path / "record.sqlite", "accepted") as controller:
        ran = run("record", *arguments)
        time.sleep(0.1)
    assert (ran.code, ran.out, controller.taken) == (2, "", [])
    assert why in ran.err


@pytest.mark.parametrize("words", [
    ("glycerol 16.9 L", "soap 100 mg/kg"), ("glycerol 16.9 L soap 100 mg/kg",),
    ("glycerol", "16.9", "L", "soap", "100", "mg/kg"), ("glycerol 16.9 L", "sope 100 mg/kg")])
def test_two_readings_in_one_call_are_refused_as_two(
        run: Run, tmp_path: Path, words: tuple[str, ...]) -> None:
    with Answering(tmp_path / "record.sqlite", "accepted") as controller:
        ran = run("record", "add", *words)
        time.sleep(0.1)
    assert (ran.code, ran.out, controller.taken) == (2, "", [])
    assert ran.err == ("esterward record add: it takes one reading a call; tell each by itself, "
                       'such as esterward record add "titration 3.0 mL".\n')


def test_help_lists_all_that_can_be_told_with_its_unit(run: Run) -> None:
    ran = run("record", "add", "--help")
    assert ran.code == 0 and "NAME NUMBER UNIT" in ran.out
    page = " ".join(ran.out.split())
    for name, (unit, lowest, highest, what) in OBSERVATIONS.items():
        typed = name.rsplit("_", 1)[0]
        assert f"{typed} NUMBER {unit} {what}; {lowest:g} to {highest:g} {unit}" in page
        assert observation(f"{typed} {(lowest + highest) / 2} {unit}")[0] == name


@pytest.mark.parametrize("words", [
    ("titration", "-1", "mL"), ("titration", "-1 mL"), ("titration", "--", "-1", "mL"),
    ("titration -1 mL",), ("titration", "-1", "mL", "--json"),
])
def test_a_number_below_zero_is_refused_as_a_number_and_not_as_an_option(
        run: Run, words: tuple[str, ...]) -> None:
    ran = run("record", "add", *words)
    assert (ran.code, ran.out) == (2, "") and ran.err == (
        "titration -1 mL (one titration reading, mL of titrant per sample): it is negative; "
        'allowed is 0 mL to 20 mL; write for example "titration 3.0 mL".\n')


def test_a_mistyped_option_is_still_named(run: Run) -> None:
    ran = run("record", "add", "titration", "3.0", "mL", "--jsno")
    assert ran.code == 2 and "no such option '--jsno'" in ran.err


def test_nothing_is_told_when_no_controller_runs(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    Journal(path, boot="boot", now_s=0.0).close(1.0)
    before = path.read_bytes()
    ran = run("record", "add", "titration 3.0 mL", "--file", str(path))
    assert (ran.code, ran.err) == (2, f"{path}: no controller is running on this record, so "
                                      "nothing was told; start esterward run first.\n")
    assert path.read_bytes() == before


def test_what_no_controller_takes_in_time_is_withdrawn(
        run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("esterward.cli.record.WAIT_S", 0.3)
    path = tmp_path / "record.sqlite"
    journal = Journal(path, boot="boot", now_s=0.0)  # it never steps
    ran = run("record", "add", "titration 3.0 mL")
    assert ran.code == 1
    assert "nothing was told" in ran.out
    journal.step(1.0)
    assert journal.take_requests() == ()
    journal.close(2.0)
