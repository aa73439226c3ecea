"""Real gpiozero devices on mock pins that write down every level, and a kernel-like folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from esterward_sim.virtual import VirtualClock
from esterward_sim.wires import KernelFolder


class LoggedFactory(MockFactory):  # type: ignore[misc]
    """Mock pins; log holds (BCM line, level) of every change an output made, in order."""

    def __init__(self) -> None:
        self.log: list[tuple[int, bool]] = []
        log = self.log

        class LoggedPin(MockPin):  # type: ignore[misc]
            def _change_state(self, value: Any) -> Any:
                changed = super()._change_state(value)
                if changed and self.function == "output":
                    log.append((int(self.info.name.removeprefix("GPIO")), bool(value)))
                return changed

        super().__init__(pin_class=LoggedPin)


@pytest.fixture
def factory() -> Iterator[LoggedFactory]:
    made = LoggedFactory()
    yield made
    made.close()


@pytest.fixture
def folder(tmp_path: Path) -> KernelFolder:
    root = tmp_path / "w1"
    root.mkdir()
    return KernelFolder(root)


@pytest.fixture
def clock() -> VirtualClock:
    """A clock that goes on by hand."""
    clock = VirtualClock()
    clock.time_s = 100.0
    return clock
