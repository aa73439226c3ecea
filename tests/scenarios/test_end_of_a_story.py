"""The end of a story with a broker: what was published is waited for, and never for ever."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from esterward.telemetry.link import MqttLink
from esterward_sim import scenario_run
from esterward_sim.broker import EmbeddedBroker


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    with EmbeddedBroker() as broker:
        yield broker


@pytest.fixture
def backing_off(broker: EmbeddedBroker) -> Iterator[MqttLink]:
    """A link whose broker went, and which will not try again for a while by its clock."""
    link = MqttLink(broker.host, broker.port, "shed", "shed", "rehearsal-1")
    assert link.drain(0.0, 5.0)
    broker.close()
    for _ in range(8):
        link.drain(0.0, 0.5)
    assert not link.drain(0.0, 1.0)
    yield link
    link.close()


def test_a_link_that_backs_off_at_the_end_is_given_the_time_by_its_clock(
    broker: EmbeddedBroker, backing_off: MqttLink,
) -> None:
    broker.restart()
    assert not backing_off.drain(0.0, 1.0), "by the clock of the story no attempt is due"
    assert scenario_run.heard_all(backing_off, 0.0)


def test_a_broker_that_stays_away_is_not_waited_for_for_ever(
    backing_off: MqttLink, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(scenario_run, "LINK_S", 0.5)
    assert not scenario_run.heard_all(backing_off, 0.0)
