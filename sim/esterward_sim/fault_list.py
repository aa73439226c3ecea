"""`esterward rehearse --faults`: every fault by name, and every row of the catalogue."""

from __future__ import annotations

import json

import click

from esterward_sim.fault_catalogue import CATALOGUE, rehearsed, tried
from esterward_sim.plant.faults import ROWS


def print_faults(as_json: bool) -> None:
    """The named faults, then the catalogue row by row with where each is tried."""
    if as_json:
        click.echo(json.dumps({
            "faults": [{"name": row.name, "rows": list(row.rows), "sentence": row.sentence,
                        "unit": row.unit or None, "value": row.value if row.unit else None,
                        "low": row.low if row.unit else None,
                        "high": row.high if row.unit else None} for row in ROWS.values()],
            "catalogue": [{"code": row.code, "sentence": row.sentence,
                           "rehearsed": list(rehearsed(row.code)),
                           "persons": list(row.persons), "tests": list(row.tests),
                           "bench": row.bench or None, "not_offered": row.absent or None}
                          for row in CATALOGUE]}))
        return
    click.echo("Faults by name, for --fault NAME@TIME or NAME=NUMBER@TIME:\n")
    for row in ROWS.values():
        number = f" [{row.low:g} to {row.high:g} {row.unit}; {row.value:g}]" if row.unit else ""
        click.echo(f"{row.name:24} {row.sentence}{number}")
    click.echo("\nThe catalogue: what can go wrong, and where it is tried:\n")
    for line in CATALOGUE:
        click.echo(f"{line.code:6} {line.sentence}")
        for where in tried(line):
            click.echo(f"       {where}")
