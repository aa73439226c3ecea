"""A reactor that heats and is well, with changes, for the tests of the safety facts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from esterward.chemistry import boiling
from esterward.safety import counters
from esterward.safety import facts as proof
from esterward.safety.counters import Seen
from esterward.safety.facts import SafetyFacts
from esterward.safety.plausibility import ProbeJudge
from esterward.safety.state import SafetyState
from esterward.values.messages import GuardReport
from esterward.values.outputs import Outputs
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs, ProbeReading

NOW_S = 4096.0
LIMITS = boiling.limits(1120.0)
RUNS = Outputs(k1=True, ssr=True, k2_wanted=True, mixer=True, vent=True)
WELL = Inputs(estop_closed=True, level_wet=True, cutout_closed=True, mixer_proof=True)
PLACE = {"s": "state", "o": "out", "i": "inputs", "g": "guard", "n": "seen", "r": "reactor",
         "w": "wish"}


def by_place(places: dict[str, str], changes: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """{place: {name: value}} of PLACE_NAME=value."""
    parts: dict[str, dict[str, Any]] = {name: {} for name in places.values()}
    for key, value in changes.items():
        place, _, name = key.partition("_")
        parts[places[place]][name] = value
    return parts


class Given:
    """A reactor that heats and is well, with changes: PLACE_NAME=value; inputs or guard None."""

    def __init__(self, **changes: Any) -> None:
        parts = by_place(PLACE, changes)
        seen = parts["seen"]
        now_s, a_c, b_c, dt_s = (seen.pop(name, usual) for name, usual in (
            ("now_s", NOW_S), ("a_c", 54.0), ("b_c", 54.0), ("dt_s", 0.0)))
        a_s, b_s = seen.pop("a_s", now_s), seen.pop("b_s", now_s)
        self.reactor = replace(Reactor(altitude_m=1120.0, vessel_l=200.0, element_w=3000.0,
                                       digest="d1"), **parts["reactor"])
        state: dict[str, Any] = {
            "heard_s": 900.0, "k1_on_s": 900.0, "enable_on_s": 900.0, "proven_s": 900.0,
            "wet_s": 900.0, "presence_age_s": 60.0, "melt_s": 0.0, **parts["state"]}
        self.state = SafetyState(
            **{"probe_a": ProbeJudge(good_c=a_c, good_at_s=a_s),
               "probe_b": ProbeJudge(good_c=b_c, good_at_s=b_s), **state})
        inputs = None if seen.get("inputs", "") is None else replace(WELL, **parts["inputs"])
        told: dict[str, Any] = {
            "count": 1, "at_s": now_s, "boot": "b", "inputs": inputs or WELL,
            "probe_b": ProbeReading(b_c, b_s), "enable": True, "latches": (), "flag": False,
            "trip_c": None, "pressure_kpa": 85.0, "hash": "d1", **parts["guard"]}
        seen = {"now_s": now_s, "dt_s": dt_s, "probe_a": ProbeReading(a_c, a_s),
                "guard": GuardReport(**told), "heard": True, "inputs": inputs,
                "commanded": replace(RUNS, **parts["out"]), "flag": False, "limits": LIMITS,
                "pressure_kpa": 85.0, "record_fault": False, "stored": 7, "last_event": 7,
                "volume_l": 120.0, "supply_low": None,
                "fat_set": False, "loss_w_per_k": 8.0, "adding": False, **seen}
        self.seen = Seen(**seen)
        self.wish = {"hand_pump": False, "pulse": False, **parts["wish"]}
        self.facts = SafetyFacts()

    def prove(self) -> SafetyFacts:
        proof.prove(self.facts, self.state, self.seen, self.reactor, **self.wish)
        return self.facts

    def count(self, times: int = 1) -> SafetyState:
        for _ in range(times):
            counters.count(self.state, self.seen, self.reactor)
        return self.state


NO_INPUTS = {"n_inputs": None}
