"""The part of a record that shows oil being heated: readings, element and pump on a time axis.

Contents must not change, so a window lies between two steps that pour, drain or boil, and
before the first dose. It begins shortly before the element's first heat. The contactors' mirror
contacts say when current flowed; commands alone are not believed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
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
STILL_K: Final = 0.5
LEAST_HEAT_S: Final = 600.0
WINDOW_S: Final = 6 * 3600.0


class NotEnough(Exception):
    """The record cannot tell; the text is one sentence without the file's name."""


@dataclass(slots=True)
class Window:
    """Seconds since its start; element and mixer as (from, to) while on; readings (at, degC).

    b may be empty. number is that of the last event before it.
    """

    start_s: float
    number: int = 0
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
        """Between the first and the hottest reading of probe A."""
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


@dataclass(frozen=True, slots=True)
class _Cut:
    """The contents change here; usable is False from the first dose to the next batch."""

    session: int
    now_s: float
    number: int
    usable: bool


def best_window(ticks: Iterable[tuple[int, Tick]], rows: Iterable[Row],
                ssr: bool) -> Window:
    """The window with the greatest rise; NotEnough when none shows a heat-up.

    ticks: (session, tick) of the record in order. ssr: a solid-state switch is in series.
    """
    best: Window | None = None
    kept = list(rows)
    # Where old events were dropped, nobody knows what was in the vessel until the next one tells.
    known = not kept or kept[0].event.number == 1
    for group, number in _groups(ticks, _cuts(kept), ssr, known):
        window = _window(group, number)
        if window is not None and (best is None or window.rise_k > best.rise_k):
            best = window
    if best is None:
        raise NotEnough("it holds no heat-up of oil: the element was never on with the pump "
                        "proven before there was methanol")
    _enough(best)
    return best


def _cuts(rows: Iterable[Row]) -> list[_Cut]:
    cuts = []
    for row in rows:
        kind, step = row.event.kind, row.event.data.get("step")
        if kind == "batch_started" or (kind == "step_started" and step in CHANGES):
            cuts.append(_Cut(row.session, row.now_s, row.event.number, step != CHANGES[-1]))
    return cuts


def _groups(ticks: Iterable[tuple[int, Tick]], cuts: list[_Cut],
            ssr: bool, known: bool) -> Iterator[tuple[list[_Moment], int]]:
    """Usable runs of ticks without a gap and without a cut in them; number of the cut before.

    known: what stood before the first cut was oil.
    """
    group: list[_Moment] = []
    last, at, usable, number = (0, float("-inf")), 0, known, 0
    for session, tick in ticks:
        moment = _moment(tick, ssr)
        now = (session, moment.now_s)
        before = at
        while at < len(cuts) and now >= (cuts[at].session, cuts[at].now_s):
            at += 1
        gap = session != last[0] or not 0.0 <= moment.now_s - last[1] <= GAP_S
        if group and (gap or at > before):
            yield group, number
            group = []
        if at > before:
            usable, number = cuts[at - 1].usable, cuts[at - 1].number
        if usable:
            group.append(moment)
        last = now
    if group:
        yield group, number


def _window(moments: list[_Moment], number: int) -> Window | None:
    first = next((i for i, m in enumerate(moments) if m.element and m.mixer), None)
    if first is None:
        return None
    began_s = moments[first].now_s
    inside = [m for m in moments if began_s - BEFORE_S <= m.now_s <= began_s + WINDOW_S]
    start_s = inside[0].now_s
    window = Window(start_s, number, inside[-1].now_s - start_s)
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
    if not window.a:
        raise NotEnough("probe A gave no reading during the heat-up")
    moved_k = max(c for _, c in window.a) - min(c for _, c in window.a)
    if moved_k < STILL_K and window.heat_s >= LEAST_HEAT_S:
        raise NotEnough(f"probe A stood still at {window.a[0][1]:.1f} degC through "
                        f"{window.heat_s / 60.0:.0f} min of heat; is it in its well, and does it "
                        "follow a warm hand?")
    if window.heat_s < LEAST_HEAT_S or window.rise_k < LEAST_RISE_K:
        raise NotEnough(
            f"the heat-up is too short: {window.heat_s / 60.0:.0f} min of heat and "
            f"{window.rise_k:.1f} K are recorded; at least {LEAST_HEAT_S / 60.0:.0f} min and "
            f"{LEAST_RISE_K:.0f} K with the pump running are needed")
