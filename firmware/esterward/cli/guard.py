"""esterward guard: the second process, which must also agree before heat can flow."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from esterward.cli.errors import NotNow, Refused, reading
from esterward.cli.options import Named, a_folder, to_write, write
from esterward.hardware.folders import IIO_DIR, W1_DIR

if TYPE_CHECKING:
    from esterward.guard.prepared import Prepared

FC = TypeVar("FC", bound=Callable[..., Any])
CONFIG = "/etc/esterward/guard.json"
RUNTIME = "/run/esterward"
STATE = "/var/lib/esterward-guard"


def _path(option: str, default: str, text: str) -> Callable[[FC], FC]:
    return click.option(option, type=Named(), default=Path(default), show_default=True, help=text)


@click.command()
@click.option("--prepare", is_flag=True,
              help="Write the guard's file from the reactor file, and end.")
@click.option("--reactor", type=Named(), default=Path("reactor.toml"),
              show_default=True, help="The reactor file, for --prepare.")
@_path("--config", CONFIG, "The guard's file.")
@_path("--runtime", RUNTIME, "Folder of the socket and the lock.")
@_path("--state", STATE, "Folder of the guard's own memory.")
@_path("--w1", W1_DIR, "Folder of the 1-wire probes.")
@_path("--iio", IIO_DIR, "Folder of the barometer.")
def guard(prepare: bool, reactor: Path, config: Path, runtime: Path, state: Path, w1: Path,
          iio: Path) -> None:
    """Watch the reactor independently; heat flows only while this agrees.

    It runs beside `esterward run`, as a user of its own, with a probe of its own, and uses no
    network. After every change of reactor.toml: --prepare, then start it again. It is no
    substitute for the thermal cut-out, the e-stop and the float in the wiring.

    Example: esterward guard --prepare --reactor reactor.toml --config guard.json
    """
    if prepare:
        _prepare(reactor, config)
        return
    _run(*(path.absolute() for path in (config, runtime, state, w1, iio)))


def _prepare(reactor_path: Path, config: Path) -> None:
    from esterward.guard import prepared
    from esterward.hardware.pins import PinMistake
    from esterward.settings.files import load_reactor

    with reading():
        reactor = load_reactor(reactor_path)
    to_write("--config", config, ".json")
    if not _may_replace(config, prepared.is_own):
        raise Refused(f"--config {config}: this file exists and is not a guard's file; name "
                      "another, or move it away first.")
    try:
        text = prepared.to_text(prepared.prepare(reactor))
    except PinMistake as error:
        raise Refused(*(f"{reactor_path}: {mistake}" for mistake in error.mistakes)) from None
    except prepared.PreparedWrong as error:
        raise Refused(f"{reactor_path}: {error}") from None
    write("--config", config, text)
    click.echo(f"{config}: written from {reactor_path}; now start `esterward guard` and "
               "`esterward run` again.")


def _may_replace(config: Path, is_own: Callable[[str], bool]) -> bool:
    """Whether nothing of anybody else's would be lost."""
    try:
        text = config.read_text("utf-8") if config.exists() else ""
    except (OSError, UnicodeDecodeError):
        return False
    return not text.strip() or is_own(text)


def _run(config: Path, runtime: Path, state: Path, w1: Path, iio: Path) -> None:
    from esterward.guard import prepared
    from esterward.hardware import board, service

    try:
        board.look()
    except board.BoardMissing as error:
        raise NotNow(f"esterward guard: {error}") from None
    where = str(config)
    if config.suffix.lower() != ".json" and not config.is_dir():
        raise Refused(f"--config {where}: the guard's file ends in .json; name that one.")
    if not config.absolute().parent.is_dir():
        raise Refused(f"--config {where}: there is no folder {config.parent}; name a file in one "
                      "that is there.")
    try:
        found = prepared.from_text(config.read_text("utf-8"), where)
    except prepared.PreparedWrong as error:
        raise Refused(str(error)) from None
    except UnicodeDecodeError:
        raise Refused(str(prepared.strange(where))) from None
    except FileNotFoundError:
        raise Refused(f"{where}: there is no such file; {prepared.again(where)}") from None
    except IsADirectoryError:
        raise Refused(f"{where}: this is a folder; name the guard's file in it, or "
                      f"{prepared.again(str(config / 'guard.json'))}") from None
    except OSError as error:
        raise Refused(f"{where}: it cannot be read ({error.strerror}); name a file with --config "
                      "that this user may read.") from None
    for option, folder in (("--runtime", runtime), ("--state", state)):
        a_folder(option, folder)
    try:
        lock = service.only_one(runtime / "guard.lock", "esterward guard")
    except service.LockFailed as error:
        raise NotNow(f"esterward guard: {error}") from None
    with lock:
        _watch(found, runtime, state, w1, iio)


def _watch(found: Prepared, runtime: Path, state: Path, w1: Path, iio: Path) -> None:
    from esterward.cli.trouble import of_barometer
    from esterward.guard import process
    from esterward.guard.link import GuardSocket
    from esterward.hardware import board, service
    from esterward.hardware.probes import IioBarometer, OneWireProbe, ReaderStuck

    clock = service.MonotonicClock()
    service.stop_on_signals(clock)
    with ExitStack() as stack:
        try:
            link = GuardSocket(runtime / "guard.sock")
            stack.callback(link.close)
            factory = board.open_factory(runtime / "guard-pins")
            beat, switches = process.open_lines(factory, found)
        except board.BoardMissing as error:
            raise NotNow(f"esterward guard: {error}") from None
        except ValueError as error:
            raise Refused(f"esterward guard: {error}") from None
        except OSError as error:
            raise NotNow(
                f"--runtime {runtime}: the socket cannot be made in it ({error.strerror}); remove "
                "what is in its place, or name a folder you may write.") from None
        board.at_exit(beat.off)
        barometer = IioBarometer(iio, clock.now_s) if found.rule.barometer else None
        trouble = of_barometer(process.say_on_stderr)
        watching = process.Guard(
            found.rule, clock=clock, switches=switches, beat=beat,
            probe=OneWireProbe(found.probe_b, clock.now_s, w1),
            barometer=barometer, link=link, state_file=state / process.STATE_FILE,
            say=process.say_on_stderr)

        def go_on() -> bool:
            if barometer is not None:
                trouble.look(barometer.fault, clock.now_s())
            return not clock.stopped

        try:
            watching.run(go_on)
        except ReaderStuck as error:
            process.say_on_stderr(f"{error}; ending, so that a new process can try")
            raise SystemExit(1) from None
