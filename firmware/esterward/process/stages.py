"""The day as one table: every step of every stage, what it wants, and "next, if".

A row wants outputs and may ask one question; it never switches anything itself: the gate of
the safety layer decides. Conditions are names of facts (see sequence.FACTS); "!" negates,
"&" joins; the first pair that holds wins. A batch loops, so there is no order here but this.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

STAGES: Final = ("fill", "dewater", "cool", "heat", "methoxide", "dose", "mix", "check",
                 "settle", "drain", "wash", "dry", "store")
FIRST_STEP: Final = "fill.pump"
DONE: Final = "done"


@dataclass(frozen=True, slots=True)
class Step:
    """One row.

    heat: what the heater aims at (a key of heating targets in control.py), empty = no heat;
    "melt" is no aim but short pulses, the only heat without the mixer;
    mixer, air: wanted running; prompt: key of the question (prompts.PROMPTS);
    timer: key of the step's time (timers.step_seconds), empty = none;
    sets_flag: the methanol flag is set on entry; sits: needs neither energy nor a person, so
    it goes on alone and over a restart; pours: something flows in;
    rests_warm: above the highest setpoint it heats no more, and in time the mixer rests too, as
    its pump may hold a lagged vessel there for ever; not while methoxide flows in or reacts;
    new_row: every entry is a repeat with a row of its own.
    """

    name: str
    title: str
    next: tuple[tuple[str, str], ...]
    heat: str = ""
    mixer: bool = False
    air: bool = False
    prompt: str = ""
    timer: str = ""
    sets_flag: bool = False
    sits: bool = False
    pours: bool = False
    rests_warm: bool = False
    new_row: bool = False
    stage: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "stage", self.name.partition(".")[0])


STEPS: Final[dict[str, Step]] = {row.name: row for row in (
    # Two steps, so that one button never means two things: in the first green only runs the pump
    # by hand and blue says that no more comes; in the second the pump is off and green held says
    # that all is in. A jog of the pump, however short or long, therefore answers nothing.
    Step("fill.pump", "fill in the oil", prompt="fill", pours=True, next=(("no", "fill.check"),)),
    Step("fill.check", "see whether all the oil is in", prompt="filled", next=(
        ("gate & level_wet & fat_set", "fill.melt"),
        ("gate & level_wet & dewater_off", "heat.warm"),
        ("gate & level_wet", "dewater.warm"),
        ("gate", "fill.pump"), ("no", "fill.pump"))),
    # Set fat: pulses of heat with nothing stirring, until a person trying by hand sees it flow.
    Step("fill.melt", "melt the set fat with short pulses of heat", heat="melt", prompt="melt",
         next=(("gate", "fill.try"),)),
    Step("fill.try", "try by hand whether the pump moves the fat", prompt="try", next=(
        ("flow_proven & dewater_off", "heat.warm"), ("flow_proven", "dewater.warm"),
        ("no", "fill.melt"))),

    Step("dewater.warm", "warm the oil so that water drops out", heat="dewater", mixer=True,
         next=(("at_target & dewater_boil", "dewater.boil"),
               ("at_target", "dewater.stand"))),
    Step("dewater.stand", "stand while water drops and the oil cools to the setpoint",
         timer="dewater_stand", sits=True, next=(("time_met & below_setpoint", "dewater.drain"),)),
    Step("dewater.drain", "drain the water", prompt="drain_water", next=(
        ("yes", "heat.warm"),)),
    Step("dewater.boil", "boil the water off", heat="boil", mixer=True, timer="dewater_boil",
         next=(("time_met & at_target", "cool.stand"),)),

    Step("cool.stand", "cool to the reaction temperature", sits=True, next=(
        ("below_setpoint", "heat.warm"),)),

    Step("heat.warm", "heat the oil; draw and titrate a warm sample meanwhile",
         heat="setpoint", mixer=True, rests_warm=True, next=(
             ("at_target", "methoxide.sheet"),)),

    Step("methoxide.sheet", "oil is kept warm until the batch sheet is confirmed",
         heat="setpoint", mixer=True, rests_warm=True, prompt="sheet", next=(
             ("gate & sheet_ready", "methoxide.dissolve"),)),
    Step("methoxide.dissolve", "dissolve the catalyst in the methanol", prompt="dissolve",
         timer="dissolve", next=(("yes & methoxide_cool", "dose.approach"),)),
    Step("methoxide.second", "dissolve the second dose", prompt="dissolve_second",
         timer="dissolve", new_row=True, next=(("yes & methoxide_cool", "dose.gate"),)),

    Step("methoxide.share", "dissolve the second share", prompt="dissolve_share",
         timer="dissolve", new_row=True, next=(("yes & methoxide_cool", "dose.gate"),)),

    Step("dose.approach", "bring the oil back to the dose temperature", heat="setpoint",
         mixer=True, rests_warm=True, next=(("at_target", "dose.off"),)),
    Step("dose.off", "wait until the heater is proven off", mixer=True, rests_warm=True, next=(
        ("heat_off_proven & below_limit", "dose.flag"),)),
    Step("dose.flag", "store that methanol may be in the vessel", sets_flag=True, next=(
        ("flag_stored", "dose.gate"),)),
    Step("dose.gate", "ready for the methoxide", mixer=True, rests_warm=True,
         prompt="dose_gate", next=(
             ("gate & dose_permitted & sheet_ready & mixer_proven & heat_off_proven & below_limit "
              "& flag_stored", "dose.pour"),)),
    Step("dose.pour", "add the methoxide slowly", mixer=True, prompt="poured", timer="pour",
         pours=True, next=(("yes", "mix.run"), ("pour_expired", "dose.gate"))),

    Step("mix.run", "mix and react", mixer=True, heat="warm_hold", timer="mix", next=(
        ("credit_met & share_left", "settle.between"),
        ("mix_at_most & share_left", "settle.between"),
        ("credit_met", "check.ask"), ("mix_at_most", "check.ask"))),
    Step("check.ask", "check the conversion", mixer=True, rests_warm=True, heat="warm_hold",
         prompt="check", next=(("yes", "settle.first"), ("no & second_allowed", "methoxide.second"),
               ("no", "check.failed"))),
    Step("check.failed", "further doses did not turn the oil over", prompt="unconverted",
         next=(("yes", "settle.first"),)),

    # A plan of two stages: the glycerol of the first share is drained before the second goes in.
    Step("settle.between", "stand until the first glycerol can be drained", timer="first_drain",
         sits=True, next=(("first_drain_allowed", "drain.between"),)),
    Step("drain.between", "drain the first glycerol", prompt="drain_between", next=(
        ("yes", "methoxide.share"),)),

    Step("settle.first", "settle; keep away", timer="settle", sits=True, next=(
        ("settled", "drain.last"), ("first_drain_allowed", "settle.offer"))),
    Step("settle.offer", "settle; a first drain is possible now", timer="settle", sits=True,
         prompt="first_drain", next=(("settled", "drain.last"), ("yes", "drain.first"))),
    Step("settle.rest", "settle; keep away", timer="settle", sits=True, next=(
        ("settled", "drain.last"),)),
    Step("drain.first", "drain the glycerol that is down", prompt="drain_first", next=(
        ("yes", "settle.rest"),)),
    Step("drain.last", "drain the glycerol", prompt="drain_last", next=(
        ("yes", "wash.water"),)),

    Step("wash.water", "add wash water", prompt="wash_water", pours=True,
         new_row=True, next=(
        ("yes & wash_stirred", "wash.stir"), ("yes", "wash.stand"))),
    Step("wash.stir", "stir the wash gently", mixer=True, timer="wash_stir", next=(
        ("time_met", "wash.stand"),)),
    Step("wash.stand", "let the wash water drop", timer="wash_stand", sits=True, next=(
        ("time_met", "wash.drain"),)),
    Step("wash.drain", "drain the wash water", prompt="wash_drain", next=(
        ("yes", "wash.clear"),)),
    Step("wash.clear", "look at the wash water", prompt="wash_clear", next=(
        ("yes", "wash.ph"), ("no & washes_left", "wash.water"), ("no", "wash.ph"))),
    Step("wash.ph", "test the wash water", prompt="wash_ph", next=(
        ("answered & evidence_met", "wash.statement"),
        ("answered & evidence_half", "wash.soap"),
        ("answered", "wash.water"))),
    Step("wash.soap", "titrate the soap", prompt="wash_soap", next=(
        ("answered & evidence_met", "wash.statement"), ("answered", "wash.water"))),
    Step("wash.statement", "say whether the methanol is out", prompt="washed", next=(
        ("flag_cleared", "dry.run"), ("no", "dry.run"))),

    Step("dry.run", "dry the fuel", heat="dry", mixer=True, air=True, timer="dry",
         new_row=True, next=(("time_met", "dry.ask"),)),
    Step("dry.ask", "check whether it is dry", prompt="dry", next=(
        ("yes", "store.check"), ("no & flag_cleared", "dry.run"), ("no", "dry.statement"))),
    # "Not yet" at the first statement dried without heat; what is still wet is asked about again.
    Step("dry.statement", "say whether the methanol is out", prompt="washed", next=(
        ("flag_cleared", "dry.run"), ("no", "dry.run"))),

    Step("store.check", "check the fuel", prompt="fuel_check", next=(("yes", "store.label"),)),
    Step("store.label", "filter, label, store", prompt="label", next=(("yes", DONE),)),
)}
