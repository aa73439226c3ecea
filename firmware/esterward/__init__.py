"""Esterward: the controller of a home reactor. Start reading at tick.py."""

__version__ = "0.1.0"
