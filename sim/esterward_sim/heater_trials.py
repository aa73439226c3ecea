"""The command `esterward heater-trials`: our heater law beside what a person would pick instead.

Random vessels, one run a law and vessel, in one process and from seeds, so that the same
command gives the same table. The numbers it must reach stand in LIMITS; the exit code is 1
when one is missed.
"""

from __future__ import annotations

import json
import statistics
import sys
from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from esterward.cli.errors import Refused, install
from esterward.cli.options import Whole, to_write, write

if TYPE_CHECKING:
    from esterward_sim.heater_runs import Outcome

# Column of an Outcome -> (heading, decimals).
COLUMNS = {
    "overshoot_k": ("overshoot K", 2),
    "time_over_bound": ("time / bound", 3),
    "band_k": ("band K", 2),
    "switchings_per_h": ("switchings / h", 0),
    "energy_over_ideal": ("energy / ideal", 3),
}
# (element, noisy) -> column -> (worst, median) allowed for our law; None = no number set.
# A contactor's time has no number: it is shown.
LIMITS: dict[tuple[str, bool], dict[str, tuple[float, float | None]]] = {
    ("ssr", False): {"overshoot_k": (0.3, None), "time_over_bound": (1.02, 1.005),
                     "band_k": (0.3, None)},
    ("ssr", True): {"overshoot_k": (0.3, None), "time_over_bound": (1.03, 1.01),
                    "band_k": (0.3, None)},
    ("contactor", False): {"overshoot_k": (0.5, None), "band_k": (1.0, None),
                           "switchings_per_h": (60.0, None)},
    ("contactor", True): {"overshoot_k": (0.5, None), "band_k": (1.0, None),
                          "switchings_per_h": (60.0, None)},
}


def summary(outcomes: list[Outcome]) -> dict[str, dict[str, float | int | None]]:
    """Median, 90th percentile and worst of each column, and the seed of the worst.

    None where a vessel never arrived.
    """
    result: dict[str, dict[str, float | int | None]] = {}
    for column in COLUMNS:
        ranked = sorted(outcomes, key=lambda one: float(getattr(one, column)))
        values = [float(getattr(one, column)) for one in ranked]
        result[column] = {
            "median": _finite(statistics.median(values)),
            "p90": _finite(values[min(len(values) - 1, int(0.9 * len(values)))]),
            "worst": _finite(values[-1]), "worst_seed": ranked[-1].seed,
        }
    return result


def _finite(value: float) -> float | None:
    return round(value, 6) if abs(value) < 1e300 else None


def missed(own: dict[str, dict[str, float | int | None]], element: str,
           noisy: bool) -> list[str]:
    """One sentence a number that our law did not reach."""
    sentences = []
    for column, (worst, median) in LIMITS[(element, noisy)].items():
        for which, allowed in (("worst", worst), ("median", median)):
            value = own[column][which]
            if allowed is not None and not (value is not None and value <= allowed):
                sentences.append(f"{COLUMNS[column][0]}, {which}: {value}, allowed {allowed}, "
                                 f"seed {own[column]['worst_seed']}")
    return sentences


def table(results: dict[str, dict[str, dict[str, float | int | None]]]) -> list[str]:
    """The lines of the table a person reads: median / 90 % / worst (seed)."""
    lines = []
    for column, (heading, decimals) in COLUMNS.items():
        lines.append(f"{heading:<16}{'median':>10}{'90 %':>10}{'worst':>10}   seed of the worst")
        for name, columns in results.items():
            row = columns[column]
            shown = ["never" if row[key] is None else f"{row[key]:.{decimals}f}"
                     for key in ("median", "p90", "worst")]
            lines.append(f"  {name:<16}{shown[0]:>8}{shown[1]:>10}{shown[2]:>10}"
                         f"   {row['worst_seed']}")
    return lines


def _picture(path: Path, names: list[str], outcomes: dict[str, list[Outcome]], seed: int,
             element: str, caption: str) -> None:
    from esterward_sim import heater_runs
    from esterward_sim.heater_laws import make_law
    from esterward_sim.heater_picture import draw
    from esterward_sim.heater_plant import random_vessel

    vessel = random_vessel(seed)
    bound = heater_runs.bang_bang(vessel)
    first = max(0, int(bound.off_s) - 600)
    temperatures, powers = [], []
    for name in names:
        trace: list[tuple[float, bool]] = []
        law = make_law(name, vessel, heater_runs.SETPOINT_C, heater_runs.CEILING_C, element)
        heater_runs.heat(law, vessel, bound, seed, trace=trace)
        part = range(first, min(first + 4800, len(trace)), 10)
        temperatures.append([(s / 60.0, trace[s][0]) for s in part])
        powers.append([(s / 60.0 + 2.5, sum(on for _, on in trace[s:s + 300]) / 300.0)
                       for s in part if s + 300 <= len(trace)])
    text = (f"{vessel.volume_l:.0f} L, {vessel.power_w / 1000.0:.1f} kW, lags "
            f"{vessel.element_lag_s:.0f} + {vessel.probe_lag_s:.0f} s (seed {seed})")
    write("--svg", path, draw(
        names, temperatures, powers,
        [[one.overshoot_k for one in outcomes[name]] for name in names],
        [[one.time_over_bound for one in outcomes[name]] for name in names],
        heater_runs.SETPOINT_C, heater_runs.CEILING_C, text, caption))


def run_trials(
    seeds: Iterable[int], names: list[str], element: str, noisy: bool,
) -> dict[str, list[Outcome]]:
    """Every law on every vessel; the rivals always switch a solid-state element."""
    from esterward_sim import heater_runs
    from esterward_sim.heater_laws import make_law
    from esterward_sim.heater_plant import random_vessel

    disturbance = heater_runs.NOISY if noisy else heater_runs.QUIET
    outcomes: dict[str, list[Outcome]] = {name: [] for name in names}
    for seed in seeds:
        vessel = random_vessel(seed)
        bound = heater_runs.bang_bang(vessel)
        for name in names:
            law = make_law(name, vessel, heater_runs.SETPOINT_C, heater_runs.CEILING_C, element)
            outcomes[name].append(heater_runs.heat(law, vessel, bound, seed, disturbance))
    return outcomes


@click.command("heater-trials")
@click.option("--vessels", type=Whole(1, 100_000), default=200, show_default=True,
              help="How many random vessels.")
@click.option("--seed", type=Whole(0, 10**9), default=5000, show_default=True,
              help="Seed of the first vessel; the others follow.")
@click.option("--noise", is_flag=True, help="2 % of the readings lost, 0.03 K jitter.")
@click.option("--element", type=click.Choice(["ssr", "contactor"]), default="ssr",
              show_default=True, help="The switch our law is told of.")
@click.option("--own", is_flag=True, help="Our law only, without the rivals.")
@click.option("--svg", type=click.Path(path_type=Path), metavar="FILE.svg",
              help="Draw the picture into this file.")
@click.option("--json", "as_json", is_flag=True, help="Print data instead of a table.")
def heater_trials(vessels: int, seed: int, noise: bool, element: str, own: bool,
                  svg: Path | None, as_json: bool) -> None:
    """Our heater law beside a thermostat and simple-pid, on random vessels.

    Example: esterward heater-trials --vessels 200 --seed 5000 --svg heater.svg

    Vessels: 20-400 L, 12-45 W/L within 0.75-9 kW, mains +-10 %, element lag 20-90 s, probe lag
    8-60 s, oil and room at -5..35 degC, bare to lagged; from there to 55 degC and two hours on.
    """
    from esterward_sim.heater_laws import LAWS, OWN

    if svg is not None:
        to_write("--svg", svg, ".svg")
    if not own and find_spec("simple_pid") is None:
        raise Refused("esterward heater-trials: the package simple-pid, a rival, is missing; in "
                      f"the project's folder, {install('bench')} brings it. Without the rivals: "
                      "--own.")
    names = [OWN] if own else list(LAWS)
    command = (f"esterward heater-trials --vessels {vessels} --seed {seed}"
               + (" --noise" if noise else "")
               + (f" --element {element}" if element != "ssr" else "") + (" --own" if own else ""))
    seeds: Iterable[int] = range(seed, seed + vessels)
    if sys.stderr.isatty():
        with click.progressbar(seeds, length=vessels, label="vessels", file=sys.stderr) as shown:
            outcomes = run_trials(shown, names, element, noise)
    else:
        outcomes = run_trials(seeds, names, element, noise)
    results = {name: summary(outcomes[name]) for name in names}
    short = missed(results[OWN], element, noise)
    if as_json:
        data: dict[str, Any] = {"command": command, "vessels": vessels, "seed": seed,
                                "noise": noise, "element": element, "laws": results,
                                "missed": short}
        click.echo(json.dumps(data, indent=1, allow_nan=False))
    else:
        click.echo(f"{command}\n")
        for line in table(results):
            click.echo(line)
        click.echo("\nevery number reached." if not short
                   else "\nnot reached:\n" + "\n".join(short))
    if svg is not None:
        _picture(svg, names, outcomes, seed, element, command)
    if short:
        click.get_current_context().exit(1)
