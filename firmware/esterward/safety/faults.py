"""Every fault a person can be told of: code, how bad, how it is reset, what to do.

Codes are short and stable; they are in the record, on MQTT and in `record reset`. Severity:
"trip" latches and removes energy, "fault" holds or withholds, "alarm" warns, "note" tells.
Reset: "auto" goes when the cause goes; "local" needs blue held 5 s at the reactor; "service"
needs besides `esterward record reset CODE --why TEXT` typed on the machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Fault:
    """One row; sentence says what happened, action what to look at and do."""

    code: str
    severity: str
    reset: str
    sentence: str
    action: str


FAULTS: Final[dict[str, Fault]] = {row.code: row for row in (
    Fault("e-stop", "trip", "local", "The emergency stop is pressed or its loop is broken.",
          "Release it when all is safe, then hold blue 5 s."),
    Fault("cut-out", "trip", "service", "The independent thermal cut-out has opened.",
          "Find out why it got hot and reset it by hand on the device. Type what it was, then "
          "hold blue 5 s."),
    Fault("guard-silent", "trip", "local", "The guard has stopped speaking.",
          "See whether the guard process runs; once it speaks again, hold blue 5 s."),
    Fault("guard-refuses", "fault", "local", "The guard does not close the safety contactor.",
          "Read the guard's own latches; cause gone, then hold blue 5 s."),
    Fault("guard-disagrees", "trip", "service",
          "Guard and controller disagree on flag, limits or configuration.",
          "Run `esterward guard --prepare` again, restart both, answer the methanol question."),
    Fault("over-trip", "trip", "local", "The oil is at or above the trip limit.",
          "Power off at the isolator if it still rises. Find the cause before going on."),
    Fault("over-alarm", "alarm", "auto",
          "The oil is at or above the alarm limit, or was within the last 10 minutes.",
          "Keep away from the vent; heat stays off for 10 minutes after."),
    Fault("probe-a", "trip", "local", "Probe A gives no usable reading, or not for long.",
          "Check plug, cable and thermowell of probe A."),
    Fault("probe-b", "trip", "local",
          "Probe B (the guard's) gives no usable reading, or not for long.",
          "Check plug, cable and thermowell of probe B."),
    Fault("probe-a-slow", "alarm", "auto", "Probe A gives readings too seldom, gap after gap.",
          "Check its plug and wires: a short cable, two probes at most on one bus. Dosing waits "
          "until it has read well for some minutes."),
    Fault("probe-b-slow", "alarm", "auto",
          "Probe B (the guard's) gives readings too seldom, gap after gap.",
          "Check its plug and wires: a short cable, two probes at most on one bus. Dosing waits "
          "until it has read well for some minutes."),
    Fault("probes-apart", "trip", "local", "Probes A and B differ too much.",
          "See that both sit in their wells and the pump runs; do the two-point check."),
    Fault("probe-stuck", "trip", "local", "One probe repeats a value while the other moves.",
          "Either may be wrong: do the two-point check of both before replacing one."),
    Fault("level", "trip", "local", "The level float is dry: the element may be bare.",
          "Look for a leak or an open drain. Cover the element before any heat."),
    Fault("mixer", "trip", "local", "The mixer runs but does not prove itself.",
          "Check pump, hose, valve and the proof switch."),
    Fault("mixer-runs-on", "trip", "service", "The mixer runs although it is switched off.",
          "Switch off at the isolator; the mixer's relay may be welded."),
    Fault("k1-welded", "trip", "service", "Element contactor K1 is closed against command.",
          "Switch off at the isolator. Replace K1 before any heat."),
    Fault("k1-open", "fault", "auto", "Element contactor K1 does not close.",
          "Check its coil, its supply and the float in its coil circuit."),
    Fault("k2-welded", "trip", "service", "Safety contactor K2 is closed against command.",
          "Switch off at the isolator. Replace K2 before any heat."),
    Fault("k2-open", "fault", "auto", "Safety contactor K2 does not close.",
          "See whether there is mains; check e-stop, cut-out, beat timer and coil supply."),
    Fault("k1-chatter", "trip", "service", "Element contactor K1 opens and closes unasked.",
          "Switch off at the isolator. Check K1's coil, terminals and supply, and its contacts."),
    Fault("k2-chatter", "trip", "service", "Safety contactor K2 opens and closes unasked.",
          "Switch off at the isolator. Check K2's coil, terminals, supply and beat timer."),
    Fault("no-response", "trip", "local", "The element is on but the oil does not warm.",
          "Check element, fuse and supply, the probe in its well, the litres declared."),
    Fault("over-response", "trip", "service", "The oil warms more than twice as fast as it can.",
          "Check the litres really in the vessel, the element's rated power and its voltage."),
    Fault("half-power", "alarm", "auto", "The oil warms at about half the expected rate.",
          "See whether every element and phase carries current; check the litres declared."),
    Fault("warming-off", "trip", "service", "The oil warms although the element is off.",
          "Switch off at the isolator: contactors or the solid-state switch may be stuck."),
    Fault("presence", "fault", "auto", "Nobody has pressed green for too long.",
          "Press green if you are there and all is well."),
    Fault("methanol", "note", "auto", "Heat is locked: methanol may be in the vessel.",
          "The batch coasts; heat comes back after the methanol statement."),
    Fault("lid", "trip", "local", "The lid is open.",
          "Shut the lid; if the batch is held, then hold blue 5 s."),
    Fault("vent", "trip", "local", "The vent does not prove its flow.",
          "Check fan and duct; nobody near the vapour."),
    Fault("vapour", "trip", "service", "Methanol vapour: the detector's contact is open, or was "
          "within the last 10 min.",
          "Leave, ventilate, isolate outside. No switches in the vapour."),
    Fault("sump", "trip", "local", "The sump is wet: something leaks.",
          "Find and stop the leak; mop up; keep flames away."),
    Fault("drain", "fault", "local", "The drain is not proven shut.", "Shut the drain valve."),
    Fault("cut-out-2", "trip", "service", "The low-range cut-out for warm-hold is open.",
          "Find out why; reset it by hand."),
    Fault("record", "fault", "local", "The record cannot store what happens.",
          "Free the disk or replace the card; then hold blue 5 s."),
    Fault("supply-low", "alarm", "auto",
          "The board reports under-voltage, or its voltage sensor cannot be read.",
          "Use the board's own supply and a short, thick cable; after 30 s of it heat goes off."),
    Fault("supply", "trip", "local",
          "Over 30 s of under-voltage, or the board's voltage sensor cannot be read.",
          "Use the board's own supply, a short, thick cable; restart the board when its sensor "
          "hangs; then hold blue 5 s."),
    Fault("unsteady", "alarm", "auto", "Heat, mixer or air is taken away again and again.",
          "The line `waits` names what for: look for a loose plug, air in the pump, a worn "
          "switch."),
    Fault("limits", "fault", "auto", "No boiling limit is known here.",
          "Add [site] altitude to reactor.toml."),
    Fault("restarts", "trip", "service",
          "The controller started three times in half an hour without a clean stop.",
          "Look at supply, plugs and the program's log. Type what it was, then hold blue 5 s."),
    Fault("record-lost", "trip", "service",
          "What was latched before this start is not known: its record cannot be believed.",
          "See in `esterward record show --events` what was latched last, and mend it. Type what "
          "it was, then hold blue 5 s."),
    Fault("guard-resets", "trip", "service",
          "The guard latched a cause again that was reset three times in this batch.",
          "Find and mend that cause before any heat. Type what it was, then hold blue 5 s."),
    Fault("slow", "fault", "auto",
          "The controller stood still for over 2 s, so all energy was taken off.",
          "See what stops or loads this computer; reset the guard's latch, then go on."),
    Fault("controller-late", "alarm", "auto",
          "The controller stands still for over 2 s, again and again.",
          "See what stops or loads this computer. Until that ends energy goes off each time and a "
          "press may go unseen."),
)}

# What a batch was held for, once that may be over: "Held (the lid was open)."
HELD_WORDS: Final[dict[str, str]] = {
    "e-stop": "the emergency stop was pressed or its loop broken",
    "cut-out": "the independent cut-out was open",
    "guard-silent": "the guard was silent",
    "guard-refuses": "the guard did not close K2",
    "guard-disagrees": "guard and controller disagreed",
    "over-trip": "the oil was at or above the trip limit",
    "probe-a": "probe A gave no usable reading",
    "probe-b": "probe B gave no usable reading",
    "probes-apart": "the probes differed too much",
    "probe-stuck": "one probe repeated a value",
    "level": "the level float was dry",
    "mixer": "the mixer did not prove itself",
    "mixer-runs-on": "the mixer ran although switched off",
    "k1-welded": "K1 was closed against command",
    "k1-open": "K1 did not close",
    "k2-welded": "K2 was closed against command",
    "k2-open": "K2 did not close",
    "k1-chatter": "K1 opened and closed unasked",
    "k2-chatter": "K2 opened and closed unasked",
    "no-response": "the oil did not warm with the element on",
    "over-response": "the oil warmed too fast",
    "warming-off": "the oil warmed with the element off",
    "presence": "nobody had pressed green",
    "lid": "the lid was open",
    "vent": "the vent did not prove its flow",
    "vapour": "there was methanol vapour",
    "sump": "the sump was wet",
    "drain": "the drain was not proven shut",
    "cut-out-2": "the low-range cut-out was open",
    "record": "the record could not store",
    "supply": "the board's supply was low or not readable",
    "restarts": "three starts without a clean stop",
    "record-lost": "what was latched was not known",
    "guard-resets": "the guard latched one cause again and again",
    "slow": "the controller stood still",
}
