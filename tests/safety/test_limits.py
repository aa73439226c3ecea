"""Every limit of the safety layer and of the guard, against a table kept by hand.

Nothing here is read from the code's tables: who changes a limit changes it here too, on purpose,
and with its source. Sources: [design] the project's own decision, no outside source; [DS18B20]
data sheet, range -55 to +125 degC, +/-0.5 K from -10 to +85 degC.
"""

from __future__ import annotations

import pytest

from esterward.guard import rule
from esterward.safety import effects, flag, limits, pressure

LIMITS = {
    # both ends of what is believed [DS18B20 above, design below], a step, and who confirms it
    "PROBE_LOW_C": -20.0, "PROBE_HIGH_C": 125.0, "PROBE_STEP_K": 5.0, "PROBE_CONFIRM": 3,
    # [design] heat off within 5 s of the last conversion, a fault at 10 s
    "PROBE_AGE_OFF_S": 4.4, "PROBE_AGE_LATCH_S": 10.0,
    # [design] two probes in turn [DS18B20: 0.75 s each], and one lost, are read within 4 s;
    # two gaps are told and forgotten in 200 s
    "PROBE_GAP_S": 4.0, "GAP_MOST_S": 6.0, "GAPS_TOLD_S": 10.0, "GAPS_FORGOTTEN": 0.05,
    # [design] one stands still for a minute while the other goes a kelvin
    "PROBE_STUCK_K": 1.0, "PROBE_STUCK_S": 60.0,
    # [design] 2 K up to where the sensor is accurate [DS18B20: 85 degC], 4 K above, for a minute
    "PROBES_APART_K": 2.0, "PROBES_APART_HOT_K": 4.0, "PROBES_ACCURATE_C": 85.0,
    "PROBES_APART_S": 60.0, "MIXED_BEFORE_COMPARE_S": 60.0, "UNMIXED_FREE_S": 120.0,
    # [design] the guard speaks four times a second
    "GUARD_SILENT_S": 1.5, "GUARD_ENABLES_S": 1.5, "GUARD_REFUSES_S": 4.5, "FLAGS_APART_S": 5.0,
    "FLAG_STORED_S": 10.0, "FLAG_FOLLOWS_S": 4.0, "FLAG_SILENT_S": 10.0, "PRESSURE_STEP_KPA": 0.05,
    "PRESSURES_APART_KPA": 0.5, "PRESSURES_APART_S": 60.0, "BAROMETER_AGE_S": 600.0,
    # [design] float wet for 10 s, contactors 1.5 s on and 1 s off, mixer and vent 5 s
    "LEVEL_WET_S": 10.0, "READBACK_S": 1.5, "READBACK_AGE_S": 0.6, "READBACK_OFF_S": 1.0,
    # [design] an open lid is told in a minute; what was taken away waits 30 s, and two minutes of
    # that are told; over 4 edges in 10 s
    "LID_OPEN_TOLD_S": 60.0, "BACK_S": 30.0, "BACK_TOLD_S": 120.0,
    "CHATTER_EDGES": 4, "CHATTER_S": 10.0, "CHATTER_AT_REST": 1.0 / 60.0,
    "MIXER_START_S": 5.0, "MIXER_STOP_S": 5.0, "VENT_START_S": 5.0,
    # heat of liquid triolein between 20 and 55 degC, J/kg/K
    "OIL_J_PER_KG_K": 2030.0,
    # [design] set fat: an eighth of the time up to 50 degC; 100 kJ/kg to melt is from memory
    "MELT_MOST_C": 50.0, "MELT_SHARE": 0.125, "MELT_BURST_S": 6.0, "MELT_UNKNOWN_S": 60.0,
    "MELT_SHORT_K": 49.261, "TYPED_LOSS_DOUBT": 2.0,
    # [design] somebody each hour, each half hour with methanol, asked for five minutes before
    "PRESENCE_CLEAR_S": 3600.0, "PRESENCE_SET_S": 1800.0, "PRESENCE_WARN_S": 300.0,
    # [design] ten minutes without heat after the alarm limit, [practice] and without vapour
    "ALARM_REST_S": 600.0, "VAPOUR_REST_S": 600.0,
    "TOLD_AT_REST_S": 60.0, "RECORD_FAULT_S": 10.0,
    # [design] half a minute of under-voltage, forgotten after ten seconds without
    "SUPPLY_LOW_S": 30.0, "SUPPLY_GOOD_S": 10.0,
    "TICK_S": 1.0, "TICK_GAP_S": 2.0,
    "UNCLEAN_STARTS": 3, "RESETS_ALLOWED": 3, "LOCAL_WORD_S": 600.0,
}
GUARD = {
    "SILENCE_S": 2.0, "LAPSED_S": 2.0, "CYCLE_S": 0.25, "FUTURE_S": 0.1, "PROBE_AGE_S": 4.4,
    "PROBE_LOW_C": -20.0, "PROBE_HIGH_C": 125.0, "PROBE_STEP_K": 5.0, "PROBE_CONFIRM": 3,
    "READBACK_S": 0.6, "FLAGS_APART_S": 5.0, "PRESSURES_APART_KPA": 0.5,
    "PRESSURE_STEP_KPA": 0.05, "PRESSURES_APART_S": 60.0, "BAROMETER_AGE_S": 600.0,
    "CLEAR_WINDOW_S": 10.0,
}
# [design] argued in docs/explanation/heater-law.md; litre and joule from Esteban 2012 and triolein.
EFFECTS = {
    "OIL_KG_PER_L": 0.918, "OIL_J_PER_KG_K": 2030.0, "OIL_J_PER_L_K": 1863.54,
    "MARK_K": 0.4, "MARKS": 6, "ARRIVED_K": 0.65,
    "ON_SHARE": 0.5, "NONE_SHARE": 0.30, "HALF_SHARE": 0.60, "HALF_MARKS": 3, "OVER_SHARE": 1.60,
    "GRAIN_K": 0.25, "SLOW_MARK_K": 1.0, "SLOW_MARKS": 4, "SLOW_HALF_SHARE": 0.65,
    "SLOW_OVER_SHARE": 1.31, "SETTLED_SHARE": 0.85, "CHANGED_HALF": 0.68, "CHANGED_OVER": 1.5,
    "PLAINLY_WHOLE": 0.70, "SLOW_IN_A_ROW": 2, "LOSS_SHARE": 0.30, "PLATEAU_C": 90.0,
    "OFF_ENDS_S": 30.0, "SLOW_ELEMENT_S": 90.0, "SLOW_PROBE_S": 60.0, "SLOW_LAG_S": 150.0,
    "STORED_DOUBT": 1.25, "ALL_FREED_K": 0.02, "WARMING_K": 1.0, "SURE_LOSS_SHARE": 0.5,
    "OTHER_HEAT_SHARE": 0.25, "TICK_AT_MOST_S": 5.0,
}


@pytest.mark.parametrize(("module", "kept"), [
    (limits, LIMITS), (rule, GUARD), (flag, {}), (pressure, {}), (effects, EFFECTS)],
    ids=["limits", "guard", "flag", "pressure", "effects"])
def test_every_limit_is_what_the_hand_kept_table_says(
    module: object, kept: dict[str, float],
) -> None:
    found = {name: value for name, value in vars(module).items()
             if name.isupper() and type(value) in (int, float)}
    assert found == {name: pytest.approx(value, rel=1e-5) for name, value in kept.items()}


@pytest.mark.parametrize("name", [
    "PROBE_LOW_C", "PROBE_HIGH_C", "PROBE_STEP_K", "PROBE_CONFIRM", "FLAGS_APART_S",
    "PRESSURE_STEP_KPA", "PRESSURES_APART_KPA", "PRESSURES_APART_S", "BAROMETER_AGE_S"])
def test_guard_and_controller_judge_the_same_thing_by_the_same_number(name: str) -> None:
    """So that neither accuses the other of what it would pass itself."""
    assert getattr(rule, name) == getattr(limits, name)


def test_the_heat_that_set_fat_may_swallow_lies_within_what_fats_take_to_melt() -> None:
    """60 to 120 kJ/kg, from memory; by 2.03 kJ/kg/K of oil."""
    assert 60e3 / 2030.0 < limits.MELT_SHORT_K < 120e3 / 2030.0
