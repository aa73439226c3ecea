"""Contactors, beat timer, switches and buttons: what the wires do to each other.

Called with every step of the plant, so it is one flat function and small integers of work.
K2 (upstream) needs enable, a live beat, the e-stop loop and the cut-out; K1 needs its line and
the level contact; element = K1 and K2 (and the solid-state switch); mixer and air pump are
behind K2; vent, horn and lamp are not. The computer is in none of these ANDs.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

from esterward.values.reactor import Reactor
from esterward.values.readings import INPUT_NAMES, Inputs
from esterward_sim.plant.faults import DRIVEN_AS, READ_AS, Faults
from esterward_sim.plant.lines import Lines
from esterward_sim.plant.parameters import Parameters

BEAT_LAPSES_S = 2.0
PROOF_DROPS_S = 0.5
GULP_S, GULPS_EACH_S = 1.0, 5.0


class Electrical:
    """State of every contact. power is the share of the nominal element power flowing now."""

    def __init__(self, reactor: Reactor, p: Parameters, faults: Faults) -> None:
        self._faults = faults
        self._seen = -1
        self._ssr_fitted = reactor.element_switch == "ssr"
        self._fitted = reactor.fitted
        self._k1_delay_s, self._k2_delay_s = p.k1_delay_s, p.k2_delay_s
        self._proof_after_s = p.mixer_proof_s
        self._mains = p.mains
        # what a person's hand does
        self.green = self.black = self.blue = False
        self.estop_pressed = self.lid_open = self.float_lifted = self.drain_open = False
        self.methanol_key = False
        self.draining = self.sump_wet = False
        # what the plant says (slow physics)
        self.covered = False
        self.can_flow = False
        self.cutout_tripped = self.cutout2_tripped = False
        self.vapour_low = True
        # contacts
        self.k1_closed = self.k2_closed = False
        self._k1_wait_s = self._k2_wait_s = 0.0
        self._beat = False
        self._beat_age_s = float("inf")
        self.mixer_on = self.flowing = self.air_on = self.vent_on = False
        self.mixer_proof = False
        self._proof_wait_s = self._gulp_s = 0.0
        self.power = 0.0
        self.lines = Lines()
        self.dirty = True
        self._noise = 0.0
        self.level_wet = False
        self.estop_closed = self.cutout_closed = self.cutout2_closed = True
        self.lid_stands_open = self.vent_turns = False
        self._inputs = self._build()
        self._apply()

    def _apply(self) -> None:
        """Take the active faults over into flags that the fast step reads."""
        f = self._faults
        self._seen = f.version
        self._supply = "mains_lost" not in f and "blackout" not in f
        self._coils = self._supply and "coil_supply_lost" not in f
        self._loads = self._supply and "earth_fault" not in f
        self._timer_stuck, self._timer_dead = "beat_timer_stuck" in f, "beat_timer_dead" in f
        self._k1_welded, self._k2_welded = "k1_welded" in f, "k2_welded" in f
        self._k1_broken, self._k2_broken = "k1_open_circuit" in f, "k2_open_circuit" in f
        self._k1_chatter, self._k2_chatter = "k1_chatter" in f, "k2_chatter" in f
        self._mixer_stuck, self._mixer_stalled = "mixer_runs_on" in f, "mixer_stalled" in f
        self._dry, self._gulps = "pump_dry" in f, "pump_gulps" in f
        self._level_chatter = "level_chatter" in f
        self._noise = f.get("input_noise") or 0.0
        self._driven = {line: level for name, (line, level) in DRIVEN_AS.items() if name in f}
        self._read = {name: level for fault, (name, level) in READ_AS.items()
                      if fault in f and getattr(self._inputs, name) is not None}
        share = 0.5 if "element_half" in f else 2.0 if "element_double" in f else 1.0
        if "element_dead" in f:
            share = 0.0
        volts = f.get("mains")
        volts = self._mains if volts is None else volts
        self._share = share * volts * volts
        if not self._ssr_fitted or "ssr_shorted" in f:
            self._off_share = 1.0
        else:
            self._off_share = f.get("ssr_leaks") or 0.0
        self.refresh()

    def refresh(self) -> None:
        """Work out the loop contacts again after a hand, a level or a fault has moved."""
        f = self._faults
        self.dirty = True
        wet = self.covered or self.float_lifted
        if "level_low" in f:
            wet = False
        if "level_stuck_wet" in f:
            wet = True
        self.level_wet = wet
        self.estop_closed = not (
            self.estop_pressed or "estop_pressed" in f or "estop_wire" in f
        )
        self.cutout_closed = not (self.cutout_tripped or "cutout_open" in f)
        self.cutout2_closed = not (self.cutout2_tripped or "cutout2_open" in f)
        self._cutouts_closed = self.cutout_closed and (
            self.cutout2_closed or not (self.methanol_key and "cutout2_closed" in self._fitted)
        )
        self.lid_stands_open = self.lid_open or "lid_open" in f
        self.vent_turns = self.vent_on and self._supply and "vent_failed" not in f

    def step(self, dt_s: float, lines: Lines) -> None:
        """Let the contacts follow the wires for dt_s seconds."""
        if self._faults.version != self._seen:
            self._apply()
        if self._driven:
            lines = replace(lines, **self._driven)
        self.lines = lines
        beat = lines.beat
        if beat is not self._beat:
            self._beat = beat
            self._beat_age_s = dt_s
        else:
            self._beat_age_s += dt_s
        if self._level_chatter:
            self.level_wet = not self.level_wet
            self.dirty = True
        coil = (
            lines.enable
            and (self._beat_age_s < BEAT_LAPSES_S or self._timer_stuck)
            and self.estop_closed
            and self._cutouts_closed
            and self._coils
            and not self._timer_dead
            and not self._k2_broken
        )
        if self._k2_welded:
            coil = True
        elif self._k2_chatter and coil:
            coil = not self.k2_closed
        if coil is not self.k2_closed:
            self._k2_wait_s += dt_s
            if self._k2_wait_s >= self._k2_delay_s:
                self.k2_closed, self._k2_wait_s, self.dirty = coil, 0.0, True
        elif self._k2_wait_s:
            self._k2_wait_s = 0.0
        coil = lines.k1 and self.level_wet and self._coils and not self._k1_broken
        if self._k1_welded:
            coil = True
        elif self._k1_chatter and coil:
            coil = not self.k1_closed
        if coil is not self.k1_closed:
            self._k1_wait_s += dt_s
            if self._k1_wait_s >= self._k1_delay_s:
                self.k1_closed, self._k1_wait_s, self.dirty = coil, 0.0, True
        elif self._k1_wait_s:
            self._k1_wait_s = 0.0
        live = self.k2_closed and self._loads
        if live and self.k1_closed:
            self.power = self._share if lines.ssr else self._share * self._off_share
        else:
            self.power = 0.0
        self.mixer_on = turning = (
            live and (lines.mixer or self._mixer_stuck) and not self._mixer_stalled
        )
        self.air_on = live and lines.air
        if lines.vent is not self.vent_on:
            self.vent_on = lines.vent
            self.refresh()
        self.flowing = flow = turning and self.can_flow and not self._dry
        if self._gulps:
            self._gulp_s = (self._gulp_s + dt_s) % GULPS_EACH_S
            self.flowing = flow = flow and self._gulp_s >= GULP_S
        if flow is not self.mixer_proof:
            self._proof_wait_s += dt_s
            if self._proof_wait_s >= (self._proof_after_s if flow else PROOF_DROPS_S):
                self.mixer_proof, self._proof_wait_s, self.dirty = flow, 0.0, True
        elif self._proof_wait_s:
            self._proof_wait_s = 0.0

    def inputs(self, rng: Random) -> Inputs:
        """The input lines as they stand now (undebounced). None = not fitted."""
        if self._faults.version != self._seen:
            self._apply()
        if self.dirty:
            self._inputs = self._build()
            if self._read:
                self._inputs = replace(self._inputs, **self._read)
            self.dirty = False
        if self._noise:
            return self._noisy(rng)
        return self._inputs

    def _build(self) -> Inputs:
        fitted = self._fitted
        f = self._faults
        drain_open = self.draining or self.drain_open or "drain_open" in f
        return Inputs(
            estop_closed=self.estop_closed,
            level_wet=self.level_wet,
            cutout_closed=self.cutout_closed,
            k1_open=not self.k1_closed,
            k2_open=not self.k2_closed,
            mixer_proof=self.mixer_proof,
            green=self.green,
            black=self.black,
            blue=self.blue,
            lid_closed=not self.lid_stands_open if "lid_closed" in fitted else None,
            vent_proof=self.vent_turns if "vent_proof" in fitted else None,
            vapour_low=self.vapour_low if "vapour_low" in fitted else None,
            sump_dry=(not (self.sump_wet or "sump_wet" in f)
                      if "sump_dry" in fitted else None),
            drain_closed=not drain_open if "drain_closed" in fitted else None,
            cutout2_closed=self.cutout2_closed if "cutout2_closed" in fitted else None,
        )

    def _noisy(self, rng: Random) -> Inputs:
        levels = [getattr(self._inputs, name) for name in INPUT_NAMES]
        return Inputs(*[
            level if level is None or rng.random() >= self._noise else not level
            for level in levels
        ])
