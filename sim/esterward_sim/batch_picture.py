"""A rehearsal as one SVG picture that a print in black and white still tells.

Lines differ in dash and width, bands in tone, strips in fill; no meaning hangs on colour.
Names that would overlap are moved apart and led back by a thin line; what happened is numbered
in the picture and told below it. Plain text written by hand: no drawing library is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from itertools import pairwise
from math import ceil, floor
from typing import Final

from esterward_sim.batch_series import BIN_S, Series

LEFT, WIDTH, RIGHT = 104.0, 880.0, 24.0
NAMES_H, OIL_H, SHARE_H, STRIP_H, GAP = 118.0, 300.0, 70.0, 14.0, 26.0
Place = Callable[[float], float]
LETTER: Final = 12.0
LINE: Final = 16.0
MOST_LETTERS: Final = 128
# (line from the series, words, stroke width, tone, dash)
LINES: Final = (
    ("true_c", "oil, true", 4.0, "#b8b8b8", ""),
    ("probe_c", "oil, probe A", 1.2, "#000", ""),
    ("setpoint_c", "setpoint", 1.2, "#000", "1.5 3"),
    ("ceiling_c", "ceiling (alarm)", 1.4, "#000", "9 4"),
)


def spread(wanted: Sequence[float], apart: float, low: float, high: float) -> list[float]:
    """Places near the wanted ones, in order and at least apart; apart shrinks if it must."""
    if not wanted:
        return []
    apart = min(apart, (high - low) / max(1, len(wanted) - 1))
    places: list[float] = []
    for want in wanted:
        places.append(max(want, low if not places else places[-1] + apart))
    limit = high
    for i in reversed(range(len(places))):
        places[i] = min(places[i], limit)
        limit = places[i] - apart
    return places


def draw(series: Series) -> str:
    """The whole picture."""
    hours = max(series.end_s, 600.0) / 3600.0
    step_h: float = next(s for s in (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 24.0) if hours / s <= 14)
    temperatures = [c for name, *_ in LINES for _, c in getattr(series, name) if c is not None]
    # room under the coldest line for the numbers of the marks
    low: float = 10.0 * floor((min([*temperatures, 20.0]) - 6.0) / 10.0)
    high: float = 10.0 * ceil(max([*temperatures, 60.0]) / 10.0 + 0.2)
    top = 62.0 + NAMES_H
    out: list[str] = [f'<text x="{LEFT}" y="22" font-size="15" font-weight="bold">'
                      f"{escape(series.title or 'rehearsal')}: a rehearsal on the simulator</text>"]

    def at(seconds: float) -> float:
        return LEFT + WIDTH * min(1.0, seconds / 3600.0 / hours)

    def level(c: float) -> float:
        return top + OIL_H * (high - c) / (high - low)

    share_y = top + OIL_H + GAP
    strips_y = share_y + SHARE_H + 10.0
    bottom = strips_y + 2 * (STRIP_H + 6.0)
    out += _bands(series, at, top, bottom)
    out += _axis(at, level, step_h, series, low, high, top, bottom)
    for name, _, width, tone, dash in LINES:
        out += _line(getattr(series, name), at, level, width, tone, dash)
    out += _shares(series, at, share_y)
    for i, (words, spans, fill) in enumerate((
            ("pump", series.mixer, "#777"), ("methanol flag", series.flag, "url(#hatch)"))):
        y = strips_y + i * (STRIP_H + 6.0)
        out.append(f'<text x="{LEFT - 6}" y="{y + 11:.1f}" text-anchor="end" font-size="11">'
                   f"{words}</text>")
        out += [_box(at(since), y, max(0.8, at(to) - at(since)), STRIP_H, fill, "#000")
                for since, to in spans]
    out += _legend()
    told, height = _marks(series, at, top, bottom)
    out += told
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {LEFT + WIDTH + RIGHT:.0f} '
            f'{height:.0f}" font-family="sans-serif" font-size="{LETTER:.0f}">\n'
            '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse">'
            '<rect width="5" height="5" fill="#fff"/><path d="M0 5L5 0" stroke="#000"/>'
            "</pattern></defs>\n"
            '<rect width="100%" height="100%" fill="#fff"/>\n' + "\n".join(out) + "\n</svg>\n")


def _box(x: float, y: float, width: float, height: float, fill: str, stroke: str) -> str:
    return (f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" '
            f'fill="{fill}" stroke="{stroke}" stroke-width="0.6" shape-rendering="crispEdges"/>')


def _bands(series: Series, at: Place, top: float, bottom: float) -> list[str]:
    """Stages as bands of two tones, their names upright above, led to the middle."""
    middles = [(at(since) + at(to)) / 2.0 for _, since, to in series.stages]
    places = spread(middles, LETTER + 2.0, LEFT + 6.0, LEFT + WIDTH - 2.0)
    out = []
    for i, (words, since, to) in enumerate(series.stages):
        if i % 2:
            out.append(_box(at(since), top, at(to) - at(since), bottom - top, "#eee", "none"))
        out.append(f'<path d="M{middles[i]:.1f} {top:.1f}V{top - 8:.1f}L{places[i]:.1f} '
                   f'{top - 20:.1f}" fill="none" stroke="#000" stroke-width="0.6"/>')
        out.append(f'<text transform="translate({places[i] + 4:.1f},{top - 24:.1f}) rotate(-90)">'
                   f"{escape(words)}</text>")
    for (_, _, to), _ in pairwise(series.stages):
        out.append(f'<line x1="{at(to):.1f}" x2="{at(to):.1f}" y1="{top:.1f}" y2="{bottom:.1f}" '
                   'stroke="#999" stroke-width="0.4"/>')
    return out


def _axis(at: Place, level: Place, step_h: float, series: Series, low: float, high: float,
          top: float, bottom: float) -> list[str]:
    out = [f'<rect x="{LEFT}" y="{top}" width="{WIDTH}" height="{OIL_H}" fill="none" '
           'stroke="#000"/>',
           f'<text transform="translate({LEFT - 46},{top + OIL_H / 2}) rotate(-90)" '
           'text-anchor="middle">oil, degC</text>',
           f'<text x="{LEFT + WIDTH / 2}" y="{bottom + 34:.1f}" text-anchor="middle">hours '
           "from the start of the batch, as on the terminal</text>"]
    for c in range(int(low), int(high) + 1, 10):
        out.append(f'<text x="{LEFT - 8}" y="{level(c) + 4:.1f}" text-anchor="end">{c}</text>'
                   f'<line x1="{LEFT - 4}" x2="{LEFT}" y1="{level(c):.1f}" y2="{level(c):.1f}" '
                   'stroke="#000"/>')
    ticks = int((max(series.end_s, 600.0) - series.began_s) / 3600.0 / step_h) + 1
    for i in range(ticks):
        x = at(series.began_s + i * step_h * 3600.0)
        out.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{bottom:.1f}" y2="{bottom + 4:.1f}" '
                   f'stroke="#000"/><text x="{x:.1f}" y="{bottom + 18:.1f}" '
                   f'text-anchor="middle">{i * step_h:g}</text>')
    return out


def _line(points: Sequence[tuple[float, float | None]], at: Place, level: Place, width: float,
          tone: str, dash: str) -> list[str]:
    """Runs without None, points that move less than a third of a pixel left out."""
    out, run = [], list[tuple[float, float]]()
    for i, (seconds, c) in enumerate([*points, (0.0, None)]):
        if c is None:
            if len(run) > 1:
                path = " ".join(f"{x:.1f},{y:.1f}" for x, y in run)
                out.append(f'<polyline points="{path}" fill="none" stroke="{tone}" '
                           f'stroke-width="{width}" stroke-dasharray="{dash}"/>')
            run = []
            continue
        x, y = at(seconds), level(c)
        last = i + 1 == len(points) or points[i + 1][1] is None
        if not run or last or abs(x - run[-1][0]) > 1.5 or abs(y - run[-1][1]) > 0.3:
            run.append((x, y))
    return out


def _shares(series: Series, at: Place, y: float) -> list[str]:
    out = [f'<rect x="{LEFT}" y="{y:.1f}" width="{WIDTH}" height="{SHARE_H}" fill="none" '
           'stroke="#000"/>',
           f'<text x="{LEFT + 5}" y="{y - 6:.1f}" font-size="11">element on, share of each '
           f"{BIN_S / 60.0:.0f} min</text>"]
    for words, part in (("0", 0.0), ("1", 1.0)):
        out.append(f'<text x="{LEFT - 8}" y="{y + SHARE_H * (1.0 - part) + 4:.1f}" '
                   f'text-anchor="end">{words}</text>')
    for i, share in enumerate(series.element):
        if share > 0.0:
            x, part = at(i * BIN_S), min(1.0, share)
            out.append(_box(x, y + SHARE_H * (1.0 - part), at((i + 1) * BIN_S) - x + 0.5,
                            SHARE_H * part, "#444", "none"))
    return out


def _legend() -> list[str]:
    out = []
    for i, (_, words, width, tone, dash) in enumerate(LINES):
        x = LEFT + 170.0 * i
        out.append(f'<line x1="{x}" x2="{x + 36}" y1="42" y2="42" stroke="{tone}" '
                   f'stroke-width="{width}" stroke-dasharray="{dash}"/>'
                   f'<text x="{x + 42}" y="46">{escape(words)}</text>')
    return out


def _told(seconds: float) -> str:
    """Hours and minutes from the start of the batch; the start checks are at 0:00, as told."""
    minutes = int(max(0.0, seconds) // 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _marks(series: Series, at: Place, top: float, bottom: float) -> tuple[list[str], float]:
    """Numbers along the foot of the oil's panel, and what each one means under the picture."""
    out = []
    foot = top + OIL_H - 9.0
    places = spread([at(seconds) for seconds, _ in series.marks], 17.0, LEFT + 9.0,
                    LEFT + WIDTH - 9.0)
    y = bottom + 62.0
    for i, ((seconds, words), x) in enumerate(zip(series.marks, places, strict=True), 1):
        out.append(f'<line x1="{at(seconds):.1f}" x2="{at(seconds):.1f}" y1="{top:.1f}" '
                   f'y2="{foot - 22:.1f}" stroke="#000" stroke-width="0.7" '
                   'stroke-dasharray="3 2"/>'
                   f'<path d="M{at(seconds):.1f} {foot - 22:.1f}L{x:.1f} {foot - 8:.1f}" '
                   'stroke="#000" stroke-width="0.6" fill="none"/>'
                   f'<circle cx="{x:.1f}" cy="{foot:.1f}" r="8" fill="#fff" stroke="#000"/>'
                   f'<text x="{x:.1f}" y="{foot + 4:.1f}" text-anchor="middle" font-size="10">'
                   f"{i}</text>")
        text = f"{_told(seconds - series.began_s)} h  {words}"
        short = text if len(text) <= MOST_LETTERS else text[: MOST_LETTERS - 3] + "..."
        out.append(f'<text x="{LEFT + 16}" y="{y:.1f}" text-anchor="end">{i}</text>'
                   f'<text x="{LEFT + 26}" y="{y:.1f}">{escape(short)}</text>')
        y += LINE
    return out, y + 6.0
