"""The command `esterward rehearse`: a whole batch on the simulator."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import time
from contextlib import ExitStack
from importlib import resources
from pathlib import Path
from typing import Any

import click

from esterward.cli.errors import Refused, reading


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


def _record_path(asked: Path | None, name: str) -> Path:
    if asked is not None:
        if asked.exists():
            raise Refused(f"--record {asked}: this file exists already; name a new one.")
        if not asked.resolve().parent.is_dir():
            raise Refused(f"--record {asked}: there is no folder {asked.parent}; make it first.")
        return asked
    folder = Path("rehearsals")
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise Refused(f"rehearsals: no record can be kept here ({error.strerror}); use --record "
                      "FILE in a folder that can be written.") from None
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "batch"
    number = 1
    while (folder / f"{slug}-{number:03d}.sqlite").exists():
        number += 1
    return folder / f"{slug}-{number:03d}.sqlite"


def example_reactor() -> Path:
    """The shipped example: beside the packages in a clone, inside the package when installed."""
    here = Path(str(resources.files("esterward"))).parent / "config" / "reactor.toml"
    if not here.is_file():
        raise Refused("rehearse: the shipped example reactor.toml is not here; name yours with "
                      "--reactor FILE.")
    return here


def print_faults(as_json: bool) -> None:
    from esterward_sim.plant.faults import FAULTS

    if as_json:
        click.echo(json.dumps([{"name": row.name, "rows": list(row.rows),
                                "sentence": row.sentence} for row in FAULTS]))
        return
    for row in FAULTS:
        click.echo(f"{row.name:24} {', '.join(row.rows):12} {row.sentence}")


@click.command()
@click.argument("batch", type=click.Path(path_type=Path), required=False)
@click.option("--reactor", type=click.Path(path_type=Path), help="reactor.toml; default: beside "
              "the batch file, else the shipped example.")
@click.option("--speed", default="max", show_default=True, help="max, or how many times faster "
              "than real time.")
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True,
              help="Same seed, same batch.")
@click.option("--person", type=click.Choice(["prompt", "slow", "absent"]), default="prompt",
              show_default=True, help="How the simulated person answers.")
@click.option("--fault", "faults", multiple=True, metavar="NAME@TIME", help="Start a fault; TIME "
              "is seconds from the start or STAGE+SECONDS. May be repeated.")
@click.option("--faults", "list_faults", is_flag=True, help="List the faults and leave.")
@click.option("--broker", default="none", show_default=True, metavar="embedded|HOST:PORT|none",
              help="Publish over MQTT while rehearsing.")
@click.option("--record", type=click.Path(path_type=Path), help="Where the record goes; default: "
              "a new file in ./rehearsals.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else.")
def rehearse(batch: Path | None, reactor: Path | None, speed: str, seed: int, person: str,
             faults: tuple[str, ...], list_faults: bool, broker: str, record: Path | None,
             as_json: bool) -> None:
    """Rehearse the whole batch on the simulator, no hardware needed.

    Example: esterward rehearse batch.toml --speed 600 --fault mixer_stalled@mix+600
    """
    if list_faults:
        print_faults(as_json)
        return
    if batch is None:
        raise Refused("rehearse: name a batch file, for example: esterward rehearse batch.toml.")
    from esterward.settings.files import load_pair, reactor_beside
    from esterward_sim.rehearsal import FaultOrder

    chosen = reactor or reactor_beside(batch)
    with reading():
        if chosen is None:
            chosen = example_reactor()
            click.echo(f"note: no reactor.toml beside {batch}; the shipped example is used.",
                       err=True)
        plan, vessel = load_pair(batch, chosen)
    assert vessel is not None
    if vessel.rig_level == "watch":
        raise Refused(f'rehearse: {chosen} has [rig] level = "watch", where the maker\'s own '
                      'thermostat heats; only "small" and "full" can be rehearsed.')
    try:
        orders = tuple(FaultOrder.parse(text) for text in faults)
    except ValueError as error:
        raise Refused(str(error)) from None
    factor = _speed(speed)
    where = _broker(broker)
    path = _record_path(record, plan.name)
    texts = {"batch.toml": batch.read_text(encoding="utf-8"),
             "reactor.toml": chosen.read_text(encoding="utf-8")}
    code = _run(plan, vessel, texts, path, factor, seed, person, orders, where, as_json)
    sys.exit(code)


def _broker(text: str) -> tuple[str, int] | str | None:
    if text in ("none", "embedded"):
        return None if text == "none" else text
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise Refused(f"--broker {text!r}: write embedded, none, or HOST:PORT with a port from 1 "
                      "to 65535.")
    return host, int(port)


def _run(plan: Any, vessel: Any, texts: dict[str, str], path: Path, factor: float | None,
         seed: int, person: str, orders: tuple[Any, ...],
         where: tuple[str, int] | str | None, as_json: bool) -> int:
    from esterward.chemistry.sheet import batch_sheet, sheet_json
    from esterward.record.journal import Journal
    from esterward_sim.rehearsal import Rehearsal
    from esterward_sim.view import PlainView, make_view
    from esterward_sim.virtual import VirtualClock

    view: PlainView | None = None if as_json else make_view()
    with ExitStack() as stack:
        clock = VirtualClock()
        journal = Journal(path, boot=clock.boot, now_s=clock.now_s(), wall_s=clock.wall_s())
        stack.callback(lambda: journal.close(clock.now_s(), clock.wall_s()))
        texts["sheet"] = json.dumps(sheet_json(batch_sheet(plan, vessel)))
        for name, text in texts.items():
            journal.attach(name, text)
        link = None
        heard: Any = None
        if where is not None:
            from esterward_sim.publish import open_link

            link, heard = open_link(stack, where, vessel, clock.boot)
        rehearsal = Rehearsal(vessel, plan, journal, seed=seed, person=person, faults=orders,
                              telemetry=link, clock=clock)
        pace = _Pace(rehearsal, view, factor, heard)
        try:
            result = rehearsal.run(pace)
            pace.last()
        except KeyboardInterrupt:
            from esterward.values.outputs import SAFE

            rehearsal.rig.relays.write(SAFE, rehearsal.rig.clock.now_s())
            click.echo("\nstopped by Ctrl-C; all outputs off. The record so far: "
                       f"{path}", err=True)
            return 130
        if link is not None:
            link.close()
        if heard is not None and view is not None:
            for line in heard.last_words():
                click.echo(line)
    if as_json:
        click.echo(json.dumps(result.json()))
    else:
        _tell(result, path)
    return 0 if result.complete else 1


class _Pace:
    """Called once a simulated second: shows, and waits so that the pace is as asked."""

    def __init__(self, rehearsal: Any, view: Any, factor: float | None, heard: Any) -> None:
        self.rehearsal, self.view, self.factor, self.heard = rehearsal, view, factor, heard
        self.began_s = time.monotonic()
        self.drawn_s = 0.0
        self.seen = 0

    def __call__(self, rehearsal: Any) -> None:
        simulated_s = rehearsal.rig.clock.time_s
        if self.factor is not None:
            ahead_s = simulated_s / self.factor - (time.monotonic() - self.began_s)
            if ahead_s > 0.02:
                time.sleep(ahead_s)
        if self.view is None:
            return
        events = rehearsal.result.events
        news = len(events) > self.seen
        now_s = time.monotonic()
        if news or now_s - self.drawn_s >= 0.1:
            if self.heard is None:  # else what the subscriber heard tells it
                self.view.events(events[self.seen:])
            self.seen, self.drawn_s = len(events), now_s
            status = rehearsal.rig.loop.status
            if status is not None:
                self.view.show(status, self.heard.lines() if self.heard else [])

    def last(self) -> None:
        self.drawn_s = 0.0
        self(self.rehearsal)


def _tell(result: Any, path: Path) -> None:
    plain = result.json()
    if result.complete:
        click.echo(f"\nThe batch is complete: {plain['simulated_s'] / 3600:.1f} h in "
                   f"{plain['wall_s']:.0f} s.")
    else:
        click.echo(f"\nThe batch did not end complete: {plain['state']} ({plain['why']}).")
    peak, over = plain["peak_oil_c"], plain["overshoot_k"]
    if peak is not None and over is not None:
        click.echo(f"Hottest from heating to the end of the mix: {peak:.2f} degC, "
                   f"{over:+.2f} K from the setpoint, ceiling {plain['ceiling_c']:.1f} degC.")
    click.echo(f"The record lies in {path}; read it with: {_me()} record show {path}")


def _me() -> str:
    """How this program is called here: by name when the shell finds it, else by its path."""
    if shutil.which("esterward") or not Path(sys.argv[0]).is_file():
        return "esterward"
    return os.path.relpath(sys.argv[0])
