"""Every misbehaviour that can be given, by name, in one table.

A row says what goes wrong in one sentence, which row of the fault catalogue it plays, and what
its number means. A fault starts and may end; several may be active at once. The parts look
here: the plant's own (electrical.py, probes.py, plant.py), the computers and their links
(rig_faults.py) and the person (person.py); this file knows nothing about them.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True, slots=True)
class FaultRow:
    """name; rows of the fault catalogue; sentence; default number, its unit ("" = a switch) and
    the lowest and highest it may be."""

    name: str
    rows: tuple[str, ...]
    sentence: str
    value: float = 1.0
    unit: str = ""
    low: float = 1.0
    high: float = 1.0


def _probe_rows(probe: str) -> list[FaultRow]:
    p, who = f"probe_{probe}_", f"Probe {probe.upper()}"
    return [
        FaultRow(p + "lost", ("F-01", "F-19"), f"{who} is unplugged: no value comes."),
        FaultRow(p + "zero", ("F-02",), f"{who} is shorted: it reads -0.0625 degC."),
        FaultRow(p + "power_on", ("F-03",), f"{who} browned out: it reads 85.0 degC."),
        FaultRow(p + "far", ("F-05",), f"{who} reads far too low, as some do on unplugging.",
                 -109.875, "degC", -127.0, 124.0),
        FaultRow(p + "bursts", ("F-06",), f"{who} loses this share of its readings.", 0.5,
                 "share", 0.0, 1.0),
        FaultRow(p + "stuck", ("F-07", "F-08"), f"{who} repeats its last value."),
        FaultRow(p + "offset", ("F-09", "F-10"), f"{who} reads this much too high.", 3.0, "K",
                 -60.0, 60.0),
        FaultRow(p + "drift", ("F-09", "F-10"), f"{who} drifts upward by this much an hour.",
                 10.0, "K/h", -600.0, 600.0),
        FaultRow(p + "out_of_well", ("F-12",), f"{who} fell out of its well and feels the air."),
        FaultRow(p + "loose", ("F-13",), f"{who} sits badly: its lag is this many times longer.",
                 5.0, "times", 1.0, 50.0),
        FaultRow(p + "nan", ("F-18",), f"{who} gives not-a-number."),
    ]


# A wire that an output drives, held at one level whatever drives it: name -> (line, level).
DRIVEN_AS: dict[str, tuple[str, bool]] = {
    f"line_{line}_{'high' if level else 'low'}": (line, level)
    for line in ("k1", "ssr", "mixer", "air", "vent", "enable", "beat")
    for level in (True, False)
}
_LINE_ROWS = {True: ("F-30", "F-31"), False: ("F-23", "F-33")}

# An input that reads one level whatever the contact does: name -> (input, level).
READ_AS: dict[str, tuple[str, bool]] = {
    "estop_readback_lost": ("estop_closed", False),
    "estop_readback_stuck": ("estop_closed", True),
    "cutout_readback_lost": ("cutout_closed", False),
    "cutout_readback_stuck": ("cutout_closed", True),
    "cutout2_readback_stuck": ("cutout2_closed", True),
    "k1_mirror_lost": ("k1_open", False),
    "k1_mirror_stuck": ("k1_open", True),
    "k2_mirror_lost": ("k2_open", False),
    "k2_mirror_stuck": ("k2_open", True),
    "mixer_proof_lost": ("mixer_proof", False),
    "mixer_proof_stuck": ("mixer_proof", True),
    "level_readback_lost": ("level_wet", False),
    "level_readback_stuck": ("level_wet", True),
    "lid_switch_lost": ("lid_closed", False),
    "lid_stuck_closed": ("lid_closed", True),
    "vent_proof_lost": ("vent_proof", False),
    "vent_proof_stuck": ("vent_proof", True),
    "vapour_sensor_lost": ("vapour_low", False),
    "vapour_sensor_stuck": ("vapour_low", True),
    "sump_switch_stuck": ("sump_dry", True),
    "drain_switch_lost": ("drain_closed", False),
    "drain_switch_stuck": ("drain_closed", True),
    "green_stuck": ("green", True),
    "green_dead": ("green", False),
    "black_stuck": ("black", True),
    "black_dead": ("black", False),
    "blue_stuck": ("blue", True),
    "blue_dead": ("blue", False),
}

FAULTS: tuple[FaultRow, ...] = (
    *_probe_rows("a"),
    *_probe_rows("b"),
    FaultRow("probes_swapped", ("F-11",), "The two probes sit in each other's well."),
    # element and contactors
    FaultRow("k1_welded", ("F-20", "F-22"), "K1's main contacts are welded shut."),
    FaultRow("k2_welded", ("F-21", "F-22"), "K2's main contacts are welded shut."),
    FaultRow("k1_open_circuit", ("F-23",), "K1's coil is broken: it never closes."),
    FaultRow("k2_open_circuit", ("F-23",), "K2's coil is broken: it never closes."),
    FaultRow("k1_mirror_lost", ("F-20",), "The wire of K1's mirror contact is broken."),
    FaultRow("k2_mirror_lost", ("F-21",), "The wire of K2's mirror contact is broken."),
    FaultRow("k1_mirror_stuck", ("F-20",), "K1's mirror contact says open, always."),
    FaultRow("k2_mirror_stuck", ("F-21",), "K2's mirror contact says open, always."),
    FaultRow("k1_chatter", ("F-27",), "K1 chatters while its coil is on."),
    FaultRow("k2_chatter", ("F-27",), "K2 chatters while its coil is on."),
    FaultRow("element_half", ("F-24",), "The element gives half its power."),
    FaultRow("element_double", ("F-25",), "The element gives twice its power."),
    FaultRow("element_dead", ("F-24",), "The element gives no power."),
    FaultRow("ssr_shorted", ("F-26",), "The solid-state switch is shorted."),
    FaultRow("ssr_leaks", ("F-26",), "The solid-state switch leaks this share of the power.",
             0.02, "share", 0.0, 1.0),
    FaultRow("earth_fault", ("F-28",), "The residual-current device has tripped: no load runs."),
    FaultRow("cutout_open", ("F-29",), "The thermal cut-out is open."),
    FaultRow("cutout_readback_lost", ("F-29",), "The cut-out's read-back wire is broken."),
    FaultRow("cutout_readback_stuck", ("F-29",), "The cut-out's read-back says closed, always."),
    FaultRow("cutout2_readback_stuck", ("F-29",),
             "The second cut-out's read-back says closed, always."),
    FaultRow("cutout2_open", ("F-29",), "The second, low-range cut-out is open."),
    FaultRow("beat_timer_stuck", ("F-30",), "The beat timer never lapses."),
    FaultRow("beat_timer_dead", ("F-67",), "The beat timer never picks up."),
    # pump, drain
    FaultRow("mixer_stalled", ("F-33", "F-34"), "The mixer is driven but does not turn."),
    FaultRow("pump_dry", ("F-35",), "The pump turns but draws air."),
    FaultRow("pump_gulps", ("F-35",), "The pump draws air now and then."),
    FaultRow("mixer_runs_on", ("F-37",), "The mixer's switch sticks closed."),
    FaultRow("mixer_proof_lost", ("F-33",), "The mixer runs but its proof does not say so."),
    FaultRow("mixer_proof_stuck", ("F-37",), "The mixer's proof says it runs, always."),
    FaultRow("drain_open", ("F-40", "F-99"), "The drain valve stands open: the bottom runs out."),
    FaultRow("drain_switch_lost", ("F-41",), "The drain switch never says closed."),
    FaultRow("drain_switch_stuck", ("F-41",), "The drain switch says closed, always."),
    # level, lid, vent, vapour, e-stop
    FaultRow("level_low", ("F-42", "F-44"), "The level contact says dry."),
    FaultRow("level_stuck_wet", ("F-43",), "The level contact says covered, always."),
    FaultRow("level_readback_lost", ("F-44",), "The level's read-back wire is broken."),
    FaultRow("level_readback_stuck", ("F-43",), "The level's read-back says covered, always."),
    FaultRow("level_chatter", ("F-46",), "The level contact chatters."),
    FaultRow("lid_open", ("F-47",), "The lid stands open."),
    FaultRow("lid_switch_lost", ("F-47",), "The lid switch never says closed."),
    FaultRow("lid_stuck_closed", ("F-48",), "The lid switch says closed, always."),
    FaultRow("vent_failed", ("F-49",), "The vent fan does not turn."),
    FaultRow("vent_proof_lost", ("F-49",), "The fan turns but its proof does not say so."),
    FaultRow("vent_proof_stuck", ("F-50",), "The vent's proof says it runs, always."),
    FaultRow("vapour_high", ("F-51", "F-52"), "Vapour escapes beside the reactor.", 30.0,
             "% of the lower limit", 0.0, 1000.0),
    FaultRow("vapour_sensor_lost", ("F-53",), "The vapour detector's contact is open."),
    FaultRow("vapour_sensor_stuck", ("F-53", "F-108"), "The vapour detector never trips."),
    FaultRow("estop_pressed", ("F-54",), "The emergency stop is pressed."),
    FaultRow("estop_wire", ("F-56",), "A wire of the emergency-stop loop is broken."),
    FaultRow("estop_readback_lost", ("F-55",), "The emergency stop's read-back wire is broken."),
    FaultRow("estop_readback_stuck", ("F-55",),
             "The emergency stop's read-back says closed, always."),
    FaultRow("sump_switch_stuck", ("F-57",), "The sump switch says dry, always."),
    FaultRow("sump_wet", ("F-57",), "Liquid stands in the sump."),
    # buttons and driven lines
    *(FaultRow(f"{b}_{how}", ("F-94",), f"The {b} button {says}.")
      for b in ("green", "black", "blue")
      for how, says in (("stuck", "is stuck down"), ("dead", "makes no contact"))),
    *(FaultRow(name, _LINE_ROWS[level],
               f"The line {line} stays {'high' if level else 'low'} whatever drives it.")
      for name, (line, level) in DRIVEN_AS.items()),
    # supply and surroundings
    FaultRow("mains_lost", ("F-58", "F-59", "F-60", "F-61"), "The mains are off."),
    FaultRow("mains", ("F-25",), "The mains voltage is this many times nominal.", 0.9, "times",
             0.0, 1.5),
    FaultRow("coil_supply_lost", ("F-63",), "The supply of the relay coils has dropped."),
    FaultRow("supply_low", ("F-64",), "The board reports under-voltage."),
    FaultRow("input_noise", ("F-107",), "Each input flips at random in this share of readings.",
             0.3, "share", 0.0, 1.0),
    FaultRow("barometer_lost", ("F-103",), "The barometer gives no value."),
    FaultRow("barometer_sea_level", ("F-103",), "The barometer shows sea-level pressure."),
    FaultRow("barometer_stuck", ("F-104",), "The barometer repeats its last value."),
    FaultRow("weather", ("F-104",), "The air pressure moves by this much over eight hours.",
             -5.0, "kPa", -12.0, 6.0),
    FaultRow("room", ("F-105", "F-106"), "The room is at this temperature.", 42.0, "degC",
             -30.0, 60.0),
)

# What hits the computers, their clocks, links and disk; acted out by rig_faults.py.
RIG_FAULTS: tuple[FaultRow, ...] = (
    FaultRow("blackout", ("F-58", "F-59", "F-60", "F-61", "F-62"),
             "Mains and computer go off; at the end both come back and everything boots."),
    FaultRow("controller_hangs", ("F-66", "F-68"),
             "The controller stops looking; its output lines stay as they were."),
    FaultRow("controller_slow", ("F-69",), "The controller ticks only this often.", 3.0, "s",
             0.25, 60.0),
    FaultRow("guard_hangs", ("F-67",), "The guard stops; its lines stay as they were."),
    *(FaultRow(f"probe_{p}_{name}", rows, f"Probe {p.upper()}{sentence}", *number)
      for p in ("a", "b") for name, rows, sentence, number in (
          ("hangs", ("F-14",), "'s read does not return.", ()),
          ("slow", ("F-15",), " gives a value only this often.", (4.0, "s", 1.0, 60.0)))),
    FaultRow("clock_jump", ("F-76", "F-77"), "The wall clock jumps by this much.", 3600.0, "s",
             -4e9, 4e9),
    FaultRow("clock_unset", ("F-78",), "Nobody knows the time of day."),
    FaultRow("record_fails", ("F-71", "F-72", "F-73"), "The disk stores nothing more."),
    FaultRow("broker_gone", ("F-83", "F-91"), "The broker is gone; at the end it is back."),
)

# What the person does wrong; acted out by person.py. Shares are of what was asked for.
PERSON_FAULTS: tuple[FaultRow, ...] = (
    FaultRow("person_away", ("F-100",), "Nobody is at the reactor."),
    FaultRow("person_blind", ("F-98",),
             "Every question is answered yes at once, with nothing done and nothing looked at."),
    FaultRow("person_resets_again", ("F-101",), "The person resets a latch again and again."),
    FaultRow("oil_share", ("F-25", "F-45", "F-95"), "This share of the declared oil is poured.",
             0.5, "share", 0.05, 3.0),
    FaultRow("catalyst_share", ("F-97",), "This share of the catalyst is weighed in.", 0.5,
             "share", 0.0, 3.0),
    FaultRow("base_mistaken", ("F-97",), "The other base is weighed: NaOH for KOH, KOH for NaOH."),
    FaultRow("methanol_warm", (), "The methanol for the methoxide starts this warm.", 40.0,
             "degC", -10.0, 60.0),
    FaultRow("pour_share", (), "The methoxide is poured in this share of the time.", 0.2,
             "share", 0.02, 3.0),
    FaultRow("emulsion", (), "The wash is stirred too hard: its water falls this many times "
             "slower.", 10.0, "times", 1.0, 1000.0),
)

PLANT_ROWS: dict[str, FaultRow] = {row.name: row for row in FAULTS}
ROWS: dict[str, FaultRow] = {row.name: row for row in (*FAULTS, *RIG_FAULTS, *PERSON_FAULTS)}


class Faults:
    """The faults that are active now. version grows with every change."""

    __slots__ = ("_active", "version")

    def __init__(self) -> None:
        self._active: dict[str, float] = {}
        self.version = 0

    def start(self, name: str, value: float | None = None) -> None:
        """Begin a fault; value None takes the table's number. ValueError on an unknown name."""
        self._active[name] = _row(name).value if value is None else float(value)
        self.version += 1

    def end(self, name: str) -> None:
        """End a fault; nothing happens when it is not active."""
        _row(name)
        self._active.pop(name, None)
        self.version += 1

    def get(self, name: str) -> float | None:
        """The number of an active fault, None when it is not active."""
        return self._active.get(name)

    def __contains__(self, name: object) -> bool:
        return name in self._active

    def __bool__(self) -> bool:
        return bool(self._active)

    def names(self) -> tuple[str, ...]:
        """Names of the active faults in the order they began."""
        return tuple(self._active)


def _row(name: str) -> FaultRow:
    try:
        return ROWS[name]
    except KeyError:
        near = get_close_matches(name, ROWS, 1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise ValueError(f"no fault is called {name!r}{hint}") from None
