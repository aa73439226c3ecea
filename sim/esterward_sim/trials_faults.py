"""What can go wrong in a trial, row by row, and by when the energy must be gone.

The deadlines are written by hand from what each fault endangers, never taken from the
interlock table they are held against: seconds after the fault began until the element (or
element, mixer and air pump; or a mixer that fails, whether it turns or not) truly carries no
current, as long as the fault lasts and no person has acted since. None: no own deadline; the
invariants alone watch. `needs` names the optional input that must be wired. The first part are
the plant's own faults (plant/faults.py), the second what happens to processes, storage, messages
and clocks, the third what people do. What is done is in trials_acts.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from esterward.process.stages import STEPS
from esterward_sim.plant.faults import PLANT_ROWS, ROWS
from esterward_sim.trials_acts import (
    Act,
    Liar,
    blackout,
    clock,
    deaf,
    disk,
    forge,
    fumble,
    give,
    link,
    link_back,
    mute,
    press,
    reset_again,
    restart_controller,
    restart_guard,
    restart_without_a_clock,
    set_to,
    take,
    walk_away,
)

if TYPE_CHECKING:
    from esterward.values.reactor import Reactor


@dataclass(frozen=True, slots=True)
class FaultCase:
    """One row. *_off_s: deadlines in seconds; ends: what undoes it, if anything.

    warm_c: the deadline holds only with the oil truly above this (a value that happens to be
    the true one is no fault); mixed: only if the mixer has been running for two minutes;
    flag: only with the methanol flag set; moved_k: only with the oil truly so far from where it
    was when the fault began.

    steps: what a person does wrong is done in one of these, so the fault comes as one of them
    begins, and stays; stages: without a reaction it is watched up to so many stage ends.
    """

    name: str
    rows: tuple[str, ...]
    sentence: str
    start: Act
    ends: Act | None = None
    heat_off_s: float | None = None
    all_off_s: float | None = None
    mixer_off_s: float | None = None
    needs: str = ""
    warm_c: float = -100.0
    cool_c: float = 200.0
    mixed: bool = False
    flag: bool = False
    moved_k: float = 0.0
    steps: tuple[str, ...] = ()
    stages: int = 1


_PROBE: Final[dict[str, dict[str, Any]]] = {
    "lost": {"heat_off_s": 8.0}, "zero": {"heat_off_s": 10.0, "warm_c": 6.0},
    "power_on": {"heat_off_s": 10.0, "cool_c": 79.0}, "far": {"heat_off_s": 8.0},
    "nan": {"heat_off_s": 8.0},
    # by then the two are 2 K apart whatever either is wrong by, up to where 4 K are allowed
    "stuck": {"heat_off_s": 150.0, "mixed": True, "cool_c": 82.0, "moved_k": 3.0},
    # 3 K apart: allowed once one of them reads over 85 degC
    "offset": {"heat_off_s": 150.0, "mixed": True, "cool_c": 82.0},
    "drift": {"heat_off_s": 1400.0, "mixed": True},
    "out_of_well": {"heat_off_s": 400.0, "warm_c": 45.0, "mixed": True},
}
# Deadlines of the plant's other faults; a row that is not here has none of its own.
_PLANT: Final[dict[str, dict[str, Any]]] = {
    "k1_mirror_stuck": {"heat_off_s": 5.0}, "k2_mirror_stuck": {"heat_off_s": 5.0},
    "k1_chatter": {"heat_off_s": 10.0}, "k2_chatter": {"heat_off_s": 10.0},
    "cutout_open": {"all_off_s": 1.0}, "cutout_readback_lost": {"all_off_s": 2.0},
    "cutout2_open": {"heat_off_s": 5.0, "needs": "cutout2_closed", "flag": True},
    "beat_timer_dead": {"all_off_s": 2.0},
    # no heat flows while it only mixes: the motor burns, and nobody knows that nothing reacts
    **{name: {"heat_off_s": 8.0, "mixer_off_s": 8.0}
       for name in ("mixer_stalled", "pump_dry", "mixer_proof_lost")},
    "drain_open": {"heat_off_s": 2.0, "needs": "drain_closed"},
    "drain_switch_lost": {"heat_off_s": 2.0, "needs": "drain_closed"},
    "level_low": {"heat_off_s": 2.0}, "level_readback_lost": {"heat_off_s": 2.0},
    "level_chatter": {"heat_off_s": 3.0},
    "lid_open": {"heat_off_s": 2.0, "needs": "lid_closed"},
    "lid_switch_lost": {"heat_off_s": 2.0, "needs": "lid_closed"},
    "vent_failed": {"heat_off_s": 8.0, "needs": "vent_proof"},
    "vent_proof_lost": {"heat_off_s": 8.0, "needs": "vent_proof"},
    "vapour_high": {"all_off_s": 3.0, "needs": "vapour_low"},
    "vapour_sensor_lost": {"all_off_s": 2.0, "needs": "vapour_low"},
    "estop_pressed": {"all_off_s": 1.0}, "estop_wire": {"all_off_s": 1.0},
    "estop_readback_lost": {"all_off_s": 2.0},
    "sump_wet": {"all_off_s": 2.0, "needs": "sump_dry"},
    "mains_lost": {"all_off_s": 0.5}, "coil_supply_lost": {"all_off_s": 1.0},
    "earth_fault": {"all_off_s": 0.5},
    # 30 s of it, what began in the tick before, the tick that ends it, and the contactor
    "supply_low": {"heat_off_s": 33.0},
    "line_beat_high": {"all_off_s": 3.0}, "line_beat_low": {"all_off_s": 3.0},
    "line_enable_low": {"all_off_s": 1.0}, "line_k1_low": {"heat_off_s": 1.0},
}
# Needs an input to mean anything; without it the plant has no such part.
_NEEDS: Final = {
    "lid_stuck_closed": "lid_closed", "vent_proof_stuck": "vent_proof",
    "vapour_sensor_stuck": "vapour_low", "sump_switch_stuck": "sump_dry",
    "drain_switch_stuck": "drain_closed", "cutout2_readback_stuck": "cutout2_closed",
    "barometer_lost": "barometer", "barometer_sea_level": "barometer",
    "barometer_stuck": "barometer", "ssr_shorted": "ssr", "ssr_leaks": "ssr",
    "line_ssr_high": "ssr", "line_ssr_low": "ssr", "line_vent_high": "vent_proof",
    "line_vent_low": "vent_proof",
}


def _plant_case(name: str, value: float | None = None, suffix: str = "",
                rows: tuple[str, ...] = ()) -> FaultCase:
    row = PLANT_ROWS[name]
    probe, _, what = name.partition("_")[2].partition("_")
    own = dict(_PROBE.get(what, {})) if name.startswith("probe_") and len(probe) == 1 \
        else dict(_PLANT.get(name, {}))
    own.setdefault("needs", _NEEDS.get(name, ""))
    return FaultCase(name + suffix, rows or row.rows, row.sentence, partial(give, name, value),
                     partial(take, name), **own)


# -- processes, storage, messages, clocks, people ---------------------------------------------

_OTHER: Final[tuple[FaultCase, ...]] = (
    FaultCase("controller_stopped", ("F-66",), "The controller is stopped; its lines fall.",
              set_to("rig.controller_dead", True), set_to("rig.controller_dead", False),
              all_off_s=3.0),
    FaultCase("controller_restarts", ("F-58", "F-59", "F-60", "F-61"),
              "The controller process is killed and starts again at once.",
              restart_controller),  # over at once, so no deadline: I-06 watches what follows
    FaultCase("guard_stopped", ("F-67",), "The guard is stopped; its lines fall.",
              set_to("rig.guard.dead", True), set_to("rig.guard.dead", False), all_off_s=3.0),
    FaultCase("guard_restarts", ("F-67",), "The guard is killed and starts again from its file.",
              restart_guard),
    FaultCase("blackout", ("F-58", "F-59", "F-60", "F-61"),
              "The mains go off; both processes are cut and start again.",
              blackout, partial(take, "mains_lost"), all_off_s=0.5),
    FaultCase("guard_hears_nothing", ("F-84",), "No message reaches the guard.",
              partial(link, deaf), link_back, all_off_s=3.0),
    FaultCase("controller_hears_nothing", ("F-84",), "No message of the guard arrives.",
              partial(link, mute), link_back, all_off_s=3.0),
    FaultCase("controller_lies", ("F-18", "F-90"),
              "The controller tells the guard that all is off and no methanol is there.",
              partial(link, Liar), link_back, heat_off_s=3.0),
    FaultCase("probe_a_hangs", ("F-14",), "The read of probe A does not return.",
              set_to("rig.probe.hung", True), set_to("rig.probe.hung", False), heat_off_s=7.0),
    FaultCase("probe_b_hangs", ("F-14",), "The read of probe B does not return.",
              set_to("rig.guard.probe.hung", True), set_to("rig.guard.probe.hung", False),
              heat_off_s=7.0),
    FaultCase("disk_full", ("F-71", "F-72", "F-73"), "The record says that it cannot store.",
              partial(disk, True, "no space left"), partial(disk, False, ""),
              heat_off_s=13.0),
    FaultCase("disk_silent", ("F-73",), "What is handed over is never on disk, and none says so.",
              partial(disk, True, ""), partial(disk, False, "")),
    FaultCase("clock_jumps", ("F-76", "F-77"), "The wall clock jumps by hours or years.",
              clock),
    FaultCase("forged_requests", ("F-86", "F-87", "F-88", "F-89", "F-90"),
              "Requests from the network that nobody here made.", forge),
)


def _named(name: str, value: float | None = None, suffix: str = "",
           rows: tuple[str, ...] = (), **own: Any) -> FaultCase:
    """A fault of the computers or the person, begun and ended by its name."""
    row = ROWS[name]
    said = row.sentence + (f" [{value:g} {row.unit}]" if value is not None else "")
    return FaultCase(name + suffix, rows or row.rows, said, partial(give, name, value),
                     partial(take, name), **own)


_RIG: Final[tuple[FaultCase, ...]] = (
    _named("controller_hangs", all_off_s=3.0),
    _named("guard_hangs", all_off_s=3.0),
    _named("controller_slow", heat_off_s=5.0),
    _named("controller_slow", 20.0, "_high", heat_off_s=5.0),
    *(_named(f"probe_{p}_slow") for p in "ab"),  # 4 s old still serves, 8 s old is told
    *(_named(f"probe_{p}_slow", 8.0, "_high", heat_off_s=7.0) for p in "ab"),
    FaultCase("clock_unset", ("F-78",), "The controller starts again and nobody knows the time.",
              restart_without_a_clock, partial(take, "clock_unset")),
)

_DISSOLVE: Final = ("methoxide.dissolve", "methoxide.share", "methoxide.second")
_ASKED: Final = tuple(name for name, step in STEPS.items() if step.prompt)
_PEOPLE: Final[tuple[FaultCase, ...]] = (
    FaultCase("fumbling", ("F-93", "F-94", "F-98"), "Somebody presses all the buttons.", fumble),
    FaultCase("walked_away", ("F-100",), "The person is not seen again.", walk_away),
    FaultCase("black_pressed", ("F-93",), "Black is pressed.", partial(press, "black")),
    FaultCase("resets_again", ("F-101",), "A probe drops out again and again, and somebody resets "
              "and goes on each time.", reset_again, partial(take, "probe_a_bursts")),
    _named("person_away"),
    _named("person_blind", steps=_ASKED, stages=2),
    # half the oil, and what the vessel cannot hold
    _named("oil_share", rows=("F-25", "F-95"), steps=("fill.pump",), stages=3),
    _named("oil_share", 3.0, "_high", ("F-45", "F-95"), steps=("fill.pump",), stages=3),
    _named("catalyst_share", steps=_DISSOLVE, stages=3),
    _named("catalyst_share", 2.0, "_high", steps=_DISSOLVE, stages=3),
    _named("base_mistaken", steps=_DISSOLVE, stages=3),
    _named("methanol_warm", steps=_DISSOLVE, stages=2),
    _named("pour_share", steps=("dose.pour",), stages=2),
    _named("pour_share", 2.0, "_high", steps=("dose.pour",), stages=2),
    _named("emulsion", steps=("wash.water", "wash.stir")),
)

# Rows of plant/faults.py that no case is called by, and why.
NOT_TRIED: Final = {
    "record_fails": "the record of a trial stores nothing anyway; acted out by disk_full",
    "clock_jump": "acted out by clock_jumps, either way and by up to thirty years",
    "person_resets_again": "needs a latch to reset; acted out, with one, by resets_again",
    "broker_gone": "a trial has no broker; tests/scenarios/test_without_broker.py has one",
}

_LOW: Final = {"probe_a_offset": -3.0, "probe_b_offset": -3.0, "probe_a_drift": -10.0,
               "probe_b_drift": -10.0}
CASES: Final[dict[str, FaultCase]] = {case.name: case for case in (
    *(_plant_case(name) for name in PLANT_ROWS if name != "room"),
    *(_plant_case(name, value, "_low") for name, value in _LOW.items()),
    _plant_case("room", rows=("F-106",)), _plant_case("room", -10.0, "_frost", ("F-105",)),
    *_OTHER, *_RIG, *_PEOPLE)}


def fits(case: FaultCase, reactor: Reactor) -> bool:
    """Whether a reactor has the part that this row breaks."""
    return (not case.needs or case.needs in reactor.fitted
            or (case.needs == "barometer" and reactor.barometer)
            or (case.needs == "ssr" and reactor.element_switch == "ssr"))
