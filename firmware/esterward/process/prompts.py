"""Every question the batch asks: its words, how it is answered, what an answer is worth.

Answer kinds: "yes" green short; "yesno" green short or blue short; "gate" green held 2 s;
"gateno" green held 2 s or blue short; "pump" blue short, while green runs the pump by hand;
"washed" green and blue held 5 s together, or blue short for not yet. Words in braces are
filled from the batch sheet by words(). The question is not asked while `asks_if` (a fact) is
false; then `instead` is shown, and `calls` says that it wants somebody to do something.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

ANSWERS: Final = {
    "yes": "green = yes",
    "yesno": "green = yes, blue = no",
    "gate": "hold green 2 s = yes",
    "gateno": "hold green 2 s = yes, blue = no",
    "pump": "keep green pressed = the pump runs, blue = no",
    "washed": "hold green and blue 5 s = yes, blue = not yet",
}


@dataclass(frozen=True, slots=True)
class Prompt:
    """One question. evidence: what a yes proves for the washing."""

    kind: str
    text: str
    asks_if: str = ""
    instead: str = ""
    calls: bool = False
    evidence: str = ""


TOO_WARM: Final = (
    "The methoxide was told at {methoxide_c} degC, and above 45 degC none may be dosed. Vented, in "
    "the open, stand it in cold water; then tell what it has come down to, with `esterward record "
    "add methoxide NUMBER degC`.")

PROMPTS: Final[dict[str, Prompt]] = {
    "fill": Prompt("pump", "Fill in {oil_l} L of oil until the level float is wet; the pump runs "
                   "while green is kept pressed, {hand_s} s a press at most. More to come?"),
    "filled": Prompt("gateno", "The pump is off. {oil_l} L of oil in, the level float wet, hose "
                     "off and valve shut?"),
    "melt": Prompt("gate", "The oil is set fat: the element warms it in pulses, 6 s of every "
                   "minute, the mixer off; {melt_h}. Stay near, press green at least once an "
                   "hour. Break a hole through the crust down to the element, so that what "
                   "melts can rise, and see that the float moves freely. Is it liquid down to "
                   "the pump, no lumps left that could stall it?"),
    "try": Prompt("pump", "Heat is off. Keep green pressed: the pump runs by hand. Does it only "
                  "hum, let go at once. After 10 s of flow heating begins, with the mixer; blue "
                  "melts on. Does it flow?"),
    "drain_water": Prompt("yes", "Drain the water from the bottom until clean oil comes. The "
                          "oil is hot: gloves, slowly. Drained, valve shut?"),
    "sheet": Prompt("gate", "{readings}: weigh {mass_g} g of {kind} ({purity} %), measure "
                    "{methanol_l} L of methanol for {oil_l} L of oil. {shares}{warnings}Right?",
                    asks_if="sheet_ready", instead="{sheet_waits}", calls=True),
    "dissolve": Prompt("yes", "{part_dissolved}Outdoors, no flame, goggles and gloves: "
                       "{dose_g} g of {kind} slowly INTO {dose_l} L of methanol, vented, never the "
                       "other way. No grains left and below 45 degC (better 35)?",
                       asks_if="methoxide_cool", instead=TOO_WARM, calls=True),
    "dissolve_share": Prompt("yes", "{part_dissolved}Second share: {share_g} g of {kind} slowly "
                             "INTO {share_l} L of methanol, vented, never the other way. Goggles, "
                             "gloves, outdoors, no flame. No grains left and below 45 degC?",
                             asks_if="methoxide_cool", instead=TOO_WARM, calls=True),
    "dissolve_second": Prompt("yes", "{part_dissolved}Second dose, for {second_for}: {second_g} "
                              "g of {kind} into {second_l} L of methanol. {second_why} Goggles, "
                              "gloves, vented, no flame. No grains left and below 45 degC?",
                              asks_if="methoxide_cool", instead=TOO_WARM, calls=True),
    "dose_gate": Prompt("gate", "{broken_off}Methoxide valve shut, lid shut, drain shut, nobody "
                        "near a flame. Open the gate to dosing?", asks_if="dose_permitted",
                        instead="{broken_off}Dosing waits: {dose_waits}"),
    "poured": Prompt("yes", "{broken_off}No flame, gloves, goggles, out of the vapour: add the "
                     "methoxide through the port {pour_pace}. All in, valve shut?"),
    "check": Prompt("yesno", "{stood}Conversion check (no flame, gloves): 3 mL of fuel in 27 mL of "
                    "methanol at 20 degC, shake, wait 5 min. Clear, nothing at the bottom? "
                    "(Clear does not prove a fuel standard.) If not, first tell the layer at the "
                    "bottom, which makes the second dose: `esterward record add unreacted NUMBER "
                    "mL`."),
    "unconverted": Prompt("yes", "After {second_doses} further doses the check still fails: as it "
                          "is this is NOT fuel. More methoxide is not the way; look for water, "
                          "a weak or old catalyst, a wrong weight or titration, with jars. It "
                          "can settle and be drained meanwhile. Go on to settling?"),
    "first_drain": Prompt("yes", "Glycerol should be down by now; look. Drain it now? Without "
                          "an answer it settles on."),
    "drain_first": Prompt("yes", "No flame, gloves, goggles, closed receiver: drain the dark "
                          "layer, stop at the colour change. Drained, valve shut?"),
    "drain_between": Prompt("yes", "No flame, gloves, goggles, closed receiver: drain the dark "
                            "layer of the first share, stop at the colour change; then the second "
                            "share goes in. Drained, valve shut?"),
    "drain_last": Prompt("yes", "No flame, gloves, goggles, closed receiver: drain the glycerol "
                         "(about {glycerol} L in all), stop at the colour change. Drained, "
                         "valve shut?"),
    "wash_water": Prompt("yes", "{part_in}Wash {wash_number}: add {wash_l} L of warm water as a "
                         "{wash_how} through the port, lid shut. In?"),
    "wash_drain": Prompt("yes", "Gloves, goggles, no flame: drain the wash water (caustic, holds "
                         "methanol; local rules for disposal). Drained, valve shut?"),
    "wash_clear": Prompt("yesno", "Is the drained wash water clear?", evidence="clear water"),
    "wash_ph": Prompt("yesno", "{ph_why}Is its pH that of the tap water?",
                      evidence="pH of the tap"),
    "wash_soap": Prompt("yesno", "Does the soap titration of the fuel pass?",
                        evidence="soap titration"),
    "washed": Prompt("washed", "Is all methanol out of the vessel? ({evidence})"),
    "dry": Prompt("yesno", "Clear is not dry: warm a jar of it, look for haze on cooling, or "
                  "weigh the loss. Dry?"),
    "fuel_check": Prompt("yes", "{not_fuel}Check the fuel (clear, no smell of methanol, soap, "
                         "acid) and note it. Done?"),
    "label": Prompt("yes", "{not_fuel}Filter, fill, label with date and batch; caustic and rags "
                    "away safely. Done?"),
}

START_QUESTION = "start"
CLEAR_QUESTION = "washed"
WAITS = "waits"  # stands for a question that cannot be asked yet
