"""Opening the pins: lgpio by name or a sentence; never another back end by accident."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from esterward.hardware.board import FUNCTIONS, BoardMissing, claiming

OPEN = """
from esterward.hardware import board
try:
    board.open_factory({runtime!r})
except (board.BoardMissing, board.FactoryRefused) as error:
    print(error)
import os, sys
print(os.getcwd())
print("back ends:", board.loaded_back_end())
"""


def opened(tmp_path: Path, lgpio: str | None = None, env: dict[str, str] | None = None
           ) -> list[str]:
    """What a process says that opens the pins, with a module named lgpio of this text."""
    runtime = tmp_path / "run"
    runtime.mkdir(exist_ok=True)
    modules = tmp_path / "modules"
    modules.mkdir(exist_ok=True)
    if lgpio is not None:
        (modules / "lgpio.py").write_text(lgpio, "ascii")
    whole = {name: value for name, value in os.environ.items()
             if not name.startswith(("GPIOZERO", "LG_"))}
    done = subprocess.run(
        [sys.executable, "-c", OPEN.format(runtime=str(runtime))], cwd=tmp_path,
        env={**whole, "PYTHONPATH": str(modules), **(env or {})},
        capture_output=True, text=True, timeout=30, check=False)
    assert done.stderr == "", "no warning, no traceback"
    return done.stdout.splitlines()


def test_without_lgpio_one_sentence_says_where_it_comes_from(tmp_path: Path) -> None:
    said = opened(tmp_path, "raise ImportError('no lgpio here')")
    assert "apt install python3-lgpio" in said[0] and said[0].endswith("--system-site-packages.")
    assert said[2] == "back ends: ", "and gpiozero was not asked to find another"


def test_an_lgpio_without_functions_is_refused_as_the_empty_package_it_is(tmp_path: Path) -> None:
    said = opened(tmp_path, "")
    assert "empty package" in said[0] and FUNCTIONS[0] in said[0]


@pytest.mark.parametrize("name", ["mock", "native", "pigpio", "rpigpio", "nosuch"])
def test_a_fall_back_to_another_back_end_is_an_error(tmp_path: Path, name: str) -> None:
    said = opened(tmp_path, "", {"GPIOZERO_PIN_FACTORY": name})
    assert f"GPIOZERO_PIN_FACTORY={name} is refused" in said[0]
    assert said[2] == "back ends: "


def test_lgpio_that_cannot_make_its_pipe_says_which_folder(tmp_path: Path) -> None:
    said = opened(tmp_path, "raise FileNotFoundError(2, 'No such file', '.lgd-nfy-3')")
    assert str(tmp_path / "run") in said[0] and "writable" in said[0]


def test_lgpio_gets_the_runtime_folder_and_may_not_move_us_there(tmp_path: Path) -> None:
    """What the library does with LG_WD: it changes the working directory of the process."""
    said = opened(tmp_path, "import os\nos.chdir(os.environ['LG_WD'])\n"
                            "open('.lgd-nfy0', 'w').close()\n")
    assert (tmp_path / "run" / ".lgd-nfy0").exists()
    assert said[1] == str(tmp_path)


STAND_IN = "\n".join([
    *(f"def {name}(*a): return 0" for name in FUNCTIONS if name != "gpiochip_open"),
    "def gpiochip_open(chip): raise RuntimeError('can not open gpiochip')",
    "def gpiochip_close(h): return 0",
    "SET_PULL_NONE = SET_PULL_UP = SET_PULL_DOWN = 0",
    "BOTH_EDGES = RISING_EDGE = FALLING_EDGE = 0",
    "class error(Exception): pass",
])


def test_a_machine_without_a_gpio_chip_is_one_sentence(tmp_path: Path) -> None:
    said = opened(tmp_path, STAND_IN)
    assert said[0].startswith("the GPIO chip cannot be opened")
    assert said[2] == "back ends: lgpio"


def test_a_line_that_cannot_be_claimed_is_named() -> None:
    with pytest.raises(BoardMissing, match=r"GPIO17 cannot be claimed \(GPIO busy\)"), \
            claiming(17):
        raise RuntimeError("GPIO busy")
