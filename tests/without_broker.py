"""The demo's whole batch with a broker, without one, and with one that is gone for ten hours.

    .venv/bin/python tests/without_broker.py

Every tick's snapshot, outputs and events go into one hash; the three must be the same. The hours
are of the virtual clock, so the network sees them in seconds; test_flood.py and the tests of
the link have the real ones.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

from esterward.settings.files import load_pair
from esterward.telemetry.link import MqttLink
from esterward.values.batch import Batch
from esterward.values.outputs import Outputs
from esterward.values.reactor import Reactor
from esterward_sim.broker import EmbeddedBroker
from esterward_sim.orders import FaultOrder
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import NoRecord

DEMO = Path(__file__).parents[1] / "sim/scenarios/demo"
GONE_S = 36_000.0


class Traced(NoRecord):
    """Keeps nothing but a hash over all that a tick saw, did and said."""

    def __init__(self) -> None:
        super().__init__()
        self.ticks = 0
        self._hash = hashlib.sha256()

    def add(self, snapshot: object, outputs: Outputs, events: tuple[object, ...],
            checkpoint: str | None) -> None:
        super().add(snapshot, outputs, events, checkpoint)
        self.ticks += 1
        self._hash.update(repr((snapshot, outputs, events, checkpoint)).encode())

    @property
    def trace(self) -> tuple[int, str]:
        return self.ticks, self._hash.hexdigest()


def rehearsed(batch: Batch, reactor: Reactor, link: MqttLink | None,
              broker: EmbeddedBroker | None, faults: tuple[FaultOrder, ...] = ()) -> Rehearsal:
    """The whole batch, told through the link if there is one."""
    run = Rehearsal(reactor, batch, Traced(), telemetry=link, faults=faults)
    run.rig.broker = broker
    run.run()
    return run


def main() -> int:
    batch, reactor = load_pair(DEMO / "batch.toml", DEMO / "reactor.toml")
    assert reactor is not None
    gone = (FaultOrder.parse(f"broker_gone@mix+60-{60 + GONE_S:.0f}"),)
    found = []
    for name, faults in (("none", None), ("there", ()), ("gone for 10 h", gone)):
        if faults is None:
            run = rehearsed(batch, reactor, None, None)
        else:
            with EmbeddedBroker() as broker:
                link = MqttLink(broker.host, broker.port, "shed", "shed", "rehearsal-1")
                assert link.drain(0.0, 20.0), "the broker was there at the start"
                run = rehearsed(batch, reactor, link, broker, faults)
                assert link.drain(run.rig.clock.time_s, 20.0) and link.ready, "and at the end"
                link.close()
        result = run.result
        traced = run.record
        assert isinstance(traced, Traced)
        spans = [row["ended_s"] - row["started_s"] for row in result.faults]
        assert result.complete and spans == [GONE_S] * len(faults or ()), (result.why, spans)
        ticks, digest = traced.trace
        found.append(traced.trace)
        print(f"broker {name:14} {result.state}, {result.simulated_s / 3600.0:.1f} h, "
              f"{ticks} ticks, {digest[:16]}", flush=True)
    return 0 if len(set(found)) == 1 else 1


if __name__ == "__main__":
    sys.exit(main())
