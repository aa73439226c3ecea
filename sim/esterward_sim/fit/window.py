"""The part of a record that shows oil being heated: readings, element and pump on a time axis.

Contents must not change, so a window lies between two steps that pour, drain or boil, and
before the first dose. It begins shortly before the element's first heat. The contactors' mirror
contacts say when current flowed; commands alone are not believed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from esterward.record.read import Row
from esterward.record.trace import Tick

# What is in the vessel, or where its heat goes, is another after these began.
CHANGES: Final = ("fill.pump", "dewater.drain", "dewater.boil", "cool.stand", "dose.pour")
BEFORE_S: Final = 30.0
GAP_S: Final = 5.0
STIRRED_AFTER_S: Final = 60.0   # of the pump, before a probe tells what the oil is
STILL_S: Final = 20.0           # a shorter stop of the pump does not count
APART_K: Final = 0.5
LEAST_RISE_K: Final = 10.0
LEAST_HEAT_S: Final = 600.0
WINDOW_S: Final = 6 * 3600.0


class NotEnough(Exception):
    """The record cannot tell; the text is one sentence without the file's name."""


@dataclass(slots=True)
class Window:
    """Seconds since its start; element and mixer as (from, to) while on; readings (at, degC).

    b may be empty. rise_k is between the first and the hottest reading of probe A.
    """

    start_s: float
    end_s: float = 0.0
    element: list[tuple[float, float]] = field(default_factory=list)
    mixer: list[tuple[float, float]] = field(default_factory=list)
    a: list[tuple[float, float]] = field(default_factory=list)
    b: list[tuple[float, float]] = field(default_factory=list)

    @property
    def heat_s(self) -> float:
        """Seconds with the element on."""
        return sum(to - since for since, to in self.element)

    @property
    def rise_k(self) -> float:
        return max(c for _, c in self.a) - self.a[0][1] if self.a else 0.0


@dataclass(frozen=True, slots=True)
class _Moment:
    now_s: float
    element: bool
    mixer: bool
    a: tuple[float, float] | None
    b: tuple[float, float] | None


def _moment(tick: Tick, ssr: bool) -> _Moment:
    snapshot, out = tick
    guard, probe = snapshot.guard, snapshot.probe_a
    a = (probe.at_s, probe.c) if probe.c is not None else None
    if guard is None:
        return _Moment(snapshot.now_s, False, False, a, None)
    inputs, other = guard.inputs, guard.probe_b
    element = not inputs.k1_open and not inputs.k2_open and (out.ssr or not ssr)
    b = (other.at_s, other.c) if other.c is not None else None
    return _Moment(snapshot.now_s, element, inputs.mixer_proof, a, b)


def best_window(ticks: Iterable[Tick], rows: Iterable[Row], ssr: bool) -> Window:
    """The window with the greatest rise; NotEnough when none shows a heat-up."""
    cuts = _cuts(rows)
    best: Window | None = None
    for group in _groups(ticks, cuts, ssr):
        window = _window(group)
        if window is not None and (best is None or window.rise_k > best.rise_k):
            best = window
    if best is None:
        raise NotEnough("it holds no heat-up of oil: the element was never on with the pump "
                        "proven, before any methanol")
    _enough(best)
    return best


def _cuts(rows: Iterable[Row]) -> list[float]:
    """Moments (now_s) at which the contents change; the last one ends everything."""
    cuts: list[float] = []
    for row in rows:
        data = row.event.data
        if row.event.kind == "step_started" and data["step"] in CHANGES:
            cuts.append(row.now_s)
            if data["step"] == CHANGES[-1]:
                return cuts
    return [*cuts, float("inf")]


def _groups(ticks: Iterable[Tick], cuts: list[float], ssr: bool) -> Iterable[list[_Moment]]:
    """Runs of ticks without a gap and without a cut in them."""
    group: list[_Moment] = []
    ahead = list(cuts)
    last_s = float("-inf")
    for tick in ticks:
        moment = _moment(tick, ssr)
        cut = False
        while ahead and moment.now_s >= ahead[0]:
            ahead.pop(0)
            cut = True
        if group and (cut or not 0.0 <= moment.now_s - last_s <= GAP_S):
            yield group
            group = []
        if not ahead:
            return
        group.append(moment)
        last_s = moment.now_s
    if group:
        yield group


def _window(moments: list[_Moment]) -> Window | None:
    first = next((i for i, m in enumerate(moments) if m.element and m.mixer), None)
    if first is None:
        return None
    began_s = moments[first].now_s
    inside = [m for m in moments if began_s - BEFORE_S <= m.now_s <= began_s + WINDOW_S]
    start_s = inside[0].now_s
    window = Window(start_s, inside[-1].now_s - start_s)
    for now, then in pairwise(inside):
        for name in ("element", "mixer"):
            if getattr(now, name):
                _extend(getattr(window, name), now.now_s - start_s, then.now_s - start_s)
    for which in ("a", "b"):
        told: list[tuple[float, float]] = getattr(window, which)
        for moment in inside:
            reading = getattr(moment, which)
            if reading is not None and (not told or reading[0] - start_s > told[-1][0]):
                told.append((reading[0] - start_s, reading[1]))
    return window


def _extend(spans: list[tuple[float, float]], since: float, to: float) -> None:
    if spans and since - spans[-1][1] < 1e-6:
        spans[-1] = (spans[-1][0], to)
    else:
        spans.append((since, to))


def stirred(window: Window) -> list[tuple[float, float]]:
    """When a probe tells what the oil is: pump on long enough, or since an even start."""
    joined: list[tuple[float, float]] = []
    for since, to in window.mixer:
        if joined and since - joined[-1][1] < STILL_S:
            joined[-1] = (joined[-1][0], to)
        else:
            joined.append((since, to))
    even = bool(window.a) and (not window.b or abs(window.a[0][1] - window.b[0][1]) < APART_K)
    spans = []
    for i, (since, to) in enumerate(joined):
        begins = 0.0 if i == 0 and even else since + STIRRED_AFTER_S
        if to > begins:
            spans.append((begins, to))
    return spans


def _enough(window: Window) -> None:
    values = {c for _, c in window.a}
    if not window.a:
        raise NotEnough("probe A gave no reading during the heat-up")
    if len(values) < 3 and window.heat_s >= LEAST_HEAT_S:
        raise NotEnough(f"probe A stood still at {window.a[0][1]:.1f} degC through "
                        f"{window.heat_s / 60.0:.0f} min of heat; mend the probe first")
    if window.heat_s < LEAST_HEAT_S or window.rise_k < LEAST_RISE_K:
        raise NotEnough(
            f"the heat-up is too short: {window.heat_s / 60.0:.0f} min of heat and "
            f"{window.rise_k:.1f} K are recorded; at least {LEAST_HEAT_S / 60.0:.0f} min and "
            f"{LEAST_RISE_K:.0f} K with the pump running are needed")
