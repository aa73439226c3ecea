"""Runs a scenario and holds what came of it against the ending it must have."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any, Final

from esterward.chemistry.sheet import batch_sheet
from esterward.telemetry.connection import BACK_OFF_MAX_S
from esterward.telemetry.link import MqttLink
from esterward_sim.broker import EmbeddedBroker
from esterward_sim.rehearsal import Rehearsal, Result
from esterward_sim.scenario import Scenario, StageRow
from esterward_sim.view import clock, event_line
from esterward_sim.virtual import NoRecord

SAID: Final = ("note", "request_refused", "alarm_raised", "prompt_opened", "grant_withheld")
LINK_S: Final = 5.0  # real seconds for the broker to hear of the end


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the comparison."""

    what: str
    wanted: str
    found: str
    same: bool

    def __str__(self) -> str:
        if self.same:
            return f"  as it must   {self.what}: {self.found}"
        return f"  DIFFERS      {self.what}: {self.found}; it must be {self.wanted}"


def run(scenario: Scenario, tell: Callable[[str], None] | None = None,
        ) -> tuple[Result, tuple[Line, ...]]:
    """The whole story; tell is given each line of it as it happens."""
    with ExitStack() as stack:
        link, broker = None, None
        if scenario.broker:
            broker = stack.enter_context(EmbeddedBroker())
            link = MqttLink(broker.host, broker.port, scenario.reactor.mqtt_id, scenario.name,
                            "rehearsal-1")
            stack.callback(link.close)
            link.drain(0.0, LINK_S)
        rehearsal = Rehearsal(
            scenario.reactor, scenario.batch, NoRecord(), seed=scenario.seed,
            person=scenario.person, faults=scenario.faults, telemetry=link,
            until=scenario.until, parameters=scenario.plant)
        rehearsal.rig.broker = broker
        teller = _Teller(tell) if tell is not None else None
        result = rehearsal.run(teller)
        if teller is not None:
            teller(rehearsal)
        published = ""
        if (link is not None and broker is not None and scenario.ending.published
                and heard_all(link, result.simulated_s)):
            published = _retained(broker, f"homie/5/{scenario.reactor.mqtt_id}/batch/state")
        lines = compare(scenario, result, tuple(rehearsal.rig.guard.state.latches), published)
    return result, lines


def heard_all(link: MqttLink, now_s: float) -> bool:
    """Whether the broker has heard everything within LINK_S.

    The story is over, but the link waits by its clock before it tries again a broker that was
    gone: so that goes on.
    """
    ends_s = time.monotonic() + LINK_S
    while not link.drain(now_s, LINK_S):
        if time.monotonic() >= ends_s:
            return False
        now_s += BACK_OFF_MAX_S
    return True


def _retained(broker: EmbeddedBroker, topic: str) -> str:
    """What a newcomer hears on a topic at once; for ever nothing where it was never published."""
    from paho.mqtt import subscribe

    hear: Any = subscribe.simple  # has no types
    message = hear(topic, hostname=broker.host, port=broker.port, keepalive=10)
    return str(message.payload.decode("utf-8"))


class _Teller:
    """Called once a simulated second: tells what is new, faults among it."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self.tell, self.seen = tell, 0
        self.faults: dict[int, str] = {}

    def __call__(self, rehearsal: Rehearsal) -> None:
        result = rehearsal.result
        at = f"{clock(rehearsal.rig.controller.process.state.elapsed_s):>6}  "
        for index, row in enumerate(result.faults):
            state = "ends" if row["ended_s"] is not None else "begins"
            if row["started_s"] is not None and self.faults.get(index) != state:
                self.faults[index] = state
                self.tell(f"{at}  fault {row['name']} {state}")
        for event in result.events[self.seen:]:
            line = event_line(event)
            if line:
                self.tell(line)
        self.seen = len(result.events)


def compare(scenario: Scenario, result: Result, guard_latches: tuple[str, ...] = (),
            published: str = "") -> tuple[Line, ...]:
    """Line by line: what the ending must be, and what it was."""
    must = scenario.ending
    lines = [
        _line("batch state", must.state, result.state),
        _line("first-out", must.first_out or "none", first_out(result) or "none"),
        *_stages(must.stages, result.stages),
        _line("methanol flag", _flag(must.methanol_flag), _flag(result.flag)),
        _line("asked", ", ".join(must.asked), ", ".join(asked(result))),
    ]
    lines += [_near(what, wanted, found) for what, wanted, found in (
        ("peak", must.peak, result.peak_oil_c), ("ceiling", must.ceiling, result.ceiling_c))
        if wanted is not None]
    if must.guard_latches is not None:
        lines.append(_line("guard's latches", ", ".join(must.guard_latches) or "none",
                           ", ".join(guard_latches) or "none"))
    if must.trips is not None:
        lines.append(_line("trips", ", ".join(must.trips) or "none",
                           ", ".join(trips(result)) or "none"))
    said = "\n".join([*(_said(event.data) for event in result.events if event.kind in SAID),
                      result.showing])
    warnings = "\n".join(batch_sheet(scenario.batch, scenario.reactor).warnings)
    for what, texts, where in (("said", must.told, said), ("warned", must.warned, warnings)):
        lines += [Line(what, repr(text), repr(text) if text in where else "never", text in where)
                  for text in texts]
    if must.published:
        lines.append(_line("published at the end", must.published, published or "nothing"))
    never = [row["name"] for row in result.faults if row["started_s"] is None]
    if never:
        lines.append(Line("faults", "all of them begun", f"never begun: {', '.join(never)}",
                          False))
    return tuple(lines)


def first_out(result: Result) -> str:
    """The first latch since the batch began; the start checks' own are before that."""
    return next(iter(trips(result)), "")


def trips(result: Result) -> tuple[str, ...]:
    """Every latch since the batch began, once each, in order."""
    return tuple(dict.fromkeys(str(e.data["code"]) for e in _since_start(result)
                               if e.kind == "latched"))


def asked(result: Result) -> tuple[str, ...]:
    """Every question once, in the order it was first asked; "start" and before left out."""
    after = result.asked
    if "start" in after:
        after = after[len(after) - 1 - after[::-1].index("start") + 1:]
    return tuple(dict.fromkeys(after))


def _since_start(result: Result) -> list[Any]:
    for index, event in enumerate(result.events):
        if event.kind == "batch_started":
            return result.events[index:]
    return []


def _stages(must: tuple[StageRow, ...], found: list[dict[str, Any]]) -> list[Line]:
    lines = []
    for index in range(max(len(must), len(found))):
        wanted = must[index] if index < len(must) else None
        row = found[index] if index < len(found) else None
        lines.append(Line(f"stage {index + 1}", _wanted(wanted), _row(row), _fits(wanted, row)))
    return lines


def _fits(wanted: StageRow | None, row: dict[str, Any] | None) -> bool:
    if wanted is None or row is None:
        return False
    if (wanted.stage, wanted.outcome) != (row["stage"], row["outcome"]):
        return False
    minutes = _minutes(row)
    return wanted.minutes is None or (minutes is not None
                                      and abs(minutes - wanted.minutes) <= wanted.within)


def _minutes(row: dict[str, Any]) -> float | None:
    ended_s = row["ended_s"]
    return None if ended_s is None else float(ended_s - row["started_s"]) / 60.0


def _wanted(row: StageRow | None) -> str:
    if row is None:
        return "none"
    minutes = "" if row.minutes is None else f" {row.minutes:g} min +-{row.within:g}"
    return f"{row.stage}{minutes} {row.outcome}"


def _row(row: dict[str, Any] | None) -> str:
    if row is None:
        return "none"
    minutes = _minutes(row)
    return (f"{row['stage']}{'' if minutes is None else f' {minutes:.1f} min'} "
            f"{row['outcome']}")


def _flag(flag: bool | None) -> str:
    return {True: "set", False: "clear"}.get(flag, "unknown") if flag is not None else "unknown"


def _line(what: str, wanted: str, found: str) -> Line:
    return Line(what, wanted, found, wanted == found)


def _near(what: str, wanted: tuple[float, float], found_c: float | None) -> Line:
    wanted_c, within_k = wanted
    return Line(what, f"{wanted_c:.1f} degC +-{within_k:g} K",
                "none" if found_c is None else f"{found_c:.2f} degC",
                found_c is not None and abs(found_c - wanted_c) <= within_k)


def _said(data: dict[str, Any]) -> str:
    return " ".join(str(value) for value in data.values())
