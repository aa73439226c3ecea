"""A rehearsal's messages are what the codec of the socket would give, whether or not it ran."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from esterward.guard import rule
from esterward.settings.files import load_pair
from esterward.values.messages import (
    GuardReport,
    decode_controller,
    decode_guard,
    encode_controller,
    encode_guard,
)
from esterward_sim import virtual

CONFIG = Path(__file__).parents[2] / "firmware/config"
# What each does to a message: None for the reading, another number, other inputs, a latch, silence.
FAULTS = ("probe_b_nan", "probe_b_offset", "level_chatter", "estop_pressed", "blackout")


def test_every_message_is_what_the_codec_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    batch, reactor = load_pair(CONFIG / "batch.toml", CONFIG / "reactor.toml")
    assert reactor is not None
    rig = virtual.VirtualRig(reactor, batch, record=virtual.NoRecord())
    ran, judge, told = [0], rule.step, rig.guard.send

    def step(*given: Any) -> rule.GuardDecision:
        decision = judge(*given)
        decided.append(decision.report)
        return decision

    def send(report: Any, now_s: float) -> None:
        told(report, now_s)
        assert repr(rig.guard.message) == repr(decode_controller(encode_controller(report)))

    def counted(report: Any) -> bytes:
        ran[0] += 1
        return encode_guard(report)

    def take(guard: virtual.VirtualGuard, now_s: float) -> GuardReport | None:
        report, guard.newest = guard.newest, None
        seen.append(report)
        return report

    decided: list[Any] = []
    monkeypatch.setattr(rule, "step", step)
    monkeypatch.setattr(virtual, "encode_guard", counted)
    monkeypatch.setattr(virtual.VirtualGuard, "send", lambda _, *given: send(*given))
    seen: list[GuardReport | None] = []
    monkeypatch.setattr(virtual.VirtualGuard, "take", take)
    for name in ("", *FAULTS):
        if name:
            rig.plant.faults.start(name)
        for _ in range(80):
            rig.quarter()
        if name:
            rig.plant.faults.end(name)
    assert len(decided) == 5 * 80 and 20 < ran[0] < len(decided)  # none while it is dark
    got = [report for report in seen if report is not None]
    assert [repr(report) for report in got] == [
        repr(decode_guard(encode_guard(report))) for report in decided]
