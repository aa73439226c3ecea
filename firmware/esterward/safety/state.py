"""What the safety layer remembers from tick to tick, plain enough for a checkpoint."""

from __future__ import annotations

from dataclasses import dataclass, field

from esterward.safety import limits
from esterward.safety.alarms import AlarmEntry
from esterward.safety.contactors import Contactor
from esterward.safety.effects import EffectState
from esterward.safety.gaps import Gaps
from esterward.safety.plausibility import ProbeJudge
from esterward.safety.supply import SupplyState


@dataclass(slots=True)
class SafetyState:
    """Judged probes, seconds since commands changed, latches, alarms, demands.

    *_s counters are seconds for which something has lasted. latches is first-out first.
    """

    probe_a: ProbeJudge = field(default_factory=ProbeJudge)
    probe_b: ProbeJudge = field(default_factory=ProbeJudge)
    effects: EffectState = field(default_factory=EffectState)
    k1: Contactor = field(default_factory=Contactor)
    k2: Contactor = field(default_factory=Contactor)
    supply: SupplyState = field(default_factory=SupplyState)
    gaps_a: Gaps = field(default_factory=Gaps)      # between readings of probe A
    gaps_b: Gaps = field(default_factory=Gaps)
    gaps_ticks: Gaps = field(default_factory=Gaps)  # between ticks
    heard_s: float = 0.0         # the guard, without a break
    k1_on_s: float = 0.0
    k1_off_s: float = 0.0
    enable_on_s: float = 0.0
    enable_off_s: float = 0.0
    refused_s: float = 0.0
    mixer_off_s: float = 0.0
    unproven_s: float = 0.0
    proven_s: float = 0.0
    vent_unproven_s: float = 0.0
    wet_s: float = 0.0
    apart_noted: bool = False
    flags_apart_s: float = 0.0
    pressures_apart_s: float = 0.0
    alarm_rest_s: float = 0.0
    vapour_rest_s: float = 0.0
    record_fault_s: float = 0.0
    unsaved: list[tuple[int, float]] = field(default_factory=list)  # to be on disk: event, age s
    presence_age_s: float | None = None
    presence_asked_s: float = 0.0  # it is asked for, and the horn sounds
    melt_s: float = limits.MELT_UNKNOWN_S  # element time, forgotten at limits.MELT_SHARE
    melt_short_k: float = 0.0    # what set fat has swallowed: paid in, mixed, and not seen
    melt_seen_c: float | None = None
    unclean_starts: int = 0      # within half an hour, until they are latched
    past_lost: bool = False      # nobody knows what was latched, until that is a latch itself
    bad_s: dict[str, float] = field(default_factory=dict)
    latches: list[str] = field(default_factory=list)
    resets: dict[str, int] = field(default_factory=dict)
    guard_latches: list[str] = field(default_factory=list)  # as last heard
    guard_resets: dict[str, int] = field(default_factory=dict)
    guard_over: list[str] = field(default_factory=list)  # latched after the last reset allowed
    reasons_age_s: dict[str, float] = field(default_factory=dict)
    pending_reset: str = ""
    pending_number: int = 0
    alarms: dict[str, AlarmEntry] = field(default_factory=dict)
    withheld: dict[str, str] = field(default_factory=dict)
    granted: list[str] = field(default_factory=list)  # in the last tick
    waits_s: dict[str, float] = field(default_factory=dict)  # output taken away -> until it is back
    waited_s: float = 0.0        # without a reason any more; forgotten while nothing waits
    hold: bool = False
    abort: bool = False
    pause: bool = False
    reason: str = ""             # code of the first row that demands one of them
    energised: bool = False      # the last tick wished for energy, whatever was granted
    restart_ok: bool = False     # and what the waiting step needs was proven in it

    @property
    def record_stores(self) -> bool:
        """What happened is on disk in time; without that no stage begins."""
        return (self.record_fault_s <= limits.RECORD_FAULT_S
                and (not self.unsaved or self.unsaved[0][1] <= limits.RECORD_FAULT_S))


def restarted(before: SafetyState) -> SafetyState:
    """What outlives a restart: latches and alarms, resets, and doubts. Every proof starts anew.

    Stamps and counted seconds are of another boot; nobody saw the time between. The last
    believed temperatures stay as what a first reading is compared with, not as readings.
    """
    return SafetyState(
        probe_a=ProbeJudge(good_c=before.probe_a.good_c),
        probe_b=ProbeJudge(good_c=before.probe_b.good_c),
        apart_noted=before.apart_noted, alarm_rest_s=before.alarm_rest_s,
        vapour_rest_s=before.vapour_rest_s,
        latches=before.latches, resets=before.resets, alarms=before.alarms,
        guard_latches=before.guard_latches, guard_resets=before.guard_resets,
        guard_over=before.guard_over,
        melt_short_k=before.melt_short_k, melt_seen_c=before.melt_seen_c,
        pending_reset=before.pending_reset, pending_number=before.pending_number)
