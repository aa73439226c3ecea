"""The simulated reactor: physics that can misbehave. plant.Plant is all that others need.

Where things are: lines (the wires in), electrical (contactors, timer, switches), probes,
thermal (heat), contents (amounts), vessel (the books of what flows in and out), dose (pours),
reaction, vapour, separation (settle, wash, dry), faults (the table), parameters, hands (what a
person does), observations (what a person sees).

What the model cannot show, so that no result is read as more than it is:
- Yield. The kinetic sets are from palm and soybean oil at 6:1, partly from memory; at 4.7:1 on
  used oil they are an extrapolation. A clear check here says nothing about a real fuel's ester.
- Layers that invert when much methanol is left, rag layers, gels, waxes, frozen pipes.
- Pressure: the vessel is always open to the air; a blocked vent is not modelled.
- Vapour outside the vessel: one number at one detector, no plume, no room.
- Fire, corrosion, leaks other than the drain, the electrics of an earth fault.
- Heat of neutralisation, and the heat of reaction unless given: both are uncertain in sign or
  size (0 +/- 25 kJ/mol triglyceride is 11 K either way).
- Two zones are a sketch of layering in still oil; they show that still oil is uneven, not how.
- Washing, emulsion and drop sizes are set so that the outcome is that of common practice.
- Contactors switch at whole steps; bounce and arcing are only the chatter fault.
"""

from esterward_sim.plant.lines import LOW, Lines
from esterward_sim.plant.plant import Plant

__all__ = ["LOW", "Lines", "Plant"]
