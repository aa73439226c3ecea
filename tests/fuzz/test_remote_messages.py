"""Random remote messages beside a twin without any: none energises, and the search can fail."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from esterward.process.stages import STEPS
from esterward.safety import alarms
from esterward.telemetry import requests
from esterward.tick import Controller, Decision
from esterward.values.requests import Request
from remote_messages import search


def test_twenty_thousand_random_messages_energise_nothing_and_some_are_taken() -> None:
    # The long run: python tests/remote_messages.py --messages 1000000
    told = search(20_000, 1)
    assert told.messages == 20_000
    assert told.found == []
    assert {"running", "holding", "held", "aborted"} <= told.states
    assert len(told.steps) > len(STEPS) // 2 and told.energised > 50
    assert told.taken["present"] > 1000 and set(told.taken) <= {"present", "replayed", "mangled"}
    assert len(told.refused) == len(set(told.refused) | {"stale", "retained", "forged"})


def resets(monkeypatch: pytest.MonkeyPatch) -> None:
    """An acknowledgement drops the latches."""
    good = alarms.acknowledge

    def acknowledge(standing: Any, latches: Any, *rest: Any) -> None:
        good(standing, latches, *rest)
        latches.clear()

    monkeypatch.setattr(alarms, "acknowledge", acknowledge)


def resumes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A request "resume" is taken and ends a hold."""
    good, read = Controller._take, requests._request

    def reads(plain: dict[str, Any], request_id: str) -> Request:
        if plain.get("kind") == "resume":
            return Request(request_id, "resume", "mqtt")
        return read(plain, request_id)

    def take(self: Controller, request: Any, log: Any) -> str:
        if request.kind != "resume":
            return good(self, request, log)
        if self.state.process.state == "held":
            self.state.process.state = "restarting"
        return ""

    monkeypatch.setattr(requests, "_request", reads)
    monkeypatch.setattr(Controller, "_take", take)


def opens(monkeypatch: pytest.MonkeyPatch) -> None:
    """An observation answers the open question like a press."""
    good = Controller._take

    def take(self: Controller, request: Any, log: Any) -> str:
        if request.kind == "observe":
            self.state.process.gate_number = 1
        return good(self, request, log)

    monkeypatch.setattr(Controller, "_take", take)


def switches(monkeypatch: pytest.MonkeyPatch) -> None:
    """A request switches the air pump on past the gate."""
    good = Controller.tick

    def tick(self: Controller, snapshot: Any) -> Decision:
        decision = good(self, snapshot)
        if not snapshot.requests:
            return decision
        return replace(decision, outputs=replace(decision.outputs, air=True))

    monkeypatch.setattr(Controller, "tick", tick)


def takes_retained(monkeypatch: pytest.MonkeyPatch) -> None:
    good = requests.Requests.judge
    monkeypatch.setattr(requests.Requests, "judge",
                        lambda self, payload, retained: good(self, payload, False))


def forgets_ids(monkeypatch: pytest.MonkeyPatch) -> None:
    good = requests.Requests.judge

    def judge(self: Any, payload: bytes, retained: bool) -> Any:
        for used in self.used.values():
            used.clear()
        return good(self, payload, retained)

    monkeypatch.setattr(requests.Requests, "judge", judge)


@pytest.mark.parametrize(("defect", "where", "words"), [
    (resets, "mix.run, tripped", "a latch is gone"),
    (resumes, "heat.warm, held", "kind 'resume' taken"),
    (resumes, "heat.warm, held", "and held in the twin"),
    (opens, "fill.check, as_it_is", "has begun and not in the twin"),
    (switches, "heat.warm, held", "is on and off in the twin"),
    (takes_retained, "idle, ready", "a retained message was taken"),
    (forgets_ids, "idle, flag set", "taken twice")])
def test_a_defect_put_in_on_purpose_is_found(
    defect: Callable[[pytest.MonkeyPatch], None], where: str, words: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert search(400, 1, (where,)).found == []
    defect(monkeypatch)
    found = search(2000, 1, (where,)).found
    assert any(words in finding for finding in found), found
