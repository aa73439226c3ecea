"""The command `esterward rehearse`: a whole batch on the simulator."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from contextlib import ExitStack, suppress
from importlib import resources
from pathlib import Path
from typing import Any

import click

from esterward.cli.errors import Refused, warn
from esterward.cli.options import Named, Whole, to_write, write
from esterward_sim.rehearse_options import (
    alone,
    broker_at,
    no_record,
    record_path,
    speed_factor,
)
from esterward_sim.rehearse_stop import Stops, stopping, tell

# person.KINDS, written out because --help must load nothing heavy
PERSONS = ("prompt", "slow", "absent", "wrong-order", "double-press")


def _told(mistakes: list[str], check: Callable[[], Any]) -> Any:
    """What check gives; a refusal joins the other mistakes, all are told at once."""
    try:
        return check()
    except Refused as refused:
        mistakes += refused.sentences
        return None


def _open_record(path: Path, asked: bool, clock: Any, texts: dict[str, str]) -> Any:
    """The journal with the texts in it; Refused when it cannot be written, before a run."""
    import sqlite3

    from esterward.record.journal import Journal
    from esterward.record.schema import BadRecord

    try:
        if not asked:
            path.parent.mkdir(exist_ok=True)
        # Nobody relies on a record that was not asked for: it waits for no disk.
        journal = Journal(path, boot=clock.boot, now_s=clock.now_s(), wall_s=clock.wall_s(),
                          durable=asked)
    except OSError as error:
        raise no_record(path, error.strerror) from None
    except BadRecord as error:
        raise Refused(f"{str(error).rstrip('.')}.") from None
    try:
        journal.attach(texts)
    except (OSError, sqlite3.Error) as error:
        # The controller would run on without and hold; a rehearsal need not begin.
        journal.close(clock.now_s())
        _take_lock_away(path)
        raise no_record(path, error) from None
    return journal


def _close_record(journal: Any, clock: Any) -> None:
    """Clean stop. The lock file goes too: all is folded into the file, no controller follows."""
    journal.close(clock.now_s(), clock.wall_s())
    if not journal.fault and not journal.backlog:
        _take_lock_away(journal.path)


def _take_lock_away(path: Path) -> None:
    """Only while holding it: another start may have taken the lock the moment it was let go of,
    and would hold a file that nobody else finds."""
    from esterward.record.lock import InUse, Lock, lock_path

    with suppress(InUse, OSError):
        lock = Lock(path, durable=False)
        try:
            lock_path(path).unlink(missing_ok=True)
        finally:
            lock.close()


def _all_off(rehearsal: Any) -> None:
    from esterward.values.outputs import SAFE

    rehearsal.rig.loop.ports.relays.write(SAFE, rehearsal.rig.clock.now_s())


def example_reactor() -> Path:
    """The shipped example: beside the packages in a clone, inside the package when installed."""
    here = Path(str(resources.files("esterward"))).parent / "config" / "reactor.toml"
    if not here.is_file():
        raise Refused("rehearse: the shipped example reactor.toml is not here; name yours with "
                      "--reactor FILE.")
    return here


@click.command()
@click.argument("batch", type=Named(), required=False)
@click.option("--reactor", type=Named(), help="reactor.toml; default: beside "
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
@click.option("--scenario", type=Named(), metavar="FILE", help="Rehearse the "
              "story of a scenario file and compare its ending, line by line.")
@click.option("--broker", default="none", show_default=True, metavar="embedded|HOST:PORT|none",
              help="Publish over MQTT while rehearsing.")
@click.option("--record", type=Named(), help="Where the record goes; a record "
              "of ended rehearsals takes one more. Default: a new file in ./rehearsals.")
@click.option("--plot", type=Named(), metavar="FILE.svg",
              help="Draw the batch: oil, limits, element, stages, faults.")
@click.option("--fit", "fitted", type=Named(), metavar="RECORD",
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

    BATCH is the batch file, batch.toml if not given.

    Example: esterward rehearse batch.toml --speed 600 --fault mixer_stalled@mix+600-900
    """
    context = click.get_current_context()
    if list_faults:
        alone(context, "list_faults")
        from esterward_sim.fault_list import print_faults

        print_faults(as_json)
        return
    if scenario is not None:
        alone(context, "scenario")
        from esterward_sim.scenario_command import rehearse_scenario

        sys.exit(rehearse_scenario(scenario, example_reactor(), as_json))
    if fitted is not None:
        alone(context, "fitted")
        from esterward_sim.fit.report import fit_record

        sys.exit(fit_record(fitted, batch, reactor, as_json))
    batch = batch or Path("batch.toml")
    from esterward.settings.files import load_pair, reactor_beside
    from esterward.settings.mistakes import SettingsError
    from esterward_sim.continued import go_on
    from esterward_sim.orders import Moment, parse_orders
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
    factor = _told(mistakes, lambda: speed_factor(speed))
    where = _told(mistakes, lambda: broker_at(broker))
    if plot is not None:
        _told(mistakes, lambda: to_write("--plot", plot, ".svg", new=True))
    if record is not None:
        _told(mistakes, lambda: record_path(record, ""))
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
    path = record_path(record, plan.name)
    before = _earlier(path)
    texts = {"batch.toml": batch.read_text(encoding="utf-8"),
             "reactor.toml": chosen.read_text(encoding="utf-8")}
    from esterward.chemistry.sheet import batch_sheet, sheet_json
    from esterward.process.words import sheet_waits
    from esterward.settings.quantity import wording

    sheet = batch_sheet(plan, vessel, wording(vessel.show_temperature, vessel.show_volume))
    texts["sheet"] = json.dumps(sheet_json(sheet))
    waits = sheet_waits(sheet, vessel.probes_checked)
    rig: type[VirtualRig] = VirtualRig
    if wires:
        from esterward_sim.wires import WiredRig

        rig = WiredRig
    journal = None
    with stopping() as stops:
        try:
            with ExitStack() as stack:
                clock = before.clock() if before else VirtualClock()
                link = heard = embedded = None
                with stops:
                    if where is not None:
                        from esterward_sim.publish import open_link

                        link, heard, embedded = open_link(stack, where, vessel, clock.boot)
                journal = _open_record(path, record is not None, clock, texts)
                stack.callback(_close_record, journal, clock)
                _tell_missing(waits, vessel)
                warn(sheet.warnings)
                rehearsal = Rehearsal(
                    vessel, plan, journal, seed=seed, person=person, faults=orders,
                    telemetry=link, clock=clock, rig=rig,
                    until=None if vessel.probes_checked else Moment(60.0, "methoxide"))
                stack.callback(rehearsal.close)
                stack.callback(_all_off, rehearsal)
                rehearsal.rig.broker = embedded
                if before:
                    go_on(rehearsal, journal.found.last_number, before)
                told = {"warnings": list(sheet.warnings), "still_missing": waits}
                code = _run(rehearsal, path, factor, link, heard, told, plot, as_json, stops)
        except KeyboardInterrupt as stopped:  # all is closed by now, with the stops only noted
            code = tell(stopped, None if journal is None else path)
    sys.exit(code)


def _tell_missing(waits: str, vessel: Any) -> None:
    """What the methoxide will wait for, before hours of heating; and where that is the end."""
    if waits:
        click.echo(f"still missing: {waits}", err=True)
    if not vessel.probes_checked:  # the person may titrate, but writes no reactor file
        click.echo("note: the rehearsal ends where it waits for the probe check; for the rest, "
                   "rehearse with checked = true in a copy of the reactor file, named with "
                   "--reactor.", err=True)


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
        raise no_record(path, error.strerror) from None
    except BadRecord as error:
        raise Refused("--record: the file exists already, and a further batch cannot go "
                      f"there: {error}.") from None


def _run(rehearsal: Any, path: Path, factor: float | None, link: Any, heard: Any,
         told: dict[str, Any], plot: Path | None, as_json: bool, stops: Stops) -> int:
    from esterward_sim.batch_picture import draw
    from esterward_sim.batch_series import Sampler
    from esterward_sim.pace import Pace
    from esterward_sim.rehearse_end import last_lines
    from esterward_sim.view import PlainView, make_view

    sampler = Sampler() if plot is not None else None
    mistakes: list[str] = []
    view: PlainView | None = None if as_json else make_view()
    pace = Pace(rehearsal, view, factor, heard, sampler)
    result = rehearsal.run(stops.between_steps(pace))
    with stops:
        pace.last()
    if link is not None:
        link.close()
    if heard is not None and view is not None:
        view.below(heard.last_words())
    if plot is not None and sampler is not None:
        with stops:
            picture = draw(sampler.series)
        _told(mistakes, lambda: write("--plot", plot, picture))
    if as_json:
        click.echo(json.dumps(result.json() | told))
    else:
        assert view is not None
        view.below(last_lines(result, path, rehearsal.rig))
    if mistakes:
        raise Refused(*mistakes)
    return 0 if result.complete else 1
