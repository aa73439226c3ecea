"""The command `esterward rehearse`: a whole batch on the simulator."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from importlib import resources
from pathlib import Path
from typing import Any

import click

from esterward.cli.errors import Refused, warn
from esterward.cli.options import Whole, to_write

# person.KINDS, written out because --help must load nothing heavy
PERSONS = ("prompt", "slow", "absent", "wrong-order", "double-press")


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.1 <= speed <= 1e6:
        raise Refused(f"--speed {text!r}: write max, or how many times faster than real time, "
                      "from 0.1 to 1000000.")
    return speed


def _told(mistakes: list[str], check: Callable[[], Any]) -> Any:
    """What check gives; a refusal joins the other mistakes, all are told at once."""
    try:
        return check()
    except Refused as refused:
        mistakes += refused.sentences
        return None


def _record_path(asked: Path | None, name: str) -> Path:
    """Where the record will lie; nothing is made yet."""
    if asked is not None:
        try:
            if not asked.resolve().parent.is_dir():
                raise Refused(f"--record {asked}: there is no folder {asked.parent}; make it "
                              "first.")
        except OSError as error:  # a name too long, a folder that may not be looked into
            raise _no_record(asked, error.strerror) from None
        return asked
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "batch"
    number = 1
    while (path := Path("rehearsals") / f"{slug}-{number:03d}.sqlite").exists():
        number += 1
    return path


def _no_record(path: Path, why: object) -> Refused:
    return Refused(f"{path}: no record can be kept here ({why}); write --record FILE with a file "
                   "in a folder that can be written.")


def _open_record(path: Path, asked: bool, clock: Any, texts: dict[str, str]) -> Any:
    """The journal with the texts in it; Refused when it cannot be written, before a run."""
    import sqlite3

    from esterward.record.journal import Journal
    from esterward.record.lock import lock_path
    from esterward.record.schema import BadRecord

    try:
        if not asked:
            path.parent.mkdir(exist_ok=True)
        # Nobody relies on a record that was not asked for: it waits for no disk.
        journal = Journal(path, boot=clock.boot, now_s=clock.now_s(), wall_s=clock.wall_s(),
                          durable=asked)
    except OSError as error:
        raise _no_record(path, error.strerror) from None
    except BadRecord as error:
        raise Refused(f"{str(error).rstrip('.')}.") from None
    try:
        for name, text in texts.items():
            journal.attach(name, text)
    except (OSError, sqlite3.Error) as error:
        # The controller would run on without and hold; a rehearsal need not begin.
        journal.close(clock.now_s())
        with suppress(OSError):
            lock_path(path).unlink(missing_ok=True)
        raise _no_record(path, error) from None
    return journal


def _close_record(journal: Any, clock: Any) -> None:
    """Clean stop. The lock file goes too: all is folded into the file, no controller follows."""
    from esterward.record.lock import lock_path

    journal.close(clock.now_s(), clock.wall_s())
    if not journal.fault and not journal.backlog:
        lock_path(journal.path).unlink(missing_ok=True)


def example_reactor() -> Path:
    """The shipped example: beside the packages in a clone, inside the package when installed."""
    here = Path(str(resources.files("esterward"))).parent / "config" / "reactor.toml"
    if not here.is_file():
        raise Refused("rehearse: the shipped example reactor.toml is not here; name yours with "
                      "--reactor FILE.")
    return here


@click.command()
@click.argument("batch", type=click.Path(path_type=Path), required=False)
@click.option("--reactor", type=click.Path(path_type=Path), help="reactor.toml; default: beside "
              "the batch file, else the shipped example.")
@click.option("--speed", default="max", show_default=True, help="max, or how many times faster "
              "than real time.")
@click.option("--seed", type=Whole(0, 2**31), default=1, show_default=True,
              help="Same seed, same batch.")
@click.option("--person", type=click.Choice(PERSONS), default="prompt",
              show_default=True, help="How the simulated person answers.")
@click.option("--fault", "faults", multiple=True, metavar="NAME@TIME",
              help="Start a fault, NAME@TIME or NAME=NUMBER@TIME; TIME is seconds from the start "
              "or STAGE+SECONDS, with -SECONDS behind it for the end. May be repeated.")
@click.option("--faults", "list_faults", is_flag=True, help="List every fault, where it is tried, "
              "and leave.")
@click.option("--scenario", type=click.Path(path_type=Path), metavar="FILE", help="Rehearse the "
              "story of a scenario file and compare its ending, line by line.")
@click.option("--broker", default="none", show_default=True, metavar="embedded|HOST:PORT|none",
              help="Publish over MQTT while rehearsing.")
@click.option("--record", type=click.Path(path_type=Path), help="Where the record goes; a record "
              "of ended rehearsals takes one more. Default: a new file in ./rehearsals.")
@click.option("--plot", type=click.Path(path_type=Path), metavar="FILE.svg",
              help="Draw the batch: oil, limits, element, stages, faults.")
@click.option("--fit", "fitted", type=click.Path(path_type=Path), metavar="RECORD",
              help="Rehearse nothing: tell heat capacity, loss and lags of your own reactor from "
              "a recorded heat-up, for [measured] in reactor.toml.")
@click.option("--wires", is_flag=True, help="Through the drivers of a board, on pins and probe "
              "files that are played: the same batch, slower.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else.")
def rehearse(batch: Path | None, reactor: Path | None, speed: str, seed: int, person: str,
             faults: tuple[str, ...], list_faults: bool, scenario: Path | None, broker: str,
             record: Path | None, plot: Path | None, fitted: Path | None, wires: bool,
             as_json: bool) -> None:
    """Rehearse the whole batch on the simulator, no hardware needed.

    Example: esterward rehearse batch.toml --speed 600 --fault mixer_stalled@mix+600-900
    """
    if list_faults:
        from esterward_sim.fault_list import print_faults

        print_faults(as_json)
        return
    if scenario is not None:
        from esterward_sim.scenario_command import rehearse_scenario

        sys.exit(rehearse_scenario(click.get_current_context(), scenario, example_reactor(),
                                   as_json))
    if fitted is not None:
        from esterward_sim.fit.report import fit_record

        sys.exit(fit_record(fitted, batch, reactor, as_json))
    if batch is None:
        raise Refused("rehearse: name a batch file, for example: esterward rehearse batch.toml.")
    from esterward.settings.files import load_pair, reactor_beside
    from esterward.settings.mistakes import SettingsError
    from esterward_sim.continued import go_on
    from esterward_sim.orders import parse_orders
    from esterward_sim.rehearsal import Rehearsal
    from esterward_sim.virtual import VirtualClock, VirtualRig

    chosen = reactor or reactor_beside(batch)
    orders, sentences = parse_orders(faults)
    mistakes = [f"--fault {sentence}" for sentence in sentences]
    if any(order.name == "broker_gone" for order in orders) and broker != "embedded":
        mistakes.append("--fault broker_gone needs --broker embedded: another's broker is left "
                        "alone.")
    if wires:
        from esterward_sim.plant.faults import RIG_FAULTS

        played = {row.name for row in RIG_FAULTS}
        mistakes += [f"--fault {order}: {order.name} cannot be played with --wires; leave one out."
                     for order in orders if order.name in played]
    if chosen is None:
        chosen = example_reactor()
        if os.path.isfile(batch):  # noqa: PTH113 - is_file raises on a long name
            click.echo(f"note: no reactor.toml beside {batch}; the shipped example is used.",
                       err=True)
    factor = _told(mistakes, lambda: _speed(speed))
    where = _told(mistakes, lambda: _broker(broker))
    if plot is not None:
        _told(mistakes, lambda: to_write("--plot", plot, ".svg", new=True))
    if record is not None:
        _told(mistakes, lambda: _record_path(record, ""))
    try:
        plan, vessel = load_pair(batch, chosen)
    except SettingsError as error:
        raise Refused(*error.mistakes, *mistakes) from None
    if mistakes:
        raise Refused(*mistakes)
    assert vessel is not None
    if vessel.rig_level == "watch":
        raise Refused(f'rehearse: {chosen} has [rig] level = "watch", where the maker\'s own '
                      'thermostat heats and this only watches; rehearse level "small" or "full", '
                      "for example in a copy of the file named with --reactor.")
    _note_unfitted(orders, vessel)
    path = _record_path(record, plan.name)
    before = _earlier(path)
    texts = {"batch.toml": batch.read_text(encoding="utf-8"),
             "reactor.toml": chosen.read_text(encoding="utf-8")}
    from esterward.chemistry.sheet import batch_sheet, sheet_json
    from esterward.settings.quantity import wording

    sheet = batch_sheet(plan, vessel, wording(vessel.show_temperature, vessel.show_volume))
    texts["sheet"] = json.dumps(sheet_json(sheet))
    rig: type[VirtualRig] = VirtualRig
    if wires:
        from esterward_sim.wires import WiredRig

        rig = WiredRig
    with ExitStack() as stack:
        clock = before.clock() if before else VirtualClock()
        link = heard = embedded = None
        if where is not None:
            from esterward_sim.publish import open_link

            link, heard, embedded = open_link(stack, where, vessel, clock.boot)
        journal = _open_record(path, record is not None, clock, texts)
        stack.callback(_close_record, journal, clock)
        warn(sheet.warnings)
        rehearsal = Rehearsal(vessel, plan, journal, seed=seed, person=person, faults=orders,
                              telemetry=link, clock=clock, rig=rig)
        stack.callback(rehearsal.close)
        rehearsal.rig.broker = embedded
        if before:
            go_on(rehearsal, journal.found.last_number, before)
        code = _run(rehearsal, path, factor, link, heard, sheet.warnings, plot, as_json)
    sys.exit(code)


def _note_unfitted(orders: Any, vessel: Any) -> None:
    """One sentence for each fault of a part that this reactor does not have."""
    from esterward_sim.trials_faults import CASES, fits

    for order in orders:
        case = CASES.get(order.name)
        if case and not fits(case, vessel):
            click.echo(f"note: --fault {order}: {case.needs} is not fitted on this reactor, so "
                       "nothing shows there.", err=True)


def _earlier(path: Path) -> Any:
    """The rehearsals already in the record, None for a new one."""
    from esterward.record.schema import BadRecord
    from esterward_sim.continued import earlier

    try:
        return earlier(path) if path.exists() else None
    except OSError as error:  # a name too long, a folder that may not be looked into
        raise _no_record(path, error.strerror) from None
    except BadRecord as error:
        raise Refused("--record: the file exists already, and a further batch cannot go "
                      f"there: {error}.") from None


def _broker(text: str) -> tuple[str, int] | str | None:
    if text in ("none", "embedded"):
        return None if text == "none" else text
    host, _, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")  # of an IPv6 address
    if not host or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
        raise Refused(f"--broker {text!r}: write embedded, none, or HOST:PORT with a port from 1 "
                      "to 65535.")
    return host, int(port)


class _Sigterm(KeyboardInterrupt):
    """A SIGTERM, which ends a rehearsal as Ctrl-C does."""


@contextmanager
def _stopping_on_sigterm() -> Iterator[None]:
    def stop(*_: object) -> None:
        raise _Sigterm

    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may say what a signal does
        return
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _run(rehearsal: Any, path: Path, factor: float | None, link: Any, heard: Any,
         warnings: tuple[str, ...], plot: Path | None, as_json: bool) -> int:
    from esterward_sim.batch_picture import draw
    from esterward_sim.batch_series import Sampler
    from esterward_sim.pace import Pace
    from esterward_sim.view import PlainView, make_view

    sampler = Sampler() if plot is not None else None

    view: PlainView | None = None if as_json else make_view()
    pace = Pace(rehearsal, view, factor, heard, sampler)
    try:
        with _stopping_on_sigterm():
            result = rehearsal.run(pace)
            pace.last()
    except KeyboardInterrupt as stopped:
        from esterward.values.outputs import SAFE

        rehearsal.rig.loop.ports.relays.write(SAFE, rehearsal.rig.clock.now_s())
        by, code = ("SIGTERM", 143) if isinstance(stopped, _Sigterm) else ("Ctrl-C", 130)
        click.echo(f"\nstopped by {by}; all outputs off. The record so far: {path}", err=True)
        return code
    if link is not None:
        link.close()
    if heard is not None and view is not None:
        view.below(heard.last_words())
    if plot is not None and sampler is not None:
        try:
            plot.write_text(draw(sampler.series), encoding="utf-8")
        except OSError as error:
            click.echo(f"--plot {plot}: the picture cannot be written ({error.strerror}); the "
                       f"record is whole: {path}.", err=True)
    if as_json:
        click.echo(json.dumps(result.json() | {"warnings": list(warnings)}))
    else:
        assert view is not None
        view.below(_end(result, path, rehearsal.rig))
    return 0 if result.complete else 1


def _end(result: Any, path: Path, rig: Any) -> list[str]:
    """The last lines: how it ended, how hot it got, what to do, where the record lies."""
    from esterward.chemistry.wording import METRIC
    from esterward.record.report import took
    from esterward.safety.faults import FAULTS
    from esterward.values.messages import GUARD_LATCHES
    from esterward.values.status import STATE_WORDS
    from esterward_sim.scenario_run import trips
    from esterward_sim.view import stage_words

    plain = result.json()
    if result.complete:
        lines = ["", f"The batch is complete: {plain['simulated_s'] / 3600:.1f} h in "
                     f"{plain['wall_s']:.0f} s."]
    else:
        where = f" in {stage_words(plain['stages'][-1]['stage'])}" if plain["stages"] else ""
        lines = ["", f"The batch did not end complete: {STATE_WORDS[plain['state']]}{where} "
                     f"({plain['why']})."]
        latched = trips(result)  # without those of the start checks
        if latched:
            code = latched[-1]
            lines.append(f"Last trip: {code}: {FAULTS[code].sentence}" if code in FAULTS
                         else f"Last trip: {code}.")
        if result.showing:
            lines.append(f"It shows: {result.showing}")
        if "controller_hangs" in rig.plant.faults:
            guard = ", ".join(GUARD_LATCHES.get(code, code) for code in rig.guard.state.latches)
            lines.append("The controller still hangs: what stands above is its last word. The "
                         f"guard has latched: {guard or 'nothing'}; the element is "
                         f"{'ON' if rig.plant.element_on else 'off'}.")
    peak, over = plain["peak_oil_c"], plain["overshoot_k"]
    if peak is not None and over is not None:
        lines.append(f"Hottest from heating to the end of the mix: {peak:.2f} degC, "
                     f"{round(over, 2) + 0.0:+.2f} K from the setpoint, ceiling "
                     f"{METRIC.limit(result.ceiling_c)}.")
    if result.boiled_off_l >= 0.01 or result.local_boiling_s > 0.0:
        lines.append(f"Methanol boiled: {result.boiled_off_l:.2f} L of it off, and for "
                     f"{took(result.local_boiling_s)} at the element's surface.")
    if result.flammable_s > 0.0:
        lines.append("The headspace was within the flammable range of methanol for "
                     f"{took(result.flammable_s)}.")
    return [*lines, f"The record lies in {path}; read it with:",
            f"  {_me()} record show {path}"]


def _me() -> str:
    """How this program is called here: by name when the shell finds it, else by its path."""
    if shutil.which("esterward") or not Path(sys.argv[0]).is_file():
        return "esterward"
    return os.path.relpath(sys.argv[0])
