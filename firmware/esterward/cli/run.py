"""esterward run: the controller on a board, from a start to a stop signal.

Files first, then the lock, the board with its outputs low, and the record last: a start that the
machine does not allow leaves nothing in it, however often it is tried (but a mark where the record
was lost or damaged). Whatever ends it, the outputs go low before anything else is tidied up.
"""

from __future__ import annotations

import json
import os
import signal
import threading
import traceback
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from esterward.cli.errors import NotNow, Refused
from esterward.cli.guard import RUNTIME
from esterward.cli.options import Named, a_folder
from esterward.hardware.folders import HWMON_DIR, IIO_DIR, W1_DIR

if TYPE_CHECKING:
    from collections.abc import Callable

    from esterward.chemistry.wording import Wording
    from esterward.cli.run_start import Files
    from esterward.hardware.service import MonotonicClock
    from esterward.record.resume import Found
    from esterward.telemetry.link import MqttLink
    from esterward.tick import Controller
    from esterward.values.reactor import Reactor

LEASE_LOOK_S: Final = 0.1
DISK_S: Final = 5.0        # how long the record may take to close


@click.command()
@click.option("--reactor", type=Named(), help="The reactor file; default: beside the batch file, "
              "reactor.toml here, or /etc/esterward/reactor.toml.")
@click.option("--batch", type=Named(), envvar="ESTERWARD_BATCH", help="The batch to do; default "
              "$ESTERWARD_BATCH. Without one an unfinished batch is taken up, else nothing can be "
              "started.")
@click.option("--record", type=Named(), help="The record; default as said in esterward record "
              "--help.")
@click.option("--runtime", type=Named(), default=Path(RUNTIME), show_default=True,
              help="Folder of the guard's socket and the lock.")
@click.option("--w1", type=Named(), default=Path(W1_DIR), show_default=True,
              help="Folder of the 1-wire probes.")
@click.option("--iio", type=Named(), default=Path(IIO_DIR), show_default=True,
              help="Folder of the barometer.")
@click.option("--hwmon", type=Named(), default=Path(HWMON_DIR), show_default=True,
              help="Folder of the board's own voltage sensor.")
def run(reactor: Path | None, batch: Path | None, record: Path | None, runtime: Path, w1: Path,
        iio: Path, hwmon: Path) -> None:
    """Control the reactor: heat, mix, wait, ask, and keep the record.

    It needs the board's pins and `esterward guard` beside it. A batch begins only with the
    start checks and green held at the reactor; after a restart it is held until green is held
    again. A broker's user and password are $ESTERWARD_MQTT_USER and $ESTERWARD_MQTT_PASSWORD.
    Stop it with Ctrl-C: every output goes off.

    Example: esterward run --batch batch.toml
    """
    from esterward.record.schema import default_path

    raise SystemExit(_run(reactor, batch, record or default_path(), runtime.absolute(), w1, iio,
                          hwmon))


def _run(reactor_path: Path | None, batch_path: Path | None, record_path: Path, runtime: Path,
         w1: Path, iio: Path, hwmon: Path) -> int:
    from esterward.hardware import board

    try:
        board.look()
    except board.BoardMissing as error:
        raise NotNow(f"esterward run: {error}") from None
    from esterward.cli.run_start import load

    files = load(reactor_path, batch_path, record_path)
    if files.reactor.rig_level == "watch" and files.batch is not None:
        raise Refused(f'--batch {batch_path}: [rig] level = "watch" only watches, it has nothing '
                      "to do a batch with; leave --batch away.")
    a_folder("--runtime", runtime)
    with ExitStack() as stack:
        return _on_board(stack, files, reactor_path, batch_path, record_path, runtime, w1, iio,
                         hwmon)


def _on_board(stack: ExitStack, files: Files, reactor_path: Path | None, batch_path: Path | None,
              record_path: Path, runtime: Path, w1: Path, iio: Path, hwmon: Path) -> int:
    from esterward.cli.run_beside import Beside, Shown, Terminal, WrittenBeside
    from esterward.cli.run_start import controller_of, learnt_of
    from esterward.cli.run_start import reactor_path as reactor_file
    from esterward.cli.trouble import of_barometer
    from esterward.guard.link import ControllerSocket
    from esterward.hardware import board, pins, probes, service
    from esterward.hardware.relays import LeasedRelays, OutputRefused
    from esterward.hardware.supply import BoardSupply
    from esterward.loop import Loop, Ports
    from esterward.record.journal import Journal
    from esterward.record.schema import BadRecord, Kept

    reactor = files.reactor
    clock = service.MonotonicClock()
    service.stop_on_signals(clock)
    try:
        lines = pins.owned(pins.board(reactor), pins.CONTROLLER, pins.OUT)
        lock = service.only_one(runtime / "run.lock", "esterward run")
        stack.callback(lock.close)
        link = ControllerSocket(runtime / "guard.sock")
        relays = LeasedRelays.open(board.open_factory(runtime / "run-pins"), lines)
    except pins.PinMistake as error:
        where = reactor_file(reactor_path, batch_path)
        raise Refused(*(f"{where}: {mistake}" for mistake in error.mistakes)) from None
    except (service.LockFailed, board.BoardMissing, OutputRefused) as error:
        raise NotNow(f"esterward run: {error}") from None
    except ValueError as error:
        raise Refused(f"esterward run: {error}") from None
    board.at_exit(relays.off)
    journal = None
    try:
        journal = Journal(record_path, boot=clock.boot, now_s=clock.now_s(),
                          wall_s=clock.wall_s())
        if journal.fault:  # nothing of this run would ever count as stored
            raise NotNow("--record " + (_closed(record_path) or f"{record_path}: {journal.fault}; "
                                        "mend that, or name a file that can be written") + ".")
        controller = controller_of(files, journal.found, batch_path, learnt_of(record_path))
        _attach(journal, files, controller)
    except (BadRecord, Refused) as error:
        _tried(relays.close)
        if journal is not None:
            journal.withdraw(clock.now_s())
        if clock.stopped:  # asked to end meanwhile: no other try to wait for
            raise SystemExit(_stopped(clock.signal)) from None
        if isinstance(error, Refused):
            raise
        refused = NotNow if isinstance(error, Kept) else Refused
        raise refused(f"{str(error).rstrip('.')}.") from None
    failures: list[Exception] = []

    def fail(error: Exception) -> None:
        failures.append(error)
        clock.stop()

    lapse = Beside("leases", lambda: relays.step(clock.now_s), LEASE_LOOK_S, fail)
    say = _wording(reactor.show_temperature)
    terminal = Terminal(say.deg)
    record = WrittenBeside(journal, clock.now_s)
    mqtt = _mqtt(reactor, clock)
    barometer = probes.IioBarometer(iio, clock.now_s) if reactor.barometer else None
    trouble = of_barometer(terminal.say)
    loop = Loop(controller, Ports(
        clock=clock, probe=probes.OneWireProbe(reactor.probe_a_id, clock.now_s, w1),
        relays=relays, guard=link, record=record, telemetry=Shown(terminal, mqtt),
        barometer=barometer,
        supply=BoardSupply(clock.now_s, hwmon)))
    for line in _opening(controller, journal.found, record_path, say):
        terminal.say(line)
    ticks = controller.state.ticks
    ready = False

    def go_on() -> bool:
        nonlocal ticks, ready
        if controller.state.ticks != ticks:  # a tick was completed: alive
            ticks = controller.state.ticks
            service.tell_supervisor("WATCHDOG=1", *(() if ready else ("READY=1",)))
            ready = True
        if barometer is not None:
            trouble.look(barometer.fault, clock.now_s())
        return not clock.stopped

    try:
        loop.run(go_on)
    except Exception as error:
        failures.append(error)
    finally:
        stuck = _tried(relays.off)  # the guard must hear of the end then all the more
    service.tell_supervisor("STOPPING=1")
    link.goodbye(clock.now_s())
    lapse.close(1.0)
    code = _told(failures, stuck, clock.signal, terminal)
    if mqtt is not None:
        mqtt.close()
    # A hung probe ends it in good order; any other failure is no clean stop (three lock out).
    clean = stuck is None and all(isinstance(error, probes.ReaderStuck) for error in failures)
    if not record.close(clock.now_s(), clock.wall_s(), DISK_S, clean):
        terminal.say("the disk does not answer: the end of this run is not in the record.")
    terminal.close()
    link.close()
    _tried(relays.close)
    return code


def _closed(record_path: Path) -> str:
    """Which file of the record belongs to somebody else, and what to type; "" for none."""
    from esterward.record.lock import lock_path
    from esterward.record.schema import closed_to_us

    wal = record_path.with_name(record_path.name + "-wal")
    for path in (record_path, lock_path(record_path), wal):
        if why := closed_to_us(path, os.W_OK):
            return f"{path}: {why}"
    return ""


def _tried(off: Callable[[], None]) -> Exception | None:
    """Why the outputs could not all be driven low, None when they were."""
    try:
        off()
    except Exception as error:
        return error
    return None


def _stopped(number: int) -> int:
    """The exit code after this signal."""
    return 128 + number if number == signal.SIGINT else 0


def _told(failures: list[Exception], stuck: Exception | None, number: int, terminal: Any) -> int:
    """Say how it ended; the exit code. stuck: why an output may still be on."""
    from esterward.hardware.probes import ReaderStuck

    if not failures and stuck is None:
        terminal.say("stopped; every output is off.")
        return _stopped(number)
    off = "every output is off" if stuck is None else "an output may still be on"
    for error in failures:
        if stuck is not None and str(error) == str(stuck):  # the same line, said below
            continue
        if isinstance(error, ReaderStuck):
            click.echo(f"esterward run: {error}; {off}, ending so that a new process can try.",
                       err=True)
            continue
        traceback.print_exception(error)
        click.echo(f"esterward run: this is a mistake of the program; {off}, and a new start is "
                   "held until green is held.", err=True)
    if stuck is not None:
        click.echo(f"esterward run: an output could not be driven low ({stuck}) and may still be "
                   "on; switch off at the isolator.", err=True)
    return 1


def _attach(journal: Any, files: Files, controller: Controller) -> None:
    """Keep the files and the sheet with the record; Kept when that is not possible now."""
    import sqlite3

    from esterward.chemistry.sheet import sheet_json
    from esterward.cli.run_start import NO_BATCH, SHEET_TEXT
    from esterward.record.schema import Kept
    from esterward.record.trouble import words

    texts = dict(files.texts)
    if controller.file_batch is not NO_BATCH:
        texts[SHEET_TEXT] = json.dumps(sheet_json(controller.sheet))
    try:
        journal.attach(texts)
    except (sqlite3.Error, OSError) as error:
        why = words(getattr(error, "sqlite_errorname", ""), error, journal.path.parent)
        raise Kept(f"--record {journal.path}: the batch's files could not be kept with it: {why}; "
                   "mend that and start again") from None


def _mqtt(reactor: Reactor, clock: MonotonicClock) -> MqttLink | None:
    if not reactor.mqtt_host:
        return None
    from esterward import __version__
    from esterward.safety.faults import FAULTS
    from esterward.telemetry.link import MqttLink

    user = os.environ.get("ESTERWARD_MQTT_USER", "")
    return MqttLink(
        reactor.mqtt_host, reactor.mqtt_port, reactor.mqtt_id, reactor.name,
        f"{clock.boot[:8]}-{os.getpid()}", version=__version__, alarm_codes=tuple(FAULTS),
        credentials=(user, os.environ.get("ESTERWARD_MQTT_PASSWORD", "")) if user else None,
        submit=lambda work: threading.Thread(target=work, daemon=True).start())


def _wording(unit: str) -> Wording:
    """Temperatures only, without Pint, which would stay resident for these few lines."""
    from esterward.chemistry.wording import Wording

    return Wording(unit, "L", lambda number, *_: number * 1.8 + 32.0)


def _opening(controller: Controller, found: Found, record_path: Path, say: Wording) -> list[str]:
    """The first lines: which reactor, place, batch and record, what is missing, what was found."""
    from esterward.cli.run_start import NO_BATCH
    from esterward.process.words import sheet_waits

    process = controller.process.state
    batch = controller.file_batch
    lines = [f"esterward run: {controller.reactor.name}; record {record_path}",
             _place(controller.reactor, say)]
    if batch is NO_BATCH:
        lines.append("no batch: nothing can be started; stop this and name one with --batch FILE.")
    else:
        where = ("" if process.state == "idle" else ", stage not known" if process.lost
                 else f" in {process.step.partition('.')[0]}")
        lines.append(f"batch {batch.name}: {process.state}{where}")
        waits = sheet_waits(controller.sheet, controller.reactor.probes_checked)
        lines += [f"still missing: {waits}"] if waits else []
        lines += [f"warning: {warning}" for warning in controller.sheet.warnings]
    if found.renamed:
        lines.append(f"the record was damaged and is kept as {found.renamed}: {found.why}")
    return lines


def _place(reactor: Reactor, say: Wording) -> str:
    """The altitude and the limit that hangs on it: mistyped, it makes every limit wrong."""
    from esterward.chemistry.boiling import limits

    if reactor.altitude_m is None:
        return "no altitude in the reactor file: no limit for methanol, so none may go in."
    feet = f" ({reactor.altitude_m / 0.3048:.0f} ft)" if say.temperature == "degF" else ""
    by = ("the barometer's reading moves it" if reactor.barometer
          else "by the altitude alone, no barometer")
    return (f"altitude {reactor.altitude_m:g} m{feet}: with methanol in it the oil may never get "
            f"hotter than {say.limit(limits(reactor.altitude_m).alarm_c)} ({by}).")
