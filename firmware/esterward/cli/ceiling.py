"""esterward ceiling: how hot the oil may get where you stand, and why."""

from __future__ import annotations

from dataclasses import asdict

import click

from esterward.chemistry import boiling
from esterward.chemistry.boiling import Limits
from esterward.chemistry.wording import Wording
from esterward.cli.errors import Refused, reading, warn
from esterward.cli.show import as_json, temperature_option, wrapped
from esterward.settings.quantity import wording
from esterward.values.rounding import down

TABLE_M = (0, 250, 500, 750, 1000, 1250, 1500, 1750, 2000, 2250, 2500, 2750, 3000, 3500, 4000)
LIMITS = ("setpoint_max_c", "alarm_c", "trip_c", "guard_trip_c")
FLAG_SET = "while methanol may be in the vessel (methanol flag set)"


@click.command()
@click.option("--altitude", metavar="TEXT",
              help='Altitude of the reactor, e.g. "1120 m" or "3675 ft".')
@click.option("--pressure", metavar="TEXT",
              help='Absolute reading of a barometer there, e.g. "88.5 kPa" or "885 hPa".')
@click.option("--altitudes", is_flag=True, help="A table over altitudes, without a barometer.")
@temperature_option
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON for other programs.")
def ceiling(altitude: str | None, pressure: str | None, altitudes: bool,
            temperature_unit: str | None, json_wanted: bool) -> None:
    """How hot the oil may get where you stand, and why.

    Methanol boils about 3 K lower for each km of altitude; the limits follow it.

    Example: esterward ceiling --altitude "1120 m"
    """
    say = wording(temperature_unit or "degC")
    if altitudes:
        if altitude is not None or pressure is not None:
            raise Refused("esterward ceiling: --altitudes is a table of its own; "
                          "write it without --altitude and --pressure.")
        _table(say, json_wanted)
        return
    if altitude is None:
        raise Refused("esterward ceiling: the altitude is missing; "
                      'write --altitude "1120 m", or --altitudes for a table.')
    here, barometer_kpa = _read(altitude, pressure)
    warnings = _warnings(here, barometer_kpa)
    if json_wanted:
        click.echo(as_json(_plain(here) | {"warnings": warnings}))
        return
    _page(here, " ".join(altitude.split()), barometer_kpa, say)
    warn(warnings)


def _plain(here: Limits) -> dict[str, object]:
    """The limits rounded down, pressures and boiling point to the nearest."""
    return {k: down(v, 4) if k in LIMITS else round(v, 4) for k, v in asdict(here).items()}


def _read(altitude: str, pressure: str | None) -> tuple[Limits, float | None]:
    """The limits, and what the barometer reads; both options' mistakes at once."""
    from esterward.settings.mistakes import SettingsError
    from esterward.settings.typed import typed
    from esterward.settings.units import ALTITUDE, PRESSURE, Kind

    mistakes: list[str] = []

    def read(option: str, text: str, kind: Kind, allowed: tuple[float, float]) -> float:
        try:
            return typed(option, text, kind, *allowed)
        except SettingsError as error:
            mistakes.extend(error.mistakes)
            return 0.0

    altitude_m = read("--altitude", altitude, ALTITUDE, boiling.ALTITUDE_RANGE_M)
    barometer_kpa = None if pressure is None else read(
        "--pressure", pressure, PRESSURE, boiling.PRESSURE_RANGE_KPA)
    with reading():
        if mistakes:
            raise SettingsError(mistakes)
    return boiling.limits(altitude_m, barometer_kpa), barometer_kpa


def _warnings(here: Limits, barometer_kpa: float | None) -> list[str]:
    if barometer_kpa is None or not boiling.pressure_disagrees(here.altitude_m, barometer_kpa):
        return []
    standard = boiling.standard_pressure_kpa(here.altitude_m)
    believed = here.pressure_kpa == barometer_kpa
    return [
        f"the barometer's {barometer_kpa:.1f} kPa is more than {boiling.DISAGREEMENT_KPA:g} kPa "
        f"from the {standard:.1f} kPa usual at {here.altitude_m:.0f} m: station pressure is "
        "wanted, not sea-level pressure; check the altitude too. "
        + ("The lower pressure counts." if believed else
           "It is not believed: the limits are those without a barometer.")]


def _page(here: Limits, typed: str, barometer_kpa: float | None, say: Wording) -> None:
    metres = "" if typed.endswith(" m") else f" ({here.altitude_m:.0f} m)"
    click.echo(f"At {typed}{metres}, {FLAG_SET}:\n")
    rows = [("highest setpoint", here.setpoint_max_c, "heat to this at most"),
            ("ceiling (alarm)", here.alarm_c, "a batch without a fault never touches it"),
            ("controller trip", here.trip_c, "heat removed and latched"),
            ("guard trip", here.guard_trip_c, "the second process removes heat too")]
    click.echo(f"  {'methanol boils':<18}{say.deg(here.boiling_c):>11}   "
               f"at {here.pressure_kpa:.2f} kPa")
    for name, value, meaning in rows:
        click.echo(f"  {name:<18}{say.limit(value):>11}   {meaning}")
    click.echo()
    click.echo(wrapped("Why: " + _why(here, barometer_kpa, say)))
    click.echo()
    click.echo(wrapped(
        "The pump must stir: an element is hotter than this, and methanol boils on it in still "
        "oil. Software may fail: the vessel needs its own manual-reset thermal cut-out. Local "
        "codes and licensed people come before these numbers."))


def _why(here: Limits, barometer_kpa: float | None, say: Wording) -> str:
    standard = boiling.standard_pressure_kpa(here.altitude_m)
    boils_c = boiling.boiling_point_c(here.p_eff_kpa) if (
        here.p_eff_kpa >= boiling.PRESSURE_RANGE_KPA[0]) else None
    if barometer_kpa != here.pressure_kpa:
        missing = ("no barometer was given" if barometer_kpa is None else
                   f"the barometer's {barometer_kpa:.2f} kPa cannot be")
        text = (f"the standard atmosphere has {standard:.2f} kPa at {here.altitude_m:.0f} m; "
                f"{missing} and bad weather may be {boiling.WEATHER_ALLOWANCE_KPA:g} kPa lower")
    elif here.pressure_kpa <= standard:
        text = (f"the barometer reads {here.pressure_kpa:.2f} kPa, and may be "
                f"{boiling.BAROMETER_ALLOWANCE_KPA:g} kPa wrong")
    else:
        text = (f"the barometer reads {here.pressure_kpa:.2f} kPa, more than the "
                f"{standard:.2f} kPa of the standard atmosphere, so the lower of the two counts, "
                f"less {boiling.BAROMETER_ALLOWANCE_KPA:g} kPa")
    text += f". So the limits hold for {here.p_eff_kpa:.2f} kPa"
    if boils_c is not None:
        text += f", where methanol boils at {say.deg(boils_c)}"
    *margins, last = [say.rise(k) for k in (
        boiling.SETPOINT_MARGIN_K, boiling.ALARM_MARGIN_K, boiling.TRIP_MARGIN_K,
        boiling.GUARD_TRIP_MARGIN_K)]
    first = ", ".join(margin.split()[0] for margin in margins)
    text += f". Setpoint, alarm and trips stay {first} and {last} below that"
    if here.guard_trip_c >= boiling.HIGHEST_C:
        text += f", and never above {say.limit(boiling.HIGHEST_C)}"
    return text + "."


def _table(say: Wording, json_wanted: bool) -> None:
    rows = [boiling.limits(float(m)) for m in TABLE_M]
    if json_wanted:
        click.echo(as_json({"altitudes": [_plain(row) for row in rows]}))
        return
    click.echo(f"Without a barometer, {FLAG_SET}:\n")
    click.echo(f"{'altitude':>8}{'pressure':>12}{'methanol':>14}{'highest':>14}{'ceiling':>14}"
               f"{'controller':>14}")
    click.echo(f"{'':>8}{'':>12}{'boils':>14}{'setpoint':>14}{'(alarm)':>14}{'trip':>14}")
    for row in rows:
        click.echo(f"{f'{row.altitude_m:g} m':>8}{f'{row.pressure_kpa:.1f} kPa':>12}"
                   f"{say.deg(row.boiling_c):>14}"
                   + "".join(f"{say.limit(c):>14}"
                             for c in (row.setpoint_max_c, row.alarm_c, row.trip_c)))
