"""Records of a heat-up straight from the plant: ticks as the controller keeps them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from esterward.record.journal import Journal
from esterward.record.trace import Tick
from esterward.values.batch import Batch
from esterward.values.messages import GuardReport
from esterward.values.outputs import Outputs
from esterward.values.reactor import Reactor
from esterward.values.readings import ProbeReading
from esterward.values.snapshot import Snapshot
from esterward_sim.plant import Lines, Plant

BOOT = "rehearsal-1"


def vessel(litres: float, power_w: float, loss: float, room_c: float) -> Reactor:
    return Reactor(vessel_l=1.6 * litres, element_w=power_w, altitude_m=1120.0, room_c=room_c,
                   loss_w_per_k=loss)


def heat_up(reactor: Reactor, litres: float, seed: int, *, top_c: float = 52.0,
            held_s: float = 1500.0, at_most_s: float = 20_000.0, heat: bool = True,
            fault: str = "", **parameters: float) -> tuple[list[tuple[int, Tick]], Plant]:
    """(session, tick): the pump from 29 s on, heat from 30 s until top_c, then a minute in five.

    A tick each second and one more when an input changed, as the controller makes them.
    Readings jitter by 0.03 K, 2 % are lost, all come in steps of 0.0625 K.
    """
    plant = Plant(reactor, Batch(oil_volume_l=litres, catalyst_purity=0.9), seed,
                  jitter_k=0.03, lost_share=0.02, **parameters)
    plant.pour_oil(litres, reactor.room_c, 0.0)
    plant.step(10.0, Lines())
    if fault:
        plant.faults.start(fault)
    ticks: list[tuple[int, Tick]] = []
    quarters, top_s, beat, out, seen = 0, float("inf"), False, Outputs(), plant.inputs()
    a = b = ProbeReading(None, 0.0)
    while quarters / 4.0 < min(at_most_s, top_s + held_s):
        now_s, inputs = quarters / 4.0, plant.inputs()
        if quarters % 4 == 0:
            a, b = (ProbeReading(c, now_s, "" if c is not None else "no value")
                    for c in (plant.probe_a_c(), plant.probe_b_c()))
            if top_s == float("inf") and plant.oil_c >= top_c:
                top_s = now_s
            held = (now_s - top_s) % 300.0 >= 240.0 if now_s > top_s else now_s < top_s
            out = Outputs(k1=heat and now_s >= 30.0 and held, k2_wanted=True,
                          mixer=now_s >= 29.0)
        if quarters % 4 == 0 or inputs is not seen:
            report = GuardReport(quarters, now_s, BOOT, inputs, b, True, (), False, 60.0, None, "")
            ticks.append((1, (Snapshot(now_s, BOOT, quarters % 4 == 0, None, a, None, report, 0),
                              out)))
            seen = inputs
        beat = not beat
        plant.step(0.25, Lines(k1=out.k1, mixer=out.mixer, enable=True, beat=beat))
        quarters += 1
    return ticks, plant


def write(path: Path, ticks: list[tuple[int, Tick]], **documents: str) -> Path:
    """A record with these ticks; documents by name with _ for the dot."""
    journal = Journal(path, boot=BOOT, now_s=0.0, durable=False)
    journal.attach({name.replace("_", "."): text for name, text in documents.items()})
    for _, (snapshot, out) in ticks:
        journal.add(snapshot, out, (), None)
        journal.step(snapshot.now_s)
    journal.close(ticks[-1][1][0].now_s if ticks else 0.0)
    return path


def truth(plant: Plant) -> dict[str, Any]:
    """Heat capacity at 37 degC in J/K, loss, run-on and probe A's lag as the plant was made."""
    thermal = plant.thermal
    at_0, slope = plant.contents.heat_terms()
    return {
        "capacity": at_0 + 37.0 * slope + thermal.wall_j_per_k + thermal.element_j_per_k,
        "loss": plant.reactor.loss_w_per_k,
        "run_on": thermal.element_j_per_k * plant.p.element_rise_k / plant.reactor.element_w
        + plant.probe_a.lag_s,
        "lag": plant.probe_a.lag_s,
    }
