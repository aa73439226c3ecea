"""The simulated reactor: physics that can misbehave. plant.Plant is all that others need.

Where things are: lines (the wires in), electrical (contactors, timer, switches), probes,
thermal (heat), contents (amounts), vessel (the books of what flows in and out), dose (pours),
reaction, vapour, separation (settle, wash, dry), faults (the table), parameters, hands (what a
person does), observations (what a person sees).

What the model is from, what it was checked against and what it cannot show is in
docs/explanation/plant.md; read it before believing a result.
"""

from esterward_sim.plant.lines import LOW, Lines
from esterward_sim.plant.plant import Plant

__all__ = ["LOW", "Lines", "Plant"]
