"""A broker that refuses, or requests too many to hear: said on the terminal of `esterward run`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from esterward.cli.run_beside import Shown, Terminal
from esterward.telemetry.connection import Received
from esterward.telemetry.link import JUDGED_A_STEP, MqttLink
from esterward_sim.broker import free_port
from telemetry.mqtt_rig import Mosquitto, until

Make = Callable[..., Any]


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    lines: list[str] = []
    monkeypatch.setattr(Terminal, "__init__", lambda self: None)
    monkeypatch.setattr(Terminal, "say", lambda self, text: lines.append(text))
    return lines


class Run:
    """The port of `esterward run` with both of its clocks advanced by hand."""

    def __init__(self, make_link: Make, port: int, **more: Any) -> None:
        self.s = 1000.0
        self.link: MqttLink = make_link(port, real_s=lambda: self.s, **more)
        self.shown = Shown(Terminal(), self.link)

    def step(self, seconds: float = 1.0) -> None:
        self.s += seconds
        self.shown.step(self.s)


def test_a_refused_password_is_said_once_and_that_it_is_over(
    mosquitto: Mosquitto, make_link: Make, said: list[str],
) -> None:
    settings, open_to_all = mosquitto._settings, mosquitto._settings.read_text("ascii")
    mosquitto.stop()
    settings.write_text(open_to_all.replace("anonymous true", "anonymous false"), "ascii")
    mosquitto.start()
    run = Run(make_link, mosquitto.port, credentials=("reactor", "wrong"))
    for attempt in range(1, 6):
        until(lambda n=attempt: run.link._connection._attempt >= n, "refused again",
              meanwhile=lambda: run.step(0.5))
    (told,) = said
    assert f"no broker at 127.0.0.1:{mosquitto.port} (refused: Not authorized)" in told
    assert "alerts may not reach a phone" in told and "$ESTERWARD_MQTT_PASSWORD" in told
    mosquitto.stop()
    settings.write_text(open_to_all, "ascii")
    mosquitto.start()
    until(lambda: said[-1] == "MQTT: well again.", "it is well for a minute",
          meanwhile=lambda: run.step(0.5))
    assert all(line.startswith("MQTT: ") for line in said) and len(said) <= 3


def test_a_wrong_port_is_said(make_link: Make, said: list[str]) -> None:
    run = Run(make_link, free_port())
    for _ in range(600):
        run.step(0.25)
    (told,) = said
    assert "Connection refused" in told


def test_requests_that_nobody_looks_at_are_said(make_link: Make, said: list[str]) -> None:
    run = Run(make_link, free_port())
    run.link._connection.step = lambda *_: None  # type: ignore[method-assign]  # no network here
    for _ in range(3):
        for _ in range(JUDGED_A_STEP + 5):
            run.link._arrived(Received(b"{}", False, "", None))
        run.step()
    (told,) = said
    assert "neither taken nor answered" in told and "who else" in told
    assert "[mqtt] host" not in told, "the link is not to blame"
    for _ in range(70):
        run.step()
    assert said[1:] == ["MQTT requests: well again."]


def test_a_word_that_could_not_be_shown_hides_no_broker_that_refuses_later(
    make_link: Make, said: list[str],
) -> None:
    run = Run(make_link, free_port())
    run.link._note(ValueError("a word"))
    run.step()
    until(lambda: len(said) == 2, "both are said", meanwhile=lambda: run.step(0.5))
    assert "a word" in said[0] and "no broker" in said[1]
