"""The broker of a rehearsal and its listener, as real processes."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from esterward.telemetry.lines import line_words
from esterward.telemetry.link import MqttLink
from esterward.values.events import Event
from esterward_sim import broker as module
from esterward_sim.broker import AMQTT, MOSQUITTO, EmbeddedBroker, NoBroker, free_port
from esterward_sim.listener import Listener
from telemetry.mqtt_rig import ALARM, DEVICE, reachable, until

Make = Callable[..., Any]
ENDED = Event(3, 5400.0, "stage_ended",
              {"stage": "heat", "repeat": 1, "started_s": 0.0, "outcome": "done"})


def need(kind: str) -> None:
    if kind == MOSQUITTO and module.mosquitto_path() is None:
        pytest.skip("Mosquitto is not installed (apt install mosquitto)")
    if kind == AMQTT:
        pytest.importorskip("amqtt", reason="amqtt is not installed (pip install -e '.[sim]')")


@pytest.mark.parametrize("kind", [MOSQUITTO, AMQTT])
def test_a_listener_sees_a_batch_through_either_broker_and_ends_with_it(
        kind: str, status: Make) -> None:
    need(kind)
    with EmbeddedBroker(kind) as broker:
        listener = subprocess.Popen(
            [sys.executable, "-m", "esterward_sim.listener", broker.host, str(broker.port), DEVICE],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert listener.stdout
        first = listener.stdout.readline()
        link = MqttLink(broker.host, broker.port, DEVICE, "Shed reactor", "boot-1")
        link.show(status(), (), 0.0, None)
        assert link.drain(0.0, 8.0), link.fault
        link.show(status(prompt="grains", prompt_text="No grains left?", answers="green = yes",
                         alarms=(ALARM,)), (ENDED,), 5400.0, None)
        assert link.drain(5400.0)
        link.show(status(), (), 5401.0, None)
        assert link.drain(5401.0)
        link.close()
        out, err = listener.communicate(timeout=10.0)
    assert listener.returncode == 0 and err == ""
    assert first == f" -:--:--  link   listening to 127.0.0.1:{broker.port}\n"
    said = [line.split(None, 1)[1] for line in out.splitlines()]
    assert said[-1] == "link   the reactor said goodbye"
    assert "link   the reactor is connected" in said
    # Once, by the alert or by the event, whichever came first.
    finished = [line for line in said if "heat finished: done, after 1 h 30 min" in line]
    assert finished and len([line for line in finished if line.startswith("event")]) <= 1
    assert "ALERT  You are wanted: No grains left? (green = yes)" in said
    assert "ALERT  Probe A gives no value. Check its plug." in said
    assert "over   person wanted" in said and "over   alarm f-12" in said
    assert not reachable(broker.port)


@pytest.mark.parametrize("kind", [MOSQUITTO, AMQTT])
def test_the_broker_ends_even_when_the_rehearsal_is_killed(kind: str) -> None:
    need(kind)
    code = ("import sys, time; from esterward_sim.broker import EmbeddedBroker; "
            f"b = EmbeddedBroker({kind!r}); print(b.port, flush=True); time.sleep(60)")
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as process:
        assert process.stdout
        port = int(process.stdout.readline())
        assert reachable(port)
        os.kill(process.pid, signal.SIGKILL)
    until(lambda: not reachable(port), "the broker is gone")


def test_amqtt_stands_in_when_mosquitto_is_missing_and_none_is_said_in_a_sentence(
        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "mosquitto_path", lambda: None)
    monkeypatch.setattr(module.importlib.util, "find_spec", lambda name: object())
    assert module.choose_kind() == AMQTT
    monkeypatch.setattr(module.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(NoBroker, match=r"install Mosquitto .* --broker none"):
        EmbeddedBroker()


def test_the_listener_says_in_one_sentence_what_is_wrong() -> None:
    for arguments, words in ((["127.0.0.1"], "usage:"), (["127.0.0.1", "0", "x"], "usage:"),
                             (["127.0.0.1", str(free_port()), "x"], "no broker at")):
        done = subprocess.run([sys.executable, "-m", "esterward_sim.listener", *arguments],
                              capture_output=True, text=True)
        assert done.returncode == 2 and done.stdout == ""
        assert words in done.stderr and len(done.stderr.splitlines()) == 1


def test_the_listener_says_each_event_once_and_survives_nonsense() -> None:
    out = io.StringIO()
    listener = Listener("r", out)
    line = json.dumps({"number": 1, "at_s": 60.0, "kind": "batch_started", "text": "begun"})
    for payload in (line, line, "{", "[]", '{"number": 2}'):
        listener.take("homie/5/r/stream/event", payload.encode())
    listener.take("homie/5/r/$state", b"lost")  # left behind by an earlier run
    assert listener.ended == ""
    listener.take("homie/5/r/$state", b"ready")
    listener.take("homie/5/r/$state", b"lost")
    assert listener.ended == "lost"
    assert out.getvalue().count("begun") == 1 and out.getvalue().count("cannot be read") == 3


def test_the_listener_says_nothing_twice_in_two_ways() -> None:
    out = io.StringIO()
    listener = Listener("r", out)

    def take(topic: str, text: str) -> None:
        listener.take(f"homie/5/r/{topic}", text.encode())

    ended = {"number": 7, "at_s": 60.0, "kind": "stage_ended", "text": "heat finished: done"}
    take("$alert/stage-finished", "heat finished: done. Now: settle.")
    take("stream/event", json.dumps(ended))
    take("stream/event", json.dumps(ended | {"number": 8, "text": "dry finished: done"}))
    take("$alert/person-wanted", "You are wanted: The e-stop is pressed. (blue held)")
    take("$alert/alarm-e-stop", "The e-stop is pressed.")
    take("$alert/alarm-e-stop", "")
    said = [line.split(None, 1)[1] for line in out.getvalue().splitlines()]
    assert said == [
        "ALERT  heat finished: done. Now: settle.", "event  dry finished: done",
        "ALERT  You are wanted: The e-stop is pressed. (blue held)", "over   alarm e-stop"]


def test_an_observation_is_told_in_words_and_not_in_field_names() -> None:
    event = Event(1, 0.0, "observation", {"name": "glycerol_l", "value": 16.946,
                                          "source": "local", "counts": True})
    assert line_words(event) == "told at the machine: glycerol 16.95 L"
