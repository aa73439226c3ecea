"""The twelve reactors of the trials, and as many further ones as a number asks for.

All invented, none alike: 20 to 400 L, sea level to 2900 m, contactor and solid-state switch,
rig level small and full, with and without warm-hold, quick and slow probes, cold and hot rooms,
mains 10 % up and down, methoxide in one share and in two, a person who is prompt or slow.
Settling, standing and drying are shorter than in a real batch, so that a trial reaches every
stage; nothing else is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from random import Random
from typing import Any, Final

from esterward.values.batch import Batch, Wash
from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS
from esterward_sim.plant import Plant
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import VirtualRig

SHORT: Final = Batch(
    name="trial", oil_start_c=20.0, titration_readings_ml=(2.9, 3.1, 3.0), catalyst_purity=0.9,
    dewater="none", dewater_stand_min=10.0, dissolve_min=5.0, pour_min=10.0, settle_h=1.2,
    washes=(Wash(0.10, False), Wash(0.30, True)), wash_stir_min=5.0, wash_stand_min=10.0,
    dry_min=20.0)


@dataclass(frozen=True, slots=True)
class TrialPlant:
    """One reactor with its batch, what the two files do not say of it, and its person."""

    name: str
    reactor: Reactor
    batch: Batch
    person: str = "prompt"
    parameters: dict[str, Any] = field(default_factory=dict)


def _plant(name: str, litres: float, watts: float, altitude_m: float, *, ssr: bool = False,
           fitted: tuple[str, ...] = (), barometer: bool = False, warm_hold: bool = False,
           person: str = "prompt", kind: str = "KOH", dewater: str = "none",
           room_c: float = 20.0, first_share: float | None = None,
           **parameters: Any) -> TrialPlant:
    full = bool(fitted) or ssr
    reactor = Reactor(
        name=name, altitude_m=altitude_m, barometer=barometer, vessel_l=1.6 * litres,
        element_w=watts, element_switch="ssr" if ssr else "contactor",
        loss_w_per_k=0.6 * litres ** (2.0 / 3.0), room_c=room_c,
        rig_level="full" if full else "small", fitted=fitted, warm_hold=warm_hold,
        probe_a_id="28-0316a0000001", probe_b_id="28-0316a0000002", probes_checked=True,
        digest=name)
    batch = replace(SHORT, name=name, oil_volume_l=litres, catalyst_kind=kind, dewater=dewater,
                    oil_start_c=max(8.0, room_c), first_share=first_share)
    return TrialPlant(name, reactor, batch, person, parameters)


PLANTS: Final[tuple[TrialPlant, ...]] = (
    _plant("ordinary", 60.0, 2000.0, 250.0),
    _plant("all fitted, warm-hold", 40.0, 1500.0, 500.0, ssr=True, fitted=OPTIONAL_INPUTS,
           barometer=True, warm_hold=True),
    _plant("high up", 100.0, 3000.0, 2900.0, lag_a_s=60.0, lag_b_s=40.0, room_c=12.0),
    _plant("smallest, strongest", 20.0, 900.0, 0.0, lag_a_s=8.0, lag_b_s=10.0, mains=1.1),
    _plant("largest", 400.0, 9000.0, 640.0, ssr=True, mains=0.9, room_c=15.0),
    _plant("lid and vent", 80.0, 2400.0, 1120.0, fitted=("lid_closed", "vent_proof")),
    _plant("boils the water off", 50.0, 2200.0, 300.0, dewater="boil",
           oil_water_mg_per_kg=2500.0, fitted=("drain_closed",)),
    _plant("slow person", 60.0, 2000.0, 80.0, person="slow", kind="NaOH"),
    _plant("cold shed", 120.0, 3600.0, 1500.0, room_c=-5.0),
    _plant("hot and noisy", 45.0, 1800.0, 900.0, ssr=True, room_c=35.0, jitter_k=0.03,
           lost_share=0.02, fitted=("vapour_low", "sump_dry"), barometer=True),
    _plant("bad weather", 70.0, 2000.0, 2000.0, barometer=True, weather_kpa=-3.0,
           dewater="settle"),
    _plant("everything but warm-hold", 150.0, 4500.0, 1700.0, fitted=OPTIONAL_INPUTS,
           barometer=True, offset_a_k=-0.4, offset_b_k=0.4, first_share=0.8),
)


def plant_of(number: int) -> TrialPlant:
    """PLANTS first; from there on a random one, the same for the same number."""
    if number < len(PLANTS):
        return PLANTS[number]
    rng = Random(f"plant {number}")
    litres = rng.uniform(20.0, 200.0)
    full = rng.random() < 0.4
    fitted = tuple(n for n in OPTIONAL_INPUTS if rng.random() < 0.7) if full else ()
    return _plant(
        f"random {number}", litres, min(9000.0, max(750.0, litres * rng.uniform(22.0, 45.0))),
        rng.uniform(0.0, 2900.0), ssr=rng.random() < 0.5, fitted=fitted,
        barometer=rng.random() < 0.4, person=rng.choice(("prompt", "prompt", "slow")),
        kind=rng.choice(("KOH", "NaOH")), dewater=rng.choice(("none", "none", "settle")),
        room_c=rng.uniform(-5.0, 35.0), lag_a_s=rng.uniform(8.0, 60.0),
        lag_b_s=rng.uniform(8.0, 60.0), mains=rng.uniform(0.9, 1.1),
        jitter_k=rng.choice((0.0, 0.03)), lost_share=rng.choice((0.0, 0.02)),
        weather_kpa=rng.uniform(-2.0, 2.0), offset_a_k=rng.uniform(-0.4, 0.4),
        offset_b_k=rng.uniform(-0.4, 0.4), first_share=rng.choice((None, None, 0.8)))


class TrialRecord:
    """The record of a trial: it keeps nothing, stores a tick later, and can break."""

    def __init__(self) -> None:
        self.stored, self.fault = 0, ""
        self.stuck = False
        self.boots = 0
        self.guard_file: tuple[bool, tuple[str, ...]] = (True, ())
        self.forged: list[Any] = []
        self._last = 0

    def add(self, snapshot: object, outputs: object, events: tuple[Any, ...],
            checkpoint: str | None) -> None:
        if not self.stuck:
            self.stored = self._last
        if events:
            self._last = events[-1].number

    def take_requests(self) -> tuple[Any, ...]:
        taken = tuple(self.forged)
        self.forged.clear()
        return taken

    def step(self, now_s: float) -> None:
        return


def rehearsal_of(trial: TrialPlant, seed: int = 1) -> Rehearsal:
    """A fault-free batch on this plant, at its start."""
    made = Rehearsal(trial.reactor, trial.batch, TrialRecord(), seed=seed, person=trial.person)
    made.unrecorded_ends = False  # what follows a broken disk is watched like all else
    old = made.rig
    plant = Plant(trial.reactor, trial.batch, seed, **trial.parameters)
    made.rig = VirtualRig(trial.reactor, trial.batch, record=old.loop.ports.record, seed=seed,
                          plant=plant)
    made.person.plant, made.person.printed = plant, made.rig.controller
    return made
