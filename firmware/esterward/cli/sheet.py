"""esterward sheet: everything that follows from the two files, on one page."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from esterward.chemistry.jar import Ladder, ladder
from esterward.chemistry.sheet import Sheet, batch_sheet, sheet_json
from esterward.cli.errors import Refused, reading, warn
from esterward.cli.sheet_print import html_page, text_page, text_working
from esterward.cli.sheet_rows import Units, batch_sections, jar_sections
from esterward.cli.sheet_working import working
from esterward.cli.show import VOLUMES, as_json, temperature_option
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor

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
@click.option("--html", metavar="FILE", help="Also write the sheet as a page for the wall.")
@temperature_option
@click.option("--volume", "volume_unit", type=click.Choice(VOLUMES), default=None,
              help="Show volumes in this unit.")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON for other programs.")
def sheet(batch: str, reactor: str | None, working_wanted: bool, jar: str | None,
          scale: str | None, html: str | None, temperature_unit: str | None,
          volume_unit: str | None, json_wanted: bool) -> None:
    """Catalyst, methanol, temperatures and times of a batch, on one page.

    BATCH is the batch file, batch.toml if not given.

    Example: esterward sheet batch.toml --working
    """
    with reading():
        told, vessel, jar_l, scale_g = _read(batch, reactor, jar, scale)
    if html is not None and Path(html).suffix.lower() != ".html":  # never over a batch file
        raise Refused(f"--html {html}: a page for the wall ends in .html; "
                      "write for example --html sheet.html.")
    units = Units(temperature_unit or (vessel.show_temperature if vessel else "degC"),
                  volume_unit or (vessel.show_volume if vessel else "L"))
    jars = None if jar_l is None else ladder(told, jar_l, scale_g)
    if jars is not None and jars.scale_error:
        raise Refused(f"--scale: {jars.scale_error}")
    worked = batch_sheet(told, vessel) if jars is None else jars.sheet
    warnings = [w for w in worked.warnings
                if jars is None or not w.startswith("No reactor file")]
    if html is not None:
        _write(html, _html(worked, jars, units, warnings, working_wanted))
    if json_wanted:
        click.echo(as_json(_json(worked, jars, warnings)))
        return
    _print(worked, jars, units, working_wanted)
    if html is not None:
        click.echo(f"\nWritten: {html}")
    warn(warnings)


def _read(batch: str, reactor: str | None, jar: str | None, scale: str | None
          ) -> tuple[Batch, Reactor | None, float | None, float | None]:
    """Files and options; the mistakes of all of them at once as SettingsError."""
    from esterward.settings import files
    from esterward.settings.mistakes import SettingsError
    from esterward.settings.typed import typed
    from esterward.settings.units import MASS, VOLUME

    mistakes: list[str] = []
    jar_l = scale_g = None
    try:
        jar_l = None if jar is None else typed("--jar", jar, VOLUME, *JAR_L)
    except SettingsError as error:
        mistakes += error.mistakes
    try:
        scale_g = None if scale is None else typed("--scale", scale, MASS, *SCALE_G)
    except SettingsError as error:
        mistakes += error.mistakes
    if scale is not None and jar is None:
        mistakes.append("--scale is for --jar; for a batch write [scale] resolution in the "
                        "reactor file.")
    try:
        beside = None if jar is not None else files.reactor_beside(batch)
        told, vessel = files.load_pair(batch, reactor if reactor is not None else beside)
    except SettingsError as error:
        mistakes += error.mistakes
    if mistakes:
        raise SettingsError(mistakes)
    return told, vessel, jar_l, scale_g


def _write(path: str, text: str) -> None:
    try:
        Path(path).write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "that is not a path"
        raise Refused(f"--html {path}: the page cannot be written: {reason}; "
                      "give a file in a folder you may write to.") from None


def _title(worked: Sheet, jars: Ladder | None) -> str:
    return f"{worked.batch.name}: {'test in jars' if jars is not None else 'batch sheet'}"


def _print(worked: Sheet, jars: Ladder | None, units: Units, working_wanted: bool) -> None:
    sections = batch_sections(worked, units) if jars is None else jar_sections(jars, units)
    click.echo(text_page(_title(worked, jars), sections, worked.missing))
    if working_wanted:
        click.echo(text_working(working(worked, units)))


def _html(worked: Sheet, jars: Ladder | None, units: Units, warnings: list[str],
          working_wanted: bool) -> str:
    sections = batch_sections(worked, units) if jars is None else jar_sections(jars, units)
    return html_page(_title(worked, jars), sections, worked.missing, warnings,
                     working(worked, units) if working_wanted else [])


def _json(worked: Sheet, jars: Ladder | None, warnings: list[str]) -> dict[str, Any]:
    plain = sheet_json(worked) | {"warnings": warnings}
    if jars is not None:
        plain |= {"jar_l": jars.jar_l, "jars": [asdict(rung) for rung in jars.rungs],
                  "scale_step_max_g": jars.scale_step_max_g}
    return plain
