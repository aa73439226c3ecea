"""Everything that is known to go wrong, row by row, and where it is tried.

A row is tried in a rehearsal when a named fault of plant/faults.py plays it; besides or
instead by a test, or on the bench list of wiring/bring-up.md, or the part is not offered.
rehearsed() looks the names up, so that the two tables cannot drift apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward_sim.plant.faults import ROWS

PROBES, BOARD = "tests/hardware/test_probes.py", "tests/hardware/test_board.py"
SWITCHES, PINS = "tests/hardware/test_switches.py", "tests/hardware/test_pins.py"
SUPPLY = "tests/hardware/test_supply.py"
WIRING, START = "tests/cli/test_wiring.py", "tests/tick/test_batch_flow.py"
RESTART = "tests/tick/test_restart_and_silence.py"
ENDS, RULE = "tests/processes/test_energy_ends.py", "tests/guard/test_rule.py"
GUARD, LOOP = "tests/guard/test_process.py", "tests/tick/test_loop.py"
EFFECTS, INTERLOCKS = "tests/safety/test_effects.py", "tests/safety/test_interlocks.py"
GAPS = "tests/tick/test_gap_after_gap.py"
CONTACTORS = "tests/safety/test_contactors.py"
TROUBLE, RESUME = "tests/record/test_trouble.py", "tests/record/test_resume.py"
JOURNAL, CUT = "tests/record/test_journal.py", "tests/record/test_power_cut.py"
FILES, QUANTITY = "tests/settings/test_files.py", "tests/settings/test_quantity.py"
REMOTE, LINK = "tests/telemetry/test_remote_requests.py", "tests/telemetry/test_link_alone.py"
BROKER = "tests/telemetry/test_link_with_mosquitto.py"
WITHOUT, SHEET = "tests/scenarios/test_without_broker.py", "tests/cli/test_sheet_checks.py"
BUTTONS, COMMANDS = "tests/values/test_buttons.py", "tests/cli/test_commands.py"
WHOLE = "tests/scenarios/test_whole_batch.py"
PERSON = "tests/sim/test_person.py"
EFFECT = "tests/safety/cause_and_effect.txt::"  # a line of it by its cause
STORY = "sim/scenarios/"                        # tests/scenarios/test_scenario_files.py tells it
# Every fault of the trials that this reactor can have, under all invariants.
SAMPLE = ("tests/trials/test_trials.py::"
          "test_a_fixed_sample_with_everything_fitted_breaks_none_either")
BENCH = "wiring/bring-up.md"


@dataclass(frozen=True, slots=True)
class CatalogueRow:
    """Code; what goes wrong; tests that try it (a file, or file::test); bench: its line on the
    bench list; absent: the part that is not offered, and so cannot fail; persons: who does it in a
    rehearsal."""

    code: str
    sentence: str
    tests: tuple[str, ...] = ()
    bench: str = ""
    absent: str = ""
    persons: tuple[str, ...] = ()


def rehearsed(code: str) -> tuple[str, ...]:
    """Names of the faults that play this row in a rehearsal."""
    return tuple(name for name, row in ROWS.items() if code in row.rows)


_Row = CatalogueRow
CATALOGUE: Final[tuple[CatalogueRow, ...]] = (
    # probes
    _Row("F-01", "A probe is unplugged: its file is gone or its check sum is wrong.", (PROBES,),
         bench="1-wire: pull the plug while reading"),
    _Row("F-02", "A probe is shorted and its bits are all one or all zero.", (PROBES,)),
    _Row("F-03", "A probe lost its supply for a moment and shows 85.0 degC.", (PROBES,)),
    _Row("F-04", "The oil truly is at 85.0 degC while it warms or dries.", (PROBES,)),
    _Row("F-05", "A probe reads far below anything possible when it is pulled.", (PROBES,)),
    _Row("F-06", "Part of the readings arrive with a wrong check sum.", (PROBES,)),
    _Row("F-07", "A probe repeats one value while the element is on.", (EFFECTS,)),
    _Row("F-08", "A probe repeats one value while nothing heats.",
         ("tests/safety/test_facts.py::test_a_probe_that_repeats_is_looked_for_only_in_mixed_oil",)),
    _Row("F-09", "A probe drifts slowly upward.",
         (EFFECT + "probes 3 K apart for long", SAMPLE)),
    _Row("F-10", "A probe drifts slowly downward: the dangerous way.",
         (EFFECT + "probes 3 K apart for long", SAMPLE)),
    _Row("F-11", "The two probes are exchanged.", (WIRING,)),
    _Row("F-12", "A probe fell out of its well and reads the air.",
         (STORY + "probe-out-of-its-well.toml",)),
    _Row("F-13", "A probe has bad contact in its well and lags.",
         ("tests/process/test_heating_hostile.py",)),
    _Row("F-14", "Reading a probe never returns.", (PROBES, ENDS)),
    _Row("F-15", "Reading a probe takes seconds each time.",
         ("tests/sim/test_rig_faults.py::test_a_slow_probe_gives_a_value_only_so_often",
          GAPS + "::test_a_probe_read_each_eight_seconds_is_told_once_and_no_question_flickers",
          EFFECT + "probe A slow", SAMPLE)),
    _Row("F-16", "The kernel's file for a probe holds garbage or half a text.", (PROBES,)),
    _Row("F-17", "A probe was replaced and has another number.", (WIRING,)),
    _Row("F-18", "A calculation gives not-a-number or infinity.",
         (RULE, "tests/values/test_messages.py", "tests/chemistry/test_refusals.py")),
    _Row("F-19", "Both probes are lost at once.", (ENDS,)),
    # heater chain
    _Row("F-20", "Element contactor K1 is welded shut.", (INTERLOCKS, RULE),
         bench="contactors weld"),
    _Row("F-21", "Safety contactor K2 is welded shut.", (INTERLOCKS, START)),
    _Row("F-22", "Both contactors are welded: only the cut-out and a person are left.",
         ("tests/plant/test_plant_faults.py",)),
    _Row("F-23", "A contactor does not close.", (INTERLOCKS,)),
    _Row("F-24", "The element gives half its power, or none.", (EFFECTS,)),
    _Row("F-25", "Twice the power, or half the oil: it warms too fast.", (EFFECTS,)),
    _Row("F-26", "The solid-state switch leaks or is shorted.",
         ("tests/plant/test_plant_faults.py",)),
    _Row("F-27", "A contactor chatters.", (CONTACTORS,)),
    _Row("F-28", "The residual-current device has tripped and no load runs.", (SAMPLE,)),
    _Row("F-29", "An independent thermal cut-out has opened.", (INTERLOCKS, RULE)),
    _Row("F-30", "An output stays on after its process has died.", (ENDS,),
         bench="lines after SIGKILL on this kernel"),
    _Row("F-31", "A line is high while the board boots.", (PINS,),
         bench="lgpio on the real chip"),
    _Row("F-32", "A relay board is on when its wire breaks.",
         (PINS, "tests/hardware/test_relays.py", "tests/hardware/test_beat.py"),
         absent="active-low outputs are refused"),
    # pump, mixer, valves
    _Row("F-33", "The mixer is switched on but does not run.", (INTERLOCKS,)),
    _Row("F-34", "The mixer stalls in the middle of mixing.",
         (WHOLE,)),
    _Row("F-35", "The pump runs dry.", (EFFECT + "mixer not proven", SAMPLE)),
    _Row("F-36", "The pump draws too much current.",
         absent="no current is measured; the mixer's own breaker acts"),
    _Row("F-37", "The mixer runs although it is switched off.", (INTERLOCKS,)),
    _Row("F-38", "A dosing pump or valve sticks open.",
         absent="no powered dosing: a person opens and shuts the methoxide valve"),
    _Row("F-39", "A flow meter gives no pulses.",
         absent="no flow meter: a person measures what goes in"),
    _Row("F-40", "The drain valve is not shut.", (EFFECT + "drain open",)),
    _Row("F-41", "The drain valve's switch contradicts itself or the valve.",
         (EFFECT + "drain open", SAMPLE)),
    # level, lid, vent, vapour, e-stop
    _Row("F-42", "The oil falls below the element.", (INTERLOCKS, RULE, ENDS)),
    _Row("F-43", "The level float sticks and says covered.", (START,)),
    _Row("F-44", "The level float sticks and says dry.", (START,)),
    _Row("F-45", "More is poured in than the vessel holds.", (STORY + "too-much-oil.toml",)),
    _Row("F-46", "The level contact chatters on waves or foam.", (SAMPLE,)),
    _Row("F-47", "The lid is opened.", (RULE,)),
    _Row("F-48", "The lid switch is bridged and never changes.", (SAMPLE,)),
    _Row("F-49", "The vent fan fails.", (EFFECT + "vent without flow",)),
    _Row("F-50", "The vent's proof says yes whatever the fan does.",
         ("tests/tick/test_vent_fan.py::"
          "test_a_switch_that_says_flow_with_the_fan_off_is_no_check_and_needs_no_fan",)),
    _Row("F-51", "Methanol vapour reaches the detector's alarm.",
         (EFFECT + "vapour", STORY + "vapour-in-mix.toml")),
    _Row("F-52", "Methanol vapour is far above the detector's alarm.", (EFFECT + "vapour",)),
    _Row("F-53", "The vapour detector is missing, poisoned or stuck.", (SAMPLE,)),
    _Row("F-54", "The emergency stop is pressed.", (INTERLOCKS, RULE, ENDS)),
    _Row("F-55", "The emergency stop's two ways disagree.", (SAMPLE,)),
    _Row("F-56", "A wire of the emergency stop is broken.", (SWITCHES,)),
    _Row("F-57", "Liquid stands in the sump.", (EFFECT + "sump wet",)),
    # power
    _Row("F-58", "The power fails while the oil is heated.", (RESTART, CUT)),
    _Row("F-59", "The power fails while methoxide runs in.", (START,)),
    _Row("F-60", "The power fails while it mixes.", (STORY + "blackout-in-mix.toml",)),
    _Row("F-61", "The power fails while it settles.", (STORY + "blackout-in-settle.toml",)),
    _Row("F-62", "The board reboots again and again on a bad supply.", (RESUME, JOURNAL)),
    _Row("F-63", "A dip drops the relays but not the computer.", (SAMPLE,),
         bench="supply dips"),
    _Row("F-64", "The board reports under-voltage.", (SUPPLY,),
         bench="under-voltage"),
    # software and storage
    _Row("F-65", "The controller or the guard raises an exception: tried once in the loop of the "
         "one and in the cycle of the other, not in every line.",
         (LOOP + "::test_outputs_are_off_when_the_loop_ends_however_it_ends", GUARD + "::"
          "test_an_exception_inside_a_cycle_gives_no_edge_and_ends_with_everything_low")),
    _Row("F-66", "The controller hangs.", (ENDS, RULE)),
    _Row("F-67", "The guard hangs.", (ENDS,)),
    _Row("F-68", "A beat goes on although the work behind it has stopped.", (GUARD,),
         bench="edge timing of the beat under load"),
    _Row("F-69", "The controller is starved and ticks late.",
         (LOOP, INTERLOCKS,
          GAPS + "::test_a_controller_late_on_and_on_is_told_once_with_nothing_energised",
          EFFECT + "controller late on and on")),
    _Row("F-70", "The controller is killed, as for want of memory.", (ENDS,)),
    _Row("F-71", "The disk is full, at any write.", (TROUBLE,)),
    _Row("F-72", "The card turns read-only.", (TROUBLE,)),
    _Row("F-73", "Confirming a write fails once and then seems to work.", (TROUBLE,)),
    _Row("F-74", "The record is cut short, changed or torn.", (RESUME, CUT)),
    _Row("F-75", "A settings file is missing, broken or edited by hand.",
         (FILES, "tests/guard/test_prepared.py")),
    _Row("F-76", "The wall clock jumps by hours or years.",
         (EFFECT + "wall clock jumps", STORY + "clock-jumps-in-settle.toml")),
    _Row("F-77", "Summer time begins or ends while it settles.",
         (STORY + "clock-jumps-in-settle.toml",)),
    _Row("F-78", "Nobody knows the time of day after a boot.", (RESUME,)),
    _Row("F-79", "A second controller or guard is started.", (JOURNAL, ENDS)),
    _Row("F-80", "The pin library cannot open its chip or write in its folder.", (BOARD,)),
    _Row("F-81", "A library is missing or of another version.", (BOARD, COMMANDS)),
    _Row("F-82", "The record grows until the card is full.", ("tests/record/test_bound.py",)),
    # network
    _Row("F-83", "The broker is down at the start or all night.", (WITHOUT, LINK)),
    _Row("F-84", "The broker is frozen or half connected.", (BROKER, LINK)),
    _Row("F-85", "Requests flood in faster than they are taken.", (BROKER,)),
    _Row("F-86", "A request is malformed, huge or of the wrong type.", (REMOTE, BROKER)),
    _Row("F-87", "A retained request of last week is delivered.", (REMOTE, BROKER)),
    _Row("F-88", "A request is delivered a second time.", (REMOTE, BROKER)),
    _Row("F-89", "A retained request arrives looking like a fresh one.", (REMOTE,)),
    _Row("F-90", "A stranger sends requests.", (REMOTE, START)),
    _Row("F-91", "The network goes and comes back with other addresses.", (LINK, BROKER)),
    _Row("F-92", "A callback of the network library blocks or raises.", (BROKER, LINK)),
    # people
    _Row("F-93", "Somebody does things in the wrong order.", (PERSON, START),
         persons=("wrong-order",)),
    _Row("F-94", "A button is pressed twice, bounces or sticks.", (PERSON, BUTTONS),
         persons=("double-press",)),
    _Row("F-95", "A volume is typed ten times too large, or with a decimal comma.", (QUANTITY,)),
    _Row("F-96", "Units are mixed up: degF, gallons, coulombs.", (QUANTITY,)),
    _Row("F-97", "The wrong base, its purity or its weight.",
         ("tests/chemistry/test_charge.py", SHEET)),
    _Row("F-98", "A question is answered without looking.", (START,)),
    _Row("F-99", "The drain is opened while it mixes.",
         (STORY + "drain-opened-while-mixing.toml",)),
    _Row("F-100", "Everybody walks away.", (START, WHOLE), persons=("absent",)),
    _Row("F-101", "A latch is reset again and again to get going.",
         (PERSON + "::test_a_latch_reset_again_and_again_becomes_a_lock_out",)),
    _Row("F-102", "A bypass for service is left on.", absent="there is no bypass"),
    # surroundings
    _Row("F-103", "The altitude is missing or wrong, or the barometer shows sea-level pressure.",
         ("tests/chemistry/test_boiling.py", FILES)),
    _Row("F-104", "The air pressure falls by 5 kPa over a night.",
         (SAMPLE, STORY + "low-barometer.toml")),
    _Row("F-105", "Frost: thick oil, cold room.", (SAMPLE, STORY + "set-fat.toml")),
    _Row("F-106", "A very hot room.", absent="no probe in the room or the box"),
    _Row("F-107", "Interference flips inputs at random.", (SWITCHES,), bench="interference"),
    _Row("F-108", "Insects or dew on the vapour detector.", (SAMPLE,)),
)


def tried(row: CatalogueRow) -> tuple[str, ...]:
    """Where a row is tried, in words, one entry each."""
    names = rehearsed(row.code)
    return (*((f"rehearsal: {', '.join(names)}",) if names else ()),
            *((f"rehearsal: --person {', '.join(row.persons)}",) if row.persons else ()),
            *(f"test: {name}" for name in row.tests),
            *((f"bench: {BENCH}, {row.bench}",) if row.bench else ()),
            *((f"not offered: {row.absent}",) if row.absent else ()))
