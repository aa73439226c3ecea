"""A real Mosquitto on a free loopback port, its own client beside it, and links to it."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from esterward.telemetry.link import MqttLink
from esterward.values.status import Status
from telemetry.mqtt_rig import DEVICE, ROOT, Mosquitto, Watcher, make_status


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto.begun(tmp_path)
    yield broker
    broker.stop()


@pytest.fixture
def watch(mosquitto: Mosquitto) -> Iterator[Callable[..., Watcher]]:
    made: list[Watcher] = []

    def make(*topics: str) -> Watcher:
        made.append(Watcher(mosquitto.port, *topics))
        return made[-1]

    yield make
    for watcher in made:
        watcher.close()


@pytest.fixture
def make_link() -> Iterator[Callable[..., MqttLink]]:
    made: list[MqttLink] = []

    def make(port: int, **more: Any) -> MqttLink:
        made.append(MqttLink("127.0.0.1", port, DEVICE, "Shed reactor", "boot-1", **more))
        return made[-1]

    yield make
    for link in made:
        link.close(0.2)


@pytest.fixture
def send(mosquitto: Mosquitto) -> Callable[..., None]:
    def publish(payload: str, *options: str, topic: str = "remote/request/set") -> None:
        subprocess.run(["mosquitto_pub", "-h", "127.0.0.1", "-p", str(mosquitto.port), "-q", "1",
                        "-V", "5", "-t", ROOT + topic, "-m", payload, *options], check=True)

    return publish


@pytest.fixture
def status() -> Callable[..., Status]:
    return make_status
