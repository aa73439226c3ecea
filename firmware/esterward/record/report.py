"""The account of a batch in words, for a page of 80 columns. Pure: plain data in, lines out."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from esterward.record.account import Account
from esterward.record.read import Row
from esterward.record.resume import ASIDE
from esterward.record.rows import Dropped
from esterward.values.requests import OBSERVATIONS
from esterward.values.rounding import down
from esterward.values.status import STAGE_WORDS, STATE_WORDS

WIDTH = 80


def lines(told: Account) -> list[str]:
    """The page for a person, at most WIDTH wide where words can be broken."""
    state = STATE_WORDS.get(told["state"], told["state"])
    name = told["batch"] or "no batch was started yet"
    stands = f"{state} ({told['state']})" if state != told["state"] else f"{state}"
    if _left(told):
        stands = f"not ended, nobody runs it (last {state})"
    page = [*_wrapped(f"Batch {told['number']}: {name} - {stands}"),
            *_wrapped(_span(told))]
    when = When(told)
    for title, body in (
        ("Batch sheet", _sheet_lines(told["sheet"])),
        ("Stages", _stage_lines(told["stages"], when)),
        ("Told", [when.entry(row, _observation(row)) for row in told["observations"]]),
        ("Methanol flag", [when.entry(row, row["flag"] + _after(": ", row.get("evidence")))
                           for row in told["flag"]]),
        ("Alarms", [when.entry(row, _alarm(row, when), "raised") for row in told["alarms"]]),
        ("Latches", [when.entry(row, _latch(row, when)) for row in told["latches"]]),
        ("Holds and ends", [when.entry(row, f"{row['old']} to {row['new']}: {row['why']}")
                            for row in told["states"]]),
        ("Answers", [when.entry(row, f"{row['answer']}: {row['text']}")
                     for row in told["answers"]]),
        ("Refused", [when.entry(row, row["why"]) for row in told["refused"]]),
        ("Learnt of the vessel", [when.entry(row, _learnt(row)) for row in told["learnt"]]),
        ("Notes", [when.entry(row, row["text"]) for row in told["notes"]]),
        ("Controller", [when.entry(row, _controller(row)) for row in told["controller"]]),
    ):
        if body:
            page += ["", title, *[line for entry in body for line in entry]]
    return page


def gone_line(gone: Dropped) -> str:
    """What the record no longer holds, in one sentence; "" while it holds everything."""
    if not gone.events:
        return ""
    batches = {0: "", 1: "batch 1, "}.get(gone.batches, f"batches 1 to {gone.batches}, ")
    return (f"No longer kept, so that the record stays small: {batches}"
            f"events 1 to {gone.events}.")


def list_lines(accounts: Sequence[Account]) -> list[str]:
    """One line a batch."""
    page = [f"{'':>3}  {'began':<17}  {'took':>11}  {'state':<9}  batch"]
    for told in accounts:
        began = clock(told["started"], year=True) or "no clock"
        state = "not ended" if _left(told) else STATE_WORDS.get(told["state"], told["state"])
        name = told["batch"] or "(none started)"
        page.append(f"{told['number']:>3}  {began:<17}  {took(told['duration_s']):>11}  "
                    f"{state:<9}  {name}"[:WIDTH])
    return page


def _left(told: Account) -> bool:
    """Whether it is an unended batch in no controller's hands: its last state is of the past."""
    return told["batch"] is not None and told.get("controlled") is False


def event_lines(rows: Iterable[Row], dated: Sequence[str | None]) -> list[str]:
    """Every event as one paragraph: number, time, kind, data."""
    page: list[str] = []
    for row, moment in zip(rows, dated, strict=True):
        data = ", ".join(f"{key} {value}" for key, value in row.event.data.items())
        page += _wrapped(f"{row.event.number:>5}  {clock(moment) or _plus(row.event.at_s)}  "
                         f"{row.event.kind.replace('_', ' ')}{': ' if data else ''}{data}",
                         hang=7)
    return page


class When:
    """The column of times: date and clock, or hours after the start without a clock."""

    def __init__(self, told: Account) -> None:
        self.width = 16 if told["started"] is not None else 9

    def __call__(self, row: Account, key: str = "at") -> str:
        after = row.get(f"{key}_s")
        return clock(row.get(key)) or ("no clock" if after is None else _plus(after))

    def entry(self, row: Account, text: str, key: str = "at") -> list[str]:
        """One entry: its time, then the text beside it."""
        return _wrapped(f"{self(row, key):<{self.width}}  {text}", "  ", self.width + 4)


def took(seconds: float) -> str:
    """A duration: 45 s, 12 min, 3 h 05 min, 1 d 02 h."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours < 100 else f"{hours // 24} d {hours % 24:02d} h"


def _plus(seconds: float) -> str:
    whole = int(seconds)
    return f"+{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def clock(moment: str | None, *, year: bool = False) -> str:
    if moment is None:
        return ""
    then = datetime.fromisoformat(moment)
    return f"{then:%a} {then.day} {then:%b}{f'{then: %Y}' if year else ''} {then:%H:%M}"


def _wrapped(text: str, indent: str = "", hang: int = 2) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=" " * hang,
                         break_on_hyphens=False)


def _after(before: str, text: object) -> str:
    return f"{before}{text}" if text else ""


def _span(told: Account) -> str:
    lasted = took(told["duration_s"])
    if told["started"] is None:
        return f"{lasted}; no trusted clock, so times count from the start of the batch"
    until = f" to {clock(told['ended'], year=True)}" if told["ended"] else ", not ended"
    return f"{clock(told['started'], year=True)}{until} ({lasted})"


def _sheet_lines(sheet: Account | None) -> list[list[str]]:
    if sheet is None:
        return []
    words: list[str] = []

    def add(name: str, text: str, *keys: str) -> None:
        value: Any = sheet
        for key in keys:
            value = value.get(key) if isinstance(value, dict) else None
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            words.append(f"  {name:<20}{text.format(down(value) if name == 'ceiling' else value)}")

    add("oil", "{:g} L", "oil_l")
    add("titration, mean", "{:.2f} mL", "titration", "mean_ml")
    add("free fatty acids", "{:.2f} %", "ffa_percent")
    catalyst = sheet.get("catalyst")
    kind = catalyst.get("kind") if isinstance(catalyst, dict) else None
    add(str(kind or "catalyst"), "{:.0f} g", "catalyst", "mass_g")
    add("methanol", "{:.2f} L", "methanol", "volume_l")
    add("setpoint", "{:.1f} degC", "setpoint_c")
    add("ceiling", "{:.1f} degC", "ceiling", "alarm_c")
    add("catalyst, last", "{:.0f} g", "changed", "mass_g")
    add("methanol, last", "{:.2f} L", "changed", "methanol_l")
    return [words] if words else []


def _stage_lines(stages: Sequence[Account], when: When) -> list[list[str]]:
    if not stages:
        return []
    page = [f"  {'stage':<20}{'began':<{when.width}}  {'took':>11}  {'oil, degC':>11}  outcome"]
    for row in stages:
        title = str(STAGE_WORDS.get(row["stage"], row["stage"]))
        title += f" ({row['repeat']})" if row["repeat"] > 1 else ""
        lasted = "" if row["ended_s"] is None else took(row["ended_s"] - row["started_s"])
        span = "" if row["oil_high_c"] is None else (
            f"{row['oil_low_c']:.1f}-{row['oil_high_c']:.1f}")
        page.append(f"  {title:<20}{when(row, 'started'):<{when.width}}  {lasted:>11}  "
                    f"{span:>11}  {row['outcome'] or 'not ended'}")
    return [page]


def _observation(row: Account) -> str:
    _, _, _, what = OBSERVATIONS.get(str(row["name"]), ("", 0.0, 0.0, str(row["name"])))
    value = row["value"]
    number = f"{value:g}" if isinstance(value, (int, float)) else str(value)
    source = {"local": "typed at the machine", "mqtt": "sent from afar"}.get(
        str(row["source"]), str(row["source"]))
    counts = f"; counts {row['counts']}" if isinstance(row["counts"], str) else (
        "; counts" if row["counts"] else "; does not count")
    return f"{what}: {number} {row['unit']} ({source}{counts})"


def _alarm(row: Account, when: When) -> str:
    ends = [f"{word} {when(row, key)}" if row[f"{key}_s"] is not None else f"not {word}"
            for key, word in (("acknowledged", "acknowledged"), ("returned", "gone"))]
    return f"{row['code']} ({row['severity']}): {row['sentence']} {'; '.join(ends)}."


def _latch(row: Account, when: When) -> str:
    first = " (first out)" if row["first_out"] else ""
    if row["reset_s"] is None:
        return f"{row['code']}{first}: not reset"
    count = f"{row['resets']} of this cause so far" if row["resets"] else (
        "not counted, no batch under way")
    return f"{row['code']}{first}: reset {when(row, 'reset')}, {count}"


def _learnt(row: Account) -> str:
    values = [row[name] for name in ("rate_k_s", "loss_slope", "element_s", "probe_s")]
    if not all(isinstance(value, (int, float)) for value in values):
        return "not readable"
    rate_k_s, loss_slope, element_s, probe_s = values
    return (f"{60.0 * rate_k_s:.2f} K/min at full power; element lags {element_s:.0f} s, probe "
            f"{probe_s:.0f} s; loss {3600.0 * loss_slope:.3f} K/h for each K above the room")


def _controller(row: Account) -> str:
    text = str(row["text"])
    if row["what"] == "start":
        return (f"started{'' if row['clean'] else ' after a stop that was not clean'}"
                + _after("; the damaged record before it is kept as " if ASIDE in text else "; ",
                         text))
    words = {"stop": "stopped cleanly", "repair": "the record could not be written for a while",
             "gap": "part of the trace is missing",
             "dropped": "the oldest events were dropped, so that the record stays small"}
    return str(words.get(row["what"], row["what"])) + _after(": ", text)
