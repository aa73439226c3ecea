"""What the trials came to: the summary for the terminal, plain data, and the page of the matrix."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from html import escape
from math import ceil, expm1, floor, log, log10
from typing import Any, Final

from esterward_sim.trials_faults import CASES
from esterward_sim.trials_oracles import INVARIANTS, SENTENCES
from esterward_sim.trials_plants import plant_of
from esterward_sim.trials_run import OUTCOMES, Tried

RULE_OF_THREE: Final = 30  # trials; from there on 3/N is within 6 % (common practice, no source)
_UNITS = {row.name: row.unit for row in INVARIANTS}
_STYLE = """
body{font:15px/1.45 system-ui,sans-serif;margin:2rem auto;max-width:70rem;padding:0 1rem;
color:#1a1a1a;background:#fff}
table{border-collapse:collapse;margin:1rem 0 2rem;font-variant-numeric:tabular-nums}
th,td{border:1px solid #bbb;padding:.2rem .5rem;text-align:right}
th:first-child,td:first-child,td.text{text-align:left}
thead th{position:sticky;top:0;background:#eee}
td.bad{background:#b00020;color:#fff;font-weight:bold} td.none{color:#999}
code{background:#f2f2f2;padding:.1rem .3rem}
@media(prefers-color-scheme:dark){body{background:#161616;color:#eaeaea}
thead th,code{background:#2a2a2a} th,td{border-color:#555}}
"""


def bound(count: int, failed: int) -> str:
    """What the count allows to say."""
    if not count:
        return "nothing was tried."
    if failed:
        return f"{failed} of {count} broke an invariant."
    share = bound_share(count)
    step = 10.0 ** (floor(log10(share)) - 1)  # two digits, upwards: less is claimed, never more
    short = f", about 3/{count}" if count >= RULE_OF_THREE else ""
    return (f"none of {count} broke an invariant: with 95 % confidence fewer than "
            f"{ceil(share / step - 1e-9) * step:.2g} (1 - 0.05^(1/{count}){short}) of trials drawn "
            "like these would. It says nothing of faults that are not in the table, nor of two at "
            "once.")


def bound_share(count: int) -> float:
    """The largest share of failures with which none among count trials still comes once in 20
    times: (1 - share)^count = 0.05. Exact; 3/count is its short form for many."""
    return -expm1(log(0.05) / count)


def worst_margins(tried: Sequence[Tried]) -> dict[str, tuple[float, Tried]]:
    """Invariant -> smallest margin and the trial that had it."""
    worst: dict[str, tuple[float, Tried]] = {}
    for one in tried:
        for name, margin in one.worst.items():
            if name not in worst or margin < worst[name][0]:
                worst[name] = (margin, one)
    return dict(sorted(worst.items()))


def matrix(tried: Sequence[Tried]) -> dict[str, Counter[str]]:
    """Fault -> outcome -> count, in the table's order."""
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for one in tried:
        found[one.case][one.outcome] += 1
    return {name: found[name] for name in CASES if name in found}


def data(command: str, tried: Sequence[Tried], replays: dict[int, str],
         wall_s: float) -> dict[str, Any]:
    """The whole as plain data, for --json."""
    failed = [one for one in tried if one.broken]
    return {
        "command": command, "trials": len(tried), "broken": len(failed),
        "bound": None if failed or not tried else bound_share(len(tried)),
        "simulated_h": round(sum(one.simulated_s for one in tried) / 3600.0, 1),
        "wall_s": round(wall_s, 1),
        "matrix": {name: dict(row) for name, row in matrix(tried).items()},
        "worst": {name: {"margin": round(margin, 3), "unit": _UNITS.get(name, "s"),
                         "number": one.number, "plant": one.plant, "case": one.case}
                  for name, (margin, one) in worst_margins(tried).items()},
        "failed": [{key: value for key, value in asdict(one).items() if key != "worst"}
                   | {"again": replays[one.number]} for one in failed],
    }


def lines(tried: Sequence[Tried], replays: dict[int, str]) -> list[str]:
    """The summary a person reads."""
    out = []
    outcomes = Counter(one.outcome for one in tried)
    out.append("outcomes: " + ", ".join(f"{outcomes[name]} {name}" for name in OUTCOMES
                                        if outcomes[name]))
    out.append("worst margins (below 0 is broken):")
    for name, (margin, one) in worst_margins(tried).items():
        where = f"{one.case or 'no fault'}, {plant_of(one.plant).name}, number {one.number}"
        out.append(f"  {name:<17}{margin:9.2f} {_UNITS.get(name, 's'):<7}{where}")
    for one in tried:
        for name, sentence in one.broken.items():
            out.append(f"BROKEN {name}: {one.case or 'no fault'} on {plant_of(one.plant).name}: "
                       f"{sentence}")
        if one.broken:
            out.append(f"  again: {replays[one.number]}")
    return [*out, bound(len(tried), sum(1 for one in tried if one.broken))]


def page(command: str, tried: Sequence[Tried], replays: dict[int, str], when: str) -> str:
    """One HTML file without anything from elsewhere: fault x outcome, margins, what broke."""
    head = "".join(f"<th>{name}</th>" for name in OUTCOMES)
    rows = []
    for name, counts in matrix(tried).items():
        case = CASES[name]
        found = "".join(_cell(counts[outcome], outcome == "broken") for outcome in OUTCOMES)
        rows.append(f'<tr><td title="{escape(case.sentence)}">{escape(name)}</td>'
                    f'<td class="text">{escape(", ".join(case.rows))}</td>{found}</tr>')
    margins = "".join(
        f'<tr><td>{escape(name)}</td><td class="text">{escape(SENTENCES.get(name, ""))}</td>'
        f'<td class="{"bad" if margin < 0 else ""}">{margin:.2f} {_UNITS.get(name, "s")}</td>'
        f'<td class="text">{escape(one.case)}, {escape(plant_of(one.plant).name)}, '
        f"{one.number}</td></tr>" for name, (margin, one) in worst_margins(tried).items())
    broken = "".join(
        f"<li>{escape(one.case)} on {escape(plant_of(one.plant).name)}: "
        f"{escape('; '.join(one.broken.values()))}<br><code>{escape(replays[one.number])}</code>"
        for one in tried if one.broken)
    failed = sum(1 for one in tried if one.broken)
    return (
        "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport "
        f'content="width=device-width"><title>Trials</title><style>{_STYLE}</style>'
        f"<h1>Trials of {escape(when)}</h1><p><code>{escape(command)}</code><p>"
        f"{escape(bound(len(tried), failed))}"
        + (f"<h2>Broken</h2><ol>{broken}</ol>" if broken else "")
        + "<h2>Fault and outcome</h2><p>How many trials of a fault ended how: nothing (no "
        "reaction was called for), noted (an alarm only), paused, held, aborted, stopped, or with "
        "an invariant broken.<table><thead><tr><th>fault<th>catalogue"
        f"{head}</tr></thead>{''.join(rows)}</table>"
        "<h2>Worst margins</h2><p>How near each invariant came; below 0 is broken."
        "<table><thead><tr><th>invariant<th>says<th>margin<th>in</tr></thead>"
        f"{margins}</table>")


def _cell(count: int, bad: bool) -> str:
    kind = "none" if not count else "bad" if bad else ""
    return f'<td class="{kind}">{count or "·"}</td>'
