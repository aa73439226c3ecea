"""Cost of telemetry beside the batch, with a real broker.

pytest tests/bench/test_bench_telemetry.py -o addopts=--import-mode=importlib --benchmark-only
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from esterward.telemetry.link import MqttLink
from esterward_sim.broker import EmbeddedBroker, NoBroker
from telemetry.mqtt_rig import make_status


@pytest.fixture
def link() -> Iterator[MqttLink]:
    try:
        broker = EmbeddedBroker()
    except NoBroker as error:
        pytest.skip(str(error))
    with broker:
        link = MqttLink(broker.host, broker.port, "reactor", "Bench", "boot")
        link.show(make_status(), (), 0.0, None)
        assert link.drain(0.0)
        yield link
        link.close()


def test_showing_an_unchanged_status(benchmark: BenchmarkFixture, link: MqttLink) -> None:
    same = make_status()
    benchmark(link.show, same, (), 0.5, None)


def test_a_step_with_nothing_to_do(benchmark: BenchmarkFixture, link: MqttLink) -> None:
    benchmark(link.step, 0.5)


def test_an_hour_of_heating_at_one_tick_a_second(
        benchmark: BenchmarkFixture, link: MqttLink) -> None:
    pictures = [make_status(elapsed_s=float(s), oil_c=20.0 + 0.01 * s) for s in range(3600)]
    began_s = [0.0]

    def hour() -> None:
        for picture in pictures:
            began_s[0] += 1.0
            link.show(picture, (), began_s[0], None)
            link.step(began_s[0])

    benchmark.pedantic(hour, rounds=5)
    assert link.drain(began_s[0]) and link.dropped == 0
