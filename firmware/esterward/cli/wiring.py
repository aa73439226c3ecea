"""esterward wiring: which wire goes where, what to buy, and whether this machine is ready."""

from __future__ import annotations

from pathlib import Path

import click

from esterward.cli.errors import Refused, reading
from esterward.cli.show import as_json, wrapped
from esterward.hardware import parts, pins
from esterward.values.reactor import RIG_LEVELS, Reactor
from esterward.values.readings import OPTIONAL_INPUTS

CAUTION = (
    "Mains wiring is for a licensed person, under local codes. The cut-out, the e-stop and the "
    "float must open the contactors with the computer unplugged: prove it first (wiring/"
    "bring-up.md). No box, relay or plug stands in the vapour space.")
MARKS = {True: "OK ", False: "FIX", None: "?  "}


@click.command()
@click.option("--reactor", "reactor_path", type=click.Path(path_type=Path),
              help="Your reactor file; by default reactor.toml here, else the defaults.")
@click.option("--level", type=click.Choice(RIG_LEVELS),
              help="Without a reactor file: the defaults of one rig level.")
@click.option("--check", is_flag=True, help="Look at this machine: OK, FIX or ? a line.")
@click.option("--markdown", is_flag=True, help="Print tables for a document.")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON for other programs.")
def wiring(reactor_path: Path | None, level: str | None, check: bool, markdown: bool,
           json_wanted: bool) -> None:
    """Which wire goes where, what to buy, and whether this machine is ready.

    Example: esterward wiring --reactor reactor.toml --check
    """
    reactor, where = _reactor(reactor_path, level)
    if check:
        _check(reactor, json_wanted)
        return
    try:
        chosen = pins.board(reactor)
    except pins.PinMistake as error:
        raise Refused(*(f"{where}: {mistake}" for mistake in error.mistakes)) from None
    if json_wanted:
        click.echo(as_json(_plain(reactor, chosen)))
    elif markdown:
        click.echo(pins_markdown(reactor, where), nl=False)
        click.echo()
        click.echo(parts_markdown(parts.parts_of(reactor.rig_level)), nl=False)
    else:
        _page(reactor, chosen, where)


def _reactor(path: Path | None, level: str | None) -> tuple[Reactor, str]:
    if path is not None and level is not None:
        raise Refused("esterward wiring: --level is for the defaults; write it without --reactor.")
    if path is None and level is None and Path("reactor.toml").is_file():
        path = Path("reactor.toml")
    if path is None:
        return defaults(level or "small"), f"the defaults of rig level {level or 'small'}"
    from esterward.settings.files import load_reactor

    with reading():
        return load_reactor(path), str(path)


def defaults(level: str) -> Reactor:
    """A reactor of this level with everything fitted that the level can have."""
    full = level == "full"
    return Reactor(name=level, rig_level=level, fitted=OPTIONAL_INPUTS if full else (),
                   barometer=full, element_switch="ssr" if full else "contactor")


def _rows(reactor: Reactor, chosen: dict[str, int]) -> list[tuple[str, ...]]:
    return [(row.name, str(chosen[name]), str(pins.HEADER[chosen[name]]), row.direction,
             row.pull, row.owner, row.wire, row.true, ", ".join(row.levels))
            for name, row in pins.lines_of(reactor).items()]


HEAD = ("name", "GPIO", "pin", "kind", "pull", "claimed by", "wire", "high means", "rig level")


def absent_rules(reactor: Reactor) -> dict[str, str]:
    """Optional inputs that are not fitted -> the stricter rule that holds instead."""
    rules = {name: row.absent for name, row in pins.LINES.items()
             if row.direction == pins.IN and row.absent and name not in reactor.fitted}
    rules |= {name: rule for name, rule in pins.ABSENT.items()
              if name != "barometer" or not reactor.barometer}
    if reactor.rig_level == "watch":  # no batch, so no stage that a rule could be for
        return {name: rule for name, rule in rules.items() if name == "barometer"}
    return rules


def _plain(reactor: Reactor, chosen: dict[str, int]) -> dict[str, object]:
    keys = ("name", "gpio", "pin", "kind", "pull", "claimed_by", "wire", "high_means",
            "rig_levels")
    return {
        "level": reactor.rig_level,
        "lines": [{key: int(cell) if key in ("gpio", "pin") else cell
                   for key, cell in zip(keys, row, strict=True)}
                  for row in _rows(reactor, chosen)],
        "absent": absent_rules(reactor),
        "config_txt": pins.config_lines(chosen, reactor),
        "parts": [{"count": row.count, "what": row.what, "must": row.must}
                  for row in parts.parts_of(reactor.rig_level)],
    }


def _page(reactor: Reactor, chosen: dict[str, int], where: str) -> None:
    click.echo(f"Wires for {where} (rig level {reactor.rig_level})\n")
    click.echo(f"{'name':<15}{'GPIO':>4}{'pin':>5}  {'kind':<7}{'claimed by':<12}high means")
    for name, bcm, pin, kind, _, owner, wire, true, _ in _rows(reactor, chosen):
        click.echo(f"{name:<15}{bcm:>4}{pin:>5}  {kind:<7}{owner:<12}{true}")
        click.echo(wrapped(wire, " " * 26))
    click.echo("\nPulls: outputs down by a resistor at the driver, inputs down in the chip, "
               "1-wire up by 4.7 kOhm.")
    click.echo("\nNot fitted, and so the stricter rule:")
    for name, rule in absent_rules(reactor).items():
        click.echo(wrapped(f"{name}: {rule}", "  "))
    click.echo("\nIn /boot/firmware/config.txt:")
    for line in pins.config_lines(chosen, reactor):
        click.echo(f"  {line}")
    click.echo("\nParts:")
    for part in parts.parts_of(reactor.rig_level):
        click.echo(wrapped(f"{part.count} x {part.what}: {part.must}", "  "))
    click.echo("\n" + wrapped(CAUTION))


def pins_markdown(reactor: Reactor, where: str) -> str:
    """The pin map as a document."""
    chosen = pins.board(reactor)
    lines = [f"# Pin map: {where}", "", CAUTION, "", "| " + " | ".join(HEAD) + " |",
             "|" + " --- |" * len(HEAD)]
    lines += ["| " + " | ".join(row) + " |" for row in _rows(reactor, chosen)]
    lines += ["", "Levels are 3.3 V. Outputs are active high and normally off; inputs are a "
              "contact to 3.3 V through 1 kOhm, so that a broken wire reads False. [pins] in "
              "reactor.toml may move a line to: outputs "
              f"{', '.join(map(str, pins.OUT_LINES))}; inputs "
              f"{', '.join(map(str, pins.IN_LINES))}.", "",
              "In `/boot/firmware/config.txt`:", "",
              *(f"    {line}" for line in pins.config_lines(chosen, reactor)), "",
              "## What an absent input means", "", "| not fitted | then |", "| --- | --- |"]
    rules = {name: row.absent for name, row in pins.LINES.items() if row.absent} | pins.ABSENT
    lines += [f"| {name} | {rule} |" for name, rule in rules.items()]
    return "\n".join(lines) + "\n"


def parts_markdown(rows: tuple[parts.Part, ...]) -> str:
    """The parts list as a document."""
    lines = ["# Parts", "", "| count | part | it must | rig level |",
             "| --- | --- | --- | --- |"]
    lines += [f"| {row.count} | {row.what} | {row.must} | {', '.join(row.levels)} |"
              for row in rows]
    return "\n".join(lines) + "\n"


def _check(reactor: Reactor, json_wanted: bool) -> None:
    from esterward.hardware import checkup

    found = checkup.check(reactor)
    if json_wanted:
        click.echo(as_json([{"what": row.what, "ok": row.ok, "text": row.text} for row in found]))
    else:
        for row in found:
            click.echo(f"{MARKS[row.ok]} {row.what}: {row.text}")
    if any(row.ok is False for row in found):
        raise SystemExit(1)
