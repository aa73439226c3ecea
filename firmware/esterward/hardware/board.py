"""Opening the pins: lgpio, by name, or a sentence that says what is missing.

A fall-back to another back end is refused: gpiozero would only warn and may then drive lines
in a way nobody has tried here. Another factory is taken only when GPIOZERO_PIN_FACTORY names one
that an installed package other than gpiozero brings (entry points of gpiozero_pin_factories).

Traps of the library this file closes: importing lgpio makes a pipe in the working directory
and fails where that cannot be written; LG_WD moves the whole process there; a wheel of lgpio
exists that is empty; gpiozero's own exit hook closes pins in the order of a set, straight to
floating. So the drivers here drive their lines low themselves, and ours is the later hook.
"""

from __future__ import annotations

import atexit
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from importlib.metadata import entry_points
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

BACK_END: Final = "lgpio"
VARIABLE: Final = "GPIOZERO_PIN_FACTORY"
GROUP: Final = "gpiozero_pin_factories"
_OWN: Final = "gpiozero."
NO_PINS: Final = (
    "this machine has no GPIO pins (there is no /dev/gpiochip*); start it on a Raspberry Pi wired "
    "as esterward wiring says, or try the batch without a board: esterward rehearse.")
NO_LGPIO: Final = (
    "the library lgpio is missing; on Raspberry Pi OS: sudo apt install python3-lgpio, in an "
    "environment made with --system-site-packages.")
FUNCTIONS: Final = ("gpiochip_open", "gpio_claim_output", "gpio_claim_input", "gpio_write",
                    "gpio_read")


class BoardMissing(RuntimeError):
    """The pins cannot be used, now; the text is one sentence with what to do."""


class FactoryRefused(ValueError):
    """The environment names a pin factory that is not taken; one sentence."""


def look(dev: Path = Path("/dev")) -> None:
    """BoardMissing when there can be no pins here at all; nothing is imported or opened."""
    if (os.environ.get(VARIABLE) or BACK_END) != BACK_END:
        return
    if not any(dev.glob("gpiochip*")):
        raise BoardMissing(NO_PINS)
    if find_spec(BACK_END) is None:
        raise BoardMissing(NO_LGPIO)


def open_factory(pipe_dir: str | Path) -> Any:
    """The pin factory of this board; BoardMissing when there is none, FactoryRefused.

    pipe_dir: a folder for lgpio's pipe, made here; of this process alone, because the pipe's
    name is the same in every process.
    """
    name = os.environ.get(VARIABLE) or BACK_END
    if name != BACK_END:
        return _registered(name)
    check_lgpio(_import_lgpio(Path(pipe_dir)))
    try:
        return import_module("gpiozero.pins.lgpio").LGPIOFactory()
    except Exception as error:  # lgpio.error, BadPinFactory, no device tree: all mean no pins
        raise BoardMissing(
            f"the GPIO chip cannot be opened ({_short(error)}); this needs a Raspberry Pi, the "
            "group gpio, and no other program on these lines."
        ) from error


def check_lgpio(module: Any) -> None:
    """Refuse the empty wheel that an index may offer where no real one fits."""
    missing = [name for name in FUNCTIONS if not hasattr(module, name)]
    if missing:
        raise BoardMissing(
            f"the installed lgpio has no {missing[0]}: it is an empty package; remove it (pip "
            "uninstall lgpio) and install python3-lgpio from the distribution.")


def _import_lgpio(pipe_dir: Path) -> Any:
    here = Path.cwd()
    os.environ["LG_WD"] = str(pipe_dir)
    try:
        pipe_dir.mkdir(mode=0o700, exist_ok=True)
        return import_module("lgpio")
    except ImportError as error:
        raise BoardMissing(NO_LGPIO) from error
    except OSError as error:
        raise BoardMissing(
            f"lgpio cannot start in {pipe_dir} ({_short(error)}); the folder must be writable; one "
            "left by another user (by sudo, say) is to be removed."
        ) from error
    finally:
        os.chdir(here)  # lgpio moves the process; nobody else expects that


@contextmanager
def claiming(bcm: int) -> Iterator[None]:
    """Turn whatever goes wrong while a line is claimed into BoardMissing."""
    try:
        yield
    except Exception as error:  # lgpio.error, GPIOPinInUse, PinInvalidPin: the line is not ours
        raise BoardMissing(f"GPIO{bcm} cannot be claimed ({_short(error)}); another program may "
                           "hold it, or an overlay in config.txt.") from error


def _registered(name: str) -> Any:
    found = [entry for entry in entry_points(group=GROUP, name=name.lower())
             if not entry.value.startswith(_OWN)]
    if not found:
        raise FactoryRefused(
            f"{VARIABLE}={name} is refused: only {BACK_END} is used on a board; unset it.")
    return found[0].load()()


def at_exit(off: Callable[[], None]) -> Callable[[], None]:
    """Run off() at the interpreter's end, before gpiozero closes its pins; the hook itself."""
    import_module("gpiozero")  # its hook first: hooks run last in, first out

    def last() -> None:
        try:
            off()
        except Exception as error:
            print(f"esterward: the last try to drive every output low failed ({_short(error)}); "
                  "switch off at the isolator.", file=sys.stderr)

    return atexit.register(last)


def _short(error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text[:120]


def loaded_back_end() -> str:
    """Which of gpiozero's back ends this process has imported, for the check and the tests."""
    names = [name.rpartition(".")[2] for name in sys.modules if name.startswith("gpiozero.pins.")]
    return ", ".join(name for name in sorted(names) if name in ("lgpio", "rpigpio", "pigpio",
                                                                "native", "mock"))
