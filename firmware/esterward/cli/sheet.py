"""esterward sheet: everything that follows from the two files, on one page."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from esterward.chemistry.jar import Ladder, ladder
from esterward.chemistry.sheet import Sheet, batch_sheet, sheet_json
from esterward.chemistry.wording import Wording
from esterward.cli.errors import Refused, reading, warn
from esterward.cli.options import to_write, write
from esterward.cli.sheet_checks import (
    checks_json,
    limits_json,
    page_sections,
    read_checks,
    result_sections,
)
from esterward.cli.sheet_print import html_page, text_page, text_working
from esterward.cli.sheet_rows import Section, batch_sections, jar_sections
from esterward.cli.sheet_working import working
from esterward.cli.show import VOLUMES, as_json, temperature_option
from esterward.settings.files import load_pair, load_reactor, reactor_beside
from esterward.settings.mistakes import SettingsError
from esterward.settings.quantity import wording
from esterward.settings.typed import typed
from esterward.settings.units import MASS, VOLUME
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor

JAR = replace(VOLUME, example="400 mL")
SCALE = replace(MASS, example="0.01 g")
JAR_L = (0.05, 5.0)
SCALE_G = (0.001, 100.0)


@click.command()
@click.argument("batch", default="batch.toml", metavar="[BATCH]")
@click.option("--reactor", metavar="FILE",
              help="The reactor file; without it reactor.toml beside BATCH, if there is one.")
@click.option("--working", "working_wanted", is_flag=True,
              help="Print the working of every number on a second page.")
@click.option("--jar", metavar="TEXT",
              help='For three jars of oil like this one, e.g. "400 mL"; needs no reactor file.')
@click.option("--scale", metavar="TEXT",
              help='With --jar: smallest step of the scale for the jars, e.g. "0.01 g".')
@click.option("--checks", "checks_wanted", is_flag=True,
              help="The page of home checks of fuel; no batch file is needed.")
@click.option("--check", "checks", metavar="TEXT", multiple=True,
              help='Work out a home check, e.g. "conversion: layer 0.2 mL"; see --checks.')
@click.option("--html", type=click.Path(path_type=Path), metavar="FILE.html",
              help="Also write what is printed as a page for the wall; an older page of that name "
                   "is replaced.")
@temperature_option
@click.option("--volume", "volume_unit", type=click.Choice(VOLUMES), default=None,
              help="Show volumes in this unit.")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON for other programs.")
@click.pass_context
def sheet(context: click.Context, batch: str, reactor: str | None, working_wanted: bool,
          jar: str | None, scale: str | None, checks_wanted: bool, checks: tuple[str, ...],
          html: Path | None, temperature_unit: str | None, volume_unit: str | None,
          json_wanted: bool) -> int:
    """Catalyst, methanol, temperatures and times of a batch, on one page.

    BATCH is the batch file, batch.toml if not given.

    Example: esterward sheet batch.toml --working
    """
    if html is not None:
        to_write("--html", html, ".html")
    units = (temperature_unit, volume_unit)
    if checks_wanted or checks:
        if checks_wanted and checks:
            raise Refused("--checks prints the page that explains --check; write one of them.")
        if working_wanted or jar is not None or scale is not None:
            raise Refused("--check and --checks stand alone; write them without --working, --jar "
                          "and --scale.")
        given = context.get_parameter_source("batch") is not ParameterSource.DEFAULT
        return _checks(batch if given or Path(batch).exists() else None, reactor, checks, html,
                       units, json_wanted)
    with reading():
        told, vessel, jar_l, scale_g = _read(batch, reactor, jar, scale, units)
    say = _wording(vessel, units)
    jars = None if jar_l is None else ladder(told, jar_l, scale_g, say)
    if jars is not None and jars.scale_error:
        raise Refused(f"--scale: {jars.scale_error}")
    worked = batch_sheet(told, vessel, say) if jars is None else jars.sheet
    warnings = [w for w in worked.warnings
                if jars is None or not w.startswith("No reactor file")]
    missing = worked.missing + (() if jars is not None else _rig_waits(vessel))
    title = f"{worked.batch.name}: {'test in jars' if jars is not None else 'batch sheet'}"
    sections = batch_sections(worked, say) if jars is None else jar_sections(jars, say)
    lines = working(worked, say, jar=jars is not None) if working_wanted else []
    if html is not None:
        write("--html", html, html_page(title, sections, missing, warnings, lines))
    if json_wanted:
        click.echo(as_json(_json(told, vessel, jars, worked)))
        return 0
    click.echo(text_page(title, sections, missing))
    if lines:
        click.echo(text_working(lines))
    if html is not None:
        click.echo(f"\nWritten: {html}")
    warn(warnings)
    return 0


def _checks(batch: str | None, reactor: str | None, checks: tuple[str, ...], html: Path | None,
            units: tuple[str | None, str | None], json_wanted: bool) -> int:
    """The page of home checks, or what was typed worked out; 1 when one did not pass."""
    told = vessel = None
    with reading():
        if batch is not None:
            told, vessel, _, _ = _read(batch, reactor, None, None, units)
        elif reactor is not None:
            vessel = load_reactor(reactor)
    say = _wording(vessel, units)
    known = None if told is None else batch_sheet(told, vessel, say)
    results = read_checks(checks, say, known)
    sections: list[Section] = (result_sections(results, say, known is not None) if results
                               else page_sections(say))
    title = "Home checks of fuel: none of them certifies a fuel"
    if html is not None:
        write("--html", html, html_page(title, sections, (), [], []))
    if json_wanted:
        click.echo(as_json(checks_json(results) if results else limits_json()))
    else:
        click.echo(text_page(title, sections, ()))
        if html is not None:
            click.echo(f"\nWritten: {html}")
    return 0 if all(one.found.good for one in results) else 1


def _rig_waits(vessel: Reactor | None) -> tuple[str, ...]:
    """What else the running controller will wait for before any methanol: there process.words
    tells of the probes, and of level watch cli.run."""
    if vessel is None:
        return ()
    if vessel.rig_level == "watch":
        return ('[rig] level = "watch" in the reactor file does no batch: esterward run only '
                'watches there; wire the rig for level "small" or "full" first.',)
    if not vessel.probes_checked:
        return ("[probes] checked is not true in the reactor file, so no methanol may go in; "
                "compare both probes in ice water and in a warm bath, then write checked = true.",)
    return ()


def _wording(vessel: Reactor | None, units: tuple[str | None, str | None]) -> Wording:
    """As the options say, else the reactor file."""
    told = vessel or Reactor()
    return wording(units[0] or told.show_temperature, units[1] or told.show_volume)


def _read(batch: str, reactor: str | None, jar: str | None, scale: str | None,
          units: tuple[str | None, str | None]
          ) -> tuple[Batch, Reactor | None, float | None, float | None]:
    """Files and options; the mistakes of all of them at once as SettingsError."""
    mistakes: list[str] = []
    jar_l = scale_g = None
    try:
        jar_l = None if jar is None else typed("--jar", jar, JAR, *JAR_L)
    except SettingsError as error:
        mistakes += error.mistakes
    try:
        scale_g = None if scale is None else typed("--scale", scale, SCALE, *SCALE_G)
    except SettingsError as error:
        mistakes += error.mistakes
    if scale is not None and jar is None:
        mistakes.append("--scale is for --jar; for a batch write [scale] resolution in the "
                        "reactor file.")
    try:
        beside = None if jar is not None else reactor_beside(batch)
        told, vessel = load_pair(batch, reactor if reactor is not None else beside, *units)
    except SettingsError as error:
        mistakes += error.mistakes
    if mistakes:
        raise SettingsError(mistakes)
    return told, vessel, jar_l, scale_g


def _json(told: Batch, vessel: Reactor | None, jars: Ladder | None, worked: Sheet
          ) -> dict[str, Any]:
    """For other programs: degC and L in sentences too, whatever a person prefers."""
    if jars is None:
        whole = sheet_json(batch_sheet(told, vessel))
        waits = _rig_waits(vessel)
        return whole | {"missing": [*whole["missing"], *waits],
                        "complete": whole["complete"] and not waits}
    plain = sheet_json(worked)
    plain["warnings"] = [w for w in plain["warnings"] if not w.startswith("No reactor file")]
    return plain | {"jar_l": jars.jar_l, "jars": [asdict(rung) for rung in jars.rungs],
                    "scale_step_max_g": jars.scale_step_max_g}
