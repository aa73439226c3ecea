"""The cause-and-effect table: which proven fact each output needs, and what its loss does.

A row never asks which stage the batch believes it is in, and of the few words of the process that
its facts are told none can loosen more than docs/decisions/010 allows it. `needs` names a fact of
safety.facts, which is True only when proven, so that a NaN, a None or a silence reads False.
`removes` acts in the same tick and as long as the fact is missing; what it stopped waits on for
limits.BACK_S (safety.gate), so that no contactor follows a flickering proof. When the fact has been
missing for `after_s` while `when` held, the fault is raised: reaction "hold", "abort",
"pause" or "" and a latch or not. Of several rows the first is the reason people are told, a
row that aborts before one that holds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from esterward.safety import limits

HEAT, MIXER, AIR = "heat", "mixer", "air"
ALL: Final = (HEAT, MIXER, AIR)


@dataclass(frozen=True, slots=True)
class Interlock:
    """One row. when: a condition of safety.facts that must hold for the fault to be raised."""

    code: str
    needs: str
    removes: tuple[str, ...]
    reaction: str
    latches: bool
    when: str
    after_s: float = 0.0
    name: str = field(init=False)  # of this very row: what is remembered of it goes by that

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", f"{self.code}/{self.needs}/{self.when}")


INTERLOCKS: Final[tuple[Interlock, ...]] = (
    # First: where nobody looked or nothing is heard, every other fact is only not known.
    Interlock("slow", "tick_on_time", ALL, "hold", False, "flowed"),
    Interlock("guard-silent", "guard_heard", ALL, "hold", True, "wanted"),
    Interlock("e-stop", "estop_closed", ALL, "abort", True, "heard"),
    Interlock("cut-out", "cutout_closed", ALL, "abort", True, "heard"),
    Interlock("vapour", "vapour_ok", ALL, "abort", True, "heard"),
    Interlock("sump", "sump_ok", ALL, "abort", True, "heard"),
    Interlock("over-trip", "below_trip", ALL, "abort", True, "known_clear"),
    Interlock("over-trip", "below_trip", ALL, "hold", True, "known_set"),
    Interlock("over-alarm", "below_alarm", (HEAT, AIR), "", False, "known"),
    Interlock("level", "level_wet", (HEAT,), "", False, "never"),
    Interlock("level", "level_now", (HEAT,), "hold", True, "heating"),
    Interlock("level", "level_or_hand", (MIXER,), "hold", True, "mixing"),
    Interlock("lid", "lid_ok", ALL, "hold", True, "energised_flag"),
    Interlock("lid", "lid_ok", (), "", False, "energised", limits.LID_OPEN_TOLD_S),
    Interlock("drain", "drain_ok", (HEAT, MIXER), "hold", True, "energised"),
    Interlock("vent", "vent_ok", ALL, "hold", True, "energised"),
    Interlock("cut-out-2", "cutout2_ok", (HEAT,), "hold", True, "heating"),
    Interlock("k1-chatter", "k1_quiet", ALL, "abort", True, "heard"),
    Interlock("k2-chatter", "k2_quiet", ALL, "abort", True, "heard"),
    Interlock("k1-welded", "k1_obeys_off", ALL, "abort", True, "heard"),
    Interlock("k2-welded", "k2_obeys_off", ALL, "abort", True, "heard"),
    Interlock("mixer-runs-on", "mixer_stops", ALL, "abort", True, "heard"),
    Interlock("guard-disagrees", "guard_agrees", ALL, "hold", True, "heard"),
    Interlock("probe-a", "probe_a_fresh", (HEAT, AIR), "hold", True, "energised",
              limits.PROBE_AGE_LATCH_S - limits.PROBE_AGE_OFF_S),
    Interlock("probe-b", "probe_b_fresh", (HEAT, AIR), "hold", True, "energised",
              limits.PROBE_AGE_LATCH_S - limits.PROBE_AGE_OFF_S),
    Interlock("probes-apart", "probes_agree", (HEAT, AIR), "", False, "never"),
    Interlock("probes-apart", "probes_together", (HEAT, AIR), "hold", True, "energised",
              limits.PROBES_APART_S),
    Interlock("probe-stuck", "probes_move", (HEAT, AIR), "hold", True, "heating"),
    Interlock("mixer", "mixer_or_melt", (HEAT,), "", False, "never"),
    Interlock("mixer", "mixer_starts", (HEAT, MIXER), "hold", True, "mixing"),
    Interlock("k2-open", "k2_obeys_on", (HEAT,), "hold", False, "energised"),
    Interlock("k1-open", "k1_obeys_on", (HEAT,), "hold", False, "heating"),
    Interlock("no-response", "element_warms", (HEAT,), "hold", True, "heating"),
    Interlock("over-response", "element_not_double", (HEAT,), "hold", True, "heating"),
    Interlock("half-power", "element_not_half", (), "", False, "heating"),
    Interlock("warming-off", "rests_when_off", ALL, "abort", True, "known"),
    # After a long stand energy waits for a press; the pause only follows the asking.
    Interlock("presence", "presence", ALL, "pause", False, "energised_asked"),
    Interlock("methanol", "methanol_allows_heat", (HEAT,), "", False, "never"),
    Interlock("record", "record_stores", (HEAT,), "hold", True, "energised"),
    Interlock("supply", "supply_recovers", (HEAT, AIR), "hold", True, "energised"),
    Interlock("limits", "limits_known", (HEAT,), "", False, "never"),
    Interlock("unsteady", "steady", (), "", False, "energised"),
    # Told also while nothing is energised: each of these ends every way on by button, or leaves a
    # rest waiting for a temperature that never comes.
    Interlock("guard-silent", "guard_heard", (), "", False, "guarded", limits.TOLD_AT_REST_S),
    Interlock("record", "record_stores", (), "", False, "always"),
    Interlock("supply-low", "supply_good", (), "", False, "always"),
    Interlock("probe-a", "probe_a_fresh", (), "", False, "always", limits.TOLD_AT_REST_S),
    Interlock("probe-b", "probe_b_fresh", (), "", False, "heard", limits.TOLD_AT_REST_S),
    # Each gap by itself is bridged or has a row above; one after the other they stop a batch for
    # hours without a word.
    Interlock("probe-a-slow", "probe_a_quick", (), "", False, "always"),
    Interlock("probe-b-slow", "probe_b_quick", (), "", False, "always"),
    Interlock("controller-late", "ticks_steady", (), "", False, "always"),
    Interlock("restarts", "starts_clean", ALL, "hold", True, "heard"),
    Interlock("record-lost", "past_known", ALL, "hold", True, "always"),
    Interlock("guard-resets", "guard_resets_left", ALL, "hold", True, "heard"),
    # Last: the guard mostly refuses for a cause that has a row above, which should be named.
    Interlock("guard-refuses", "guard_enables", (HEAT,), "hold", False, "energised",
              limits.GUARD_REFUSES_S - limits.GUARD_ENABLES_S),
)

# These facts ask less of the reactor once the methanol flag is clear, so that a latch of theirs may
# stay for as long as a doubtful flag, and everything latched behind it too.
ASK_LESS_WHEN_CLEAR: Final = ("below_trip", "cutout2_ok")
OF_THE_FLAG: Final = frozenset(
    row.code for row in INTERLOCKS if row.latches and row.needs in ASK_LESS_WHEN_CLEAR)


def waits_for_the_flag(latches: list[str]) -> bool:
    """The latch to be reset next may be one that only a clear methanol flag lets go."""
    return bool(latches) and latches[0] in OF_THE_FLAG
