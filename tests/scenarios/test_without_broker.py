"""The network decides nothing: with a broker, with a dead one, with none, the same batch."""

from __future__ import annotations

import socket

from esterward.telemetry.link import MqttLink
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.broker import EmbeddedBroker
from esterward_sim.rehearsal import Rehearsal, Result
from esterward_sim.virtual import NoRecord


def run(pair: tuple[Batch, Reactor], link: MqttLink | None) -> Result:
    batch, reactor = pair
    return Rehearsal(reactor, batch, NoRecord(), telemetry=link).run()


def test_the_batch_ends_the_same_to_the_second_whatever_the_broker_does(
    quick: tuple[Batch, Reactor],
) -> None:
    alone = run(quick, None)
    with socket.socket() as held:  # bound but not listening: every connection is refused
        held.bind(("127.0.0.1", 0))
        dead = MqttLink("127.0.0.1", held.getsockname()[1], "shed", "shed", "rehearsal-1")
        without = run(quick, dead)
        dead.close()
    with EmbeddedBroker() as broker:
        link = MqttLink(broker.host, broker.port, "shed", "shed", "rehearsal-1")
        link.drain(0.0, 0.5)
        heard = run(quick, link)
        assert link.ready, "the broker was really there"
        link.close()
    assert alone.complete
    assert alone.events == without.events == heard.events
