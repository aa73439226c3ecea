"""Every limit of the safety layer, once, with where it comes from.

Temperatures that depend on pressure are in chemistry.boiling, the shares by which the element's
effect is judged in safety.effects beside the sums they were tried with; these are the rest.
Sources: [design] the project's own decision, argued in docs/explanation; [DS18B20] the
sensor's data sheet; [practice] common practice, no source.
"""

from __future__ import annotations

from typing import Final

PROBE_LOW_C: Final = -20.0            # [design] below this no reading of this rig is believable
PROBE_HIGH_C: Final = 125.0           # [DS18B20] end of the range
PROBE_STEP_K: Final = 5.0             # [design] more than this in one conversion is not oil
PROBE_CONFIRM: Final = 3              # [design] conversions that must agree after a refused step
# [design] oldest reading heat may stand on: with a look each 0.25 s and the contactor's 0.1 s the
# energy is off within 5 s of the last conversion's beginning; between two looks, so that no jitter
# decides
PROBE_AGE_OFF_S: Final = 4.4
PROBE_AGE_LATCH_S: Final = 10.0       # [design] older than this is a fault of its own
# [design] an older reading is a gap: a conversion takes 0.75 s [DS18B20], so two probes one after
# the other are read in under 2 s, and one lost reading between two leaves under 4 s
PROBE_GAP_S: Final = 4.0
GAP_MOST_S: Final = PROBE_AGE_LATCH_S - PROBE_GAP_S  # [design] of one gap: that tells nothing
GAPS_TOLD_S: Final = 10.0             # [design] two long gaps or some short ones
# [design] of the seconds in time: what is too late for 2 s of each minute never adds up, what was
# told is forgotten in 200 s
GAPS_FORGOTTEN: Final = 1.0 / 20.0
PROBE_STUCK_K: Final = 1.0            # [design] one moved this far while the other did not at all
PROBE_STUCK_S: Final = 60.0           # [design] and this long
PROBES_APART_K: Final = 2.0           # [design] up to PROBES_ACCURATE_C
PROBES_APART_HOT_K: Final = 4.0       # [design] above it: the sensor is +/-0.5 K only to 85 degC
PROBES_ACCURATE_C: Final = 85.0       # [DS18B20]
PROBES_APART_S: Final = 60.0          # [design] before it is a fault; heat goes off at once
MIXED_BEFORE_COMPARE_S: Final = 60.0  # [design] still oil has honest differences
UNMIXED_FREE_S: Final = 120.0         # [design] apart while unmixed: heat waits for this mixing
BACK_S: Final = 30.0                  # [design] without a reason, and what was taken may be back
BACK_TOLD_S: Final = 120.0            # [design] kept waiting for that so long is told
GUARD_SILENT_S: Final = 1.5           # [design] the guard speaks each 0.25 s
GUARD_ENABLES_S: Final = 1.5          # [design] energy wanted and not let through: heat goes off
GUARD_REFUSES_S: Final = 4.5          # [design] and the batch is held
LEVEL_WET_S: Final = 10.0             # [design] on-delay; off-delay is zero
LID_OPEN_TOLD_S: Final = 60.0         # [design] with the methanol flag clear; set, it is a fault
READBACK_S: Final = 1.5               # [design] a contactor follows its coil in 0.1 s
READBACK_AGE_S: Final = 0.6           # [design] the guard speaks each 0.25 s: two words missed
READBACK_OFF_S: Final = 1.0           # [design] a contact closed against command
CHATTER_EDGES: Final = 4              # [design] more that no command explains are chatter
CHATTER_S: Final = 10.0               # [design] within this time of the coil being on
CHATTER_AT_REST: Final = 1.0 / 60.0   # [design] of the time its coil is off counts: 10 min as 10 s
MIXER_START_S: Final = 5.0            # [design] time a commanded mixer has to prove itself
MIXER_STOP_S: Final = 5.0             # [design] time a stopped mixer may run down
VENT_START_S: Final = 5.0             # [design] time a commanded vent fan has to prove itself
# Set fat: pulses of the element without a proven mixer. The process gives 6 s of each minute.
MELT_MOST_C: Final = 50.0             # [design] of the hotter probe
MELT_SHARE: Final = 0.125             # [design] of the time at most, 10 % and late ticks
MELT_BURST_S: Final = 6.0             # [design] of element time not yet forgotten at that share
MELT_UNKNOWN_S: Final = 60.0          # [design] what a start assumes: 7 min until the first pulse
OIL_J_PER_KG_K: Final = 2030.0        # triolein, 20 to 55 degC: see substances.oil_heat_kj_per_kg_k
# [from memory] fats take 60 to 120 kJ/kg to melt when all set: 49 K of oil that is not melting.
MELT_SHORT_K: Final = 100e3 / OIL_J_PER_KG_K  # so much less than paid in may be seen till molten
TYPED_LOSS_DOUBT: Final = 2.0         # [design] so wrong may a loss typed for want of lagging be
PRESENCE_CLEAR_S: Final = 60 * 60.0   # [design] a press within this, methanol flag clear
PRESENCE_SET_S: Final = 30 * 60.0     # [design] and with the flag set
PRESENCE_WARN_S: Final = 5 * 60.0     # [design] horn this long before
ALARM_REST_S: Final = 10 * 60.0       # [design] heat stays off this long after the alarm limit
# [practice] of a detector that opens at 10 % of the lower explosive limit: shut again so long, and
# what is left is no pocket that comes back with the next draught
VAPOUR_REST_S: Final = 10 * 60.0
FLAGS_APART_S: Final = 5.0            # [design] guard and controller disagree
# [design] a clearing of the methanol flag: stored within this, and then the guard comes along. It
# needs a cycle and a write, and FLAGS_APART_S is a trip.
FLAG_STORED_S: Final = 10.0
FLAG_FOLLOWS_S: Final = 4.0
FLAG_SILENT_S: Final = 10.0           # [design] a guard not heard counts as one that says set
PRESSURE_STEP_KPA: Final = 0.05       # [design] smaller changes are the sensor's noise
PRESSURES_APART_KPA: Final = 0.5      # [design]
PRESSURES_APART_S: Final = 60.0       # [design]
# [design] older, it counts as no barometer. A violent fall of the air pressure is 1 kPa an hour
# (from memory), so in ten minutes it stays within the 1 kPa that is left for a barometer anyway.
BAROMETER_AGE_S: Final = 600.0
TOLD_AT_REST_S: Final = 60.0          # [design] a silence that stops nothing: after a restart too
RECORD_FAULT_S: Final = 10.0          # [design] what cannot be stored in this time is a fault
SUPPLY_LOW_S: Final = 30.0            # [design] of under-voltage, and heat is off
SUPPLY_GOOD_S: Final = 10.0           # [design] good this long, and it is forgotten
TICK_S: Final = 1.0                   # [design] what is new to a tick began at most this long ago
TICK_GAP_S: Final = 2.0               # [design] later, a tick grants nothing: the guard has let go
UNCLEAN_STARTS: Final = 3             # [F-62] within 30 min lock the controller out
RESETS_ALLOWED: Final = 3             # [design] of one cause in one batch, then a lock-out
LOCAL_WORD_S: Final = 600.0           # [design] how long a typed reset reason counts
