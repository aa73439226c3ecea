"""Pins of a real process that lead to the bench process: a gpiozero pin factory on shared bytes.

Selected with GPIOZERO_PIN_FACTORY=esterward-bench (entry-point group gpiozero_pin_factories) and
ESTERWARD_BENCH=FILE, the file the bench made. As on a board, a level stays when the process
that drove it is killed: nothing is written then.
"""

from __future__ import annotations

import mmap
import os
from pathlib import Path
from typing import Any, Final

from gpiozero.pins.mock import MockFactory, MockPin

VARIABLE: Final = "ESTERWARD_BENCH"
LINES: Final = 28
SIZE: Final = 96
RELEASED, LOW, HIGH = 0, 1, 2
_IN: Final = 32
_WRITES: Final = 64


class SharedBoard:
    """Three bytes a line: what drives it (0 nobody, 1 low, 2 high), what an input reads, and how
    often it was driven (modulo 256): a level that is only confirmed is a sign of life too."""

    def __init__(self, path: str | Path, create: bool = False) -> None:
        if create:
            Path(path).write_bytes(bytes(SIZE))
        with Path(path).open("r+b") as file:
            self._bytes = mmap.mmap(file.fileno(), SIZE)

    def drive(self, bcm: int, state: int) -> None:
        self._bytes[bcm] = state
        self._bytes[_WRITES + bcm] = (self._bytes[_WRITES + bcm] + 1) % 256

    def driven(self, bcm: int) -> bool:
        """The level on the wire: high only if driven so; everything else is at its pull-down."""
        return self._bytes[bcm] == HIGH

    def claimed(self, bcm: int) -> bool:
        return self._bytes[bcm] != RELEASED

    def writes(self, bcm: int) -> int:
        return self._bytes[_WRITES + bcm]

    def put(self, bcm: int, level: bool) -> None:
        self._bytes[_IN + bcm] = int(level)

    def reads(self, bcm: int) -> bool:
        return self._bytes[_IN + bcm] == 1


class BenchPin(MockPin):  # type: ignore[misc]
    """A pin whose level is outside this process."""

    board: SharedBoard

    @property
    def _bcm(self) -> int:
        return int(self.info.name.removeprefix("GPIO"))

    def _set_function(self, value: str) -> None:
        super()._set_function(value)
        if value == "input":
            self.board.drive(self._bcm, RELEASED)

    def _set_state(self, value: Any) -> None:
        super()._set_state(value)
        self.board.drive(self._bcm, HIGH if value else LOW)

    def _get_state(self) -> bool:
        if self._function == "input":
            return self.board.reads(self._bcm)
        return bool(self._state)


class BenchFactory(MockFactory):  # type: ignore[misc]
    """The factory; the bench's file must be there."""

    def __init__(self) -> None:
        shared = SharedBoard(os.environ[VARIABLE])
        super().__init__(pin_class=type("BenchPin", (BenchPin,), {"board": shared}))
