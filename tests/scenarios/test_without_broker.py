"""The same seed gives the same batch, and the network decides nothing about it."""

from __future__ import annotations

import json
import socket
from dataclasses import asdict
from typing import Any

from esterward.telemetry.link import MqttLink
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.broker import EmbeddedBroker
from esterward_sim.orders import Moment
from esterward_sim.rehearsal import Rehearsal, Result
from esterward_sim.virtual import NoRecord
from steps import content
from without_broker import Traced


def run(pair: tuple[Batch, Reactor], link: MqttLink | None = None,
        record: NoRecord | None = None, **options: Any) -> Result:
    batch, reactor = pair
    return content(Rehearsal(reactor, batch, record or NoRecord(), telemetry=link,
                             **options)).run()


def test_the_same_seed_gives_the_same_bytes(
    quick: tuple[Batch, Reactor], untroubled: Result,
) -> None:
    texts = [json.dumps([asdict(e) for e in result.events])
             for result in (untroubled, run(quick, seed=1))]
    assert texts[0] == texts[1]
    other = run(quick, seed=6, until=Moment(0.0, "heat")).events
    assert len(other) > 5 and not texts[0].startswith(json.dumps([asdict(e) for e in other])[:-1])


def test_every_tick_sees_and_does_the_same_whatever_the_broker_does(
    quick: tuple[Batch, Reactor], untroubled: Result,
) -> None:
    without, heard, other = Traced(), Traced(), Traced()
    with socket.socket() as held:  # bound but not listening: every connection is refused
        held.bind(("127.0.0.1", 0))
        dead = MqttLink("127.0.0.1", held.getsockname()[1], "shed", "shed", "rehearsal-1")
        events = run(quick, dead, without).events
        dead.close()
    with EmbeddedBroker() as broker:
        link = MqttLink(broker.host, broker.port, "shed", "shed", "rehearsal-1")
        link.drain(0.0, 0.5)
        assert run(quick, link, heard).events == events
        assert link.ready, "the broker was really there"
        link.close()
    assert untroubled.complete
    assert untroubled.events == events
    assert without.trace == heard.trace and heard.trace[0] > 10_000
    run(quick, None, other, seed=6, until=Moment(0.0, "heat"))
    run(quick, None, early := Traced(), until=Moment(0.0, "heat"))
    assert early.trace != other.trace, "another batch has another trace"
