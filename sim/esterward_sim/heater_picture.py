"""The picture of a heater trial as SVG: one vessel in time, and all vessels side by side.

Plain text written by hand: four panels of lines and dots need no drawing library.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

WIDTH, HEIGHT = 900, 640
# Told apart by dash as well as by colour (blue, vermilion, green, grey of Okabe and Ito 2008,
# from memory), so that a print in grey can still be read.
STYLES = (("#0072b2", ""), ("#d55e00", "6 3"), ("#009e73", "2 2"), ("#777777", "8 3 2 3"))
Line = Sequence[tuple[float, float]]


@dataclass(slots=True)
class Panel:
    """A pair of axes at x, y (px, top left) with data ranges; marks are SVG elements."""

    x: float
    y: float
    width: float
    height: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    title: str
    x_label: str
    y_label: str
    y_steps: int = 4
    marks: list[str] = field(default_factory=list)

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Pixels of a point, kept inside the axes."""
        x_share = (x - self.x_range[0]) / (self.x_range[1] - self.x_range[0])
        y_share = (y - self.y_range[0]) / (self.y_range[1] - self.y_range[0])
        return (self.x + self.width * min(1.0, max(0.0, x_share)),
                self.y + self.height * (1.0 - min(1.0, max(0.0, y_share))))

    def line(self, points: Line, style: int, width: float = 1.6) -> None:
        """A line in one of STYLES."""
        colour, dash = STYLES[style]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in (self.place(*point) for point in points))
        self.marks.append(f'<polyline points="{path}" fill="none" stroke="{colour}" '
                          f'stroke-width="{width}" stroke-dasharray="{dash}"/>')

    def level(self, y: float, text: str) -> None:
        """A thin horizontal line with a word above it."""
        left, height = self.place(self.x_range[0], y)
        self.marks.append(
            f'<line x1="{left:.1f}" x2="{left + self.width:.1f}" y1="{height:.1f}" '
            f'y2="{height:.1f}" stroke="#000" stroke-width="0.7"/>'
            f'<text x="{left + self.width - 4:.1f}" y="{height - 4:.1f}" '
            f'text-anchor="end">{escape(text)}</text>')

    def svg(self) -> str:
        """The panel with frame, ticks and labels."""
        bottom = self.y + self.height
        parts = [
            f'<rect x="{self.x}" y="{self.y}" width="{self.width}" height="{self.height}" '
            'fill="none" stroke="#000" stroke-width="0.8"/>',
            f'<text x="{self.x}" y="{self.y - 8}" font-weight="bold">{escape(self.title)}</text>',
            f'<text x="{self.x + self.width / 2}" y="{bottom + 32}" '
            f'text-anchor="middle">{escape(self.x_label)}</text>',
            f'<text transform="translate({self.x - 40},{self.y + self.height / 2}) rotate(-90)" '
            f'text-anchor="middle">{escape(self.y_label)}</text>',
        ]
        for i in range(5):
            x_value = self.x_range[0] + (self.x_range[1] - self.x_range[0]) * i / 4
            x, _ = self.place(x_value, self.y_range[0])
            parts += [
                f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{bottom}" y2="{bottom + 4}" '
                'stroke="#000"/>',
                f'<text x="{x:.1f}" y="{bottom + 16}" text-anchor="middle">{x_value:.4g}</text>',
            ]
        for i in range(self.y_steps + 1):
            y_value = self.y_range[0] + (self.y_range[1] - self.y_range[0]) * i / self.y_steps
            _, y = self.place(self.x_range[0], y_value)
            parts += [
                f'<line x1="{self.x - 4}" x2="{self.x}" y1="{y:.1f}" y2="{y:.1f}" '
                'stroke="#000"/>',
                f'<text x="{self.x - 7}" y="{y + 4:.1f}" text-anchor="end">{y_value:.4g}</text>',
            ]
        return "\n".join(parts + self.marks)


def draw(
    names: Sequence[str], temperatures: Sequence[Line], powers: Sequence[Line],
    overshoots_k: Sequence[Sequence[float]], times: Sequence[Sequence[float]],
    setpoint_c: float, ceiling_c: float, vessel_text: str, caption: str,
) -> str:
    """The whole picture.

    temperatures and powers: one line a law, minutes against degC and share on; overshoots_k
    and times (over the bound): one list a law, one value a vessel; shown sorted.
    """
    first = float(int(min(points[0][0] for points in temperatures)))
    minutes = first + 80.0
    lowest = setpoint_c - 4.0
    oil = Panel(70, 60, 350, 250, (first, minutes), (lowest, ceiling_c + 1.0),
                f"One vessel: {vessel_text}", "minutes", "true oil temperature, degC")
    oil.level(setpoint_c, "setpoint")
    oil.level(ceiling_c, "ceiling")
    power = Panel(70, 390, 350, 170, (first, minutes), (0.0, 1.0),
                  "Element on, share of each five minutes", "minutes", "share")
    share = Panel(520, 60, 350, 250, (0.0, 100.0), (-1.0, 4.0),
                  "All vessels: overshoot, sorted", "% of vessels", "K above the setpoint", 5)
    share.level(0.3, "0.3 K")
    time = Panel(520, 390, 350, 170, (0.0, 100.0), (0.98, 1.04),
                 "All vessels: time to setpoint - 0.5 K over the bound", "% of vessels",
                 "ratio", 3)
    time.level(1.02, "1.02")
    for i in reversed(range(len(names))):
        oil.line([point for point in temperatures[i] if point[1] >= lowest], i)
        power.line(powers[i], i)
        share.line(_sorted(overshoots_k[i]), i)
        time.line(_sorted(times[i]), i)
    legend = []
    for i, name in enumerate(names):
        colour, dash = STYLES[i]
        x = 70 + 200 * i
        legend.append(f'<line x1="{x}" x2="{x + 34}" y1="22" y2="22" stroke="{colour}" '
                      f'stroke-width="2" stroke-dasharray="{dash}"/>'
                      f'<text x="{x + 40}" y="26">{escape(name)}</text>')
    body = "\n".join([*legend, oil.svg(), power.svg(), share.svg(), time.svg()])
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
            f'font-family="sans-serif" font-size="12">\n'
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>\n{body}\n'
            f'<text x="70" y="{HEIGHT - 14}">{escape(caption)}</text>\n</svg>\n')


def _sorted(values: Sequence[float]) -> Line:
    ordered = sorted(values)
    last = max(1, len(ordered) - 1)
    return [(100.0 * i / last, value) for i, value in enumerate(ordered)]
