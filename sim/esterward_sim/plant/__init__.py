"""The simulated reactor: physics that can misbehave. plant.Plant is all that others need."""

from esterward_sim.plant.lines import LOW, Lines
from esterward_sim.plant.plant import Plant

__all__ = ["LOW", "Lines", "Plant"]
