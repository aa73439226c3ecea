"""`esterward rehearse --scenario FILE`: tells the story, then compares its ending."""

from __future__ import annotations

import json
from pathlib import Path

import click

from esterward.cli.errors import reading
from esterward_sim.scenario import load
from esterward_sim.scenario_run import run


def rehearse_scenario(path: Path, example: Path, as_json: bool) -> int:
    """Exit code: 0 when the ending is as it must be, 1 when it differs; Refused on bad input."""
    with reading():
        scenario = load(path, example)
    if not as_json:
        click.echo(f"{scenario.story}\n")
    result, lines = run(scenario, None if as_json else click.echo)
    same = all(line.same for line in lines)
    if as_json:
        click.echo(json.dumps({
            **result.json(), "scenario": scenario.name, "ending_as_it_must": same,
            "ending": [{"what": line.what, "wanted": line.wanted, "found": line.found,
                        "same": line.same} for line in lines]}))
        return 0 if same else 1
    click.echo("\nThe ending:")
    for line in lines:
        click.echo(str(line))
    if scenario.xfail:
        click.echo(f"Known: {scenario.xfail}")
    return 0 if same else 1
