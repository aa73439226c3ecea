"""What a person sees of a rehearsal: a live picture on a terminal, plain lines elsewhere.

Colour only on a terminal and never with NO_COLOR; no animation when the output is not a
terminal. Everything shown comes from the controller's Status and its events.
"""

from __future__ import annotations

import os
import shutil
import sys
from typing import TextIO

from esterward.values.events import Event
from esterward.values.status import STAGE_WORDS, STATE_WORDS, Status

BAR = 28


def clock(seconds: float | None) -> str:
    """Hours and minutes, or a dash when nobody can say."""
    if seconds is None:
        return "--:--"
    minutes = int(seconds // 60)
    return f"{minutes // 60:d}:{minutes % 60:02d}"


def bar(part: float | None, width: int = BAR) -> str:
    """A progress bar; empty dots when the part is not known."""
    if part is None:
        return "[" + "." * width + "]"
    full = round(min(1.0, max(0.0, part)) * width)
    return "[" + "#" * full + "-" * (width - full) + "]"


def degrees(value: float | None) -> str:
    return "  ?  " if value is None else f"{value:5.1f}"


def stage_words(stage: str) -> str:
    """The words a person reads for a stage."""
    return STAGE_WORDS.get(stage, stage)


class PlainView:
    """One line for each thing worth knowing; for files, pipes and dumb terminals."""

    def __init__(self, out: TextIO = sys.stdout) -> None:
        self.out = out

    def events(self, events: tuple[Event, ...] | list[Event]) -> None:
        for event in events:
            line = event_line(event)
            if line:
                print(line, file=self.out, flush=True)

    def show(self, status: Status, extra: list[str]) -> None:
        for line in extra:
            print(line, file=self.out, flush=True)

    def close(self) -> None:
        return


def event_line(event: Event) -> str:
    """The line of an event, empty for what only the record needs."""
    data, at = event.data, f"{clock(event.at_s):>6}  "
    if event.kind == "stage_started":
        again = f" (time {data['repeat']})" if data["repeat"] != 1 else ""
        return f"{at}{stage_words(str(data['stage']))} begins{again}"
    if event.kind == "stage_ended":
        took = clock(event.at_s - float(data["started_s"] or 0.0))
        return f"{at}{stage_words(str(data['stage']))} ends after {took}: {data['outcome']}"
    if event.kind == "prompt_opened":
        return f"{at}  asks: {data['text']}"
    if event.kind == "prompt_answered":
        return f"{at}  answer: {data['answer']}"
    if event.kind == "alarm_raised":
        return f"{at}  {str(data['severity']).upper()} {data['code']}: {data['sentence']} " \
               f"{data['action']}"
    if event.kind == "state_changed":
        return f"{at}  batch {data['old']} -> {data['new']}"
    if event.kind == "observation":
        return f"{at}  told: {data['name']} = {data['value']:g}"
    if event.kind == "flag_set":
        return f"{at}  methanol flag set and stored: heat is locked"
    if event.kind == "flag_cleared":
        return f"{at}  methanol flag cleared: {data['evidence']}"
    return ""


class LiveView(PlainView):
    """A picture of a few lines that is drawn over itself; news scrolls above it."""

    def __init__(self, out: TextIO = sys.stdout) -> None:
        super().__init__(out)
        self.colour = not os.environ.get("NO_COLOR")
        self.drawn = 0
        self.news: list[str] = []

    def _paint(self, text: str, code: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if self.colour else text

    def events(self, events: tuple[Event, ...] | list[Event]) -> None:
        self.news += [line for line in map(event_line, events) if line]

    def show(self, status: Status, extra: list[str]) -> None:
        width = max(40, min(100, shutil.get_terminal_size().columns - 1))
        lines = [self._line(text, width) for text in self._picture(status)]
        above = [self._line(text, width) for text in self.news + extra]
        self.news.clear()
        parts = []
        if self.drawn:
            parts.append(f"\x1b[{self.drawn}A\x1b[J")
        parts += [line + "\n" for line in above + lines]
        self.drawn = len(lines)
        self.out.write("".join(parts))
        self.out.flush()

    def _line(self, text: str, width: int) -> str:
        shown = text if len(text) <= width else text[: width - 3] + "..."
        for mark, code in (("TRIP", "1;31"), ("FAULT", "1;31"), ("asks:", "33"), ("? ", "33"),
                           ("mqtt ", "36")):
            if mark in shown[:24]:
                return self._paint(shown, code)
        return shown

    def _picture(self, s: Status) -> list[str]:
        part = None
        if s.oil_c is not None and s.ceiling_c:
            part = s.oil_c / s.ceiling_c
        on = ", ".join(name for name, level in (
            ("element", s.element), ("mixer", s.mixer), ("air", s.air)) if level) or "all off"
        setpoint = f" of {s.setpoint_c:.1f}" if s.setpoint_c is not None else ""
        flag = "methanol may be in the vessel" if s.flag else "no methanol in the vessel"
        head = STATE_WORDS[s.state]
        lines = [
            "-" * 76,
            f"{s.batch}   {clock(s.elapsed_s)} h   {head}",
            f"stage   {stage_words(s.stage) or '-'}: {s.title}",
            f"oil     {degrees(s.oil_c)}{setpoint} degC  {bar(part)} ceiling "
            f"{degrees(s.ceiling_c)} degC",
            f"left    {clock(s.left_s):>5} h in this stage   {bar(s.progress)}",
            f"on      {on};  {flag}",
        ]
        if s.alarms:
            alarm = s.alarms[0]
            lines.append(f"{alarm.severity.upper()}  {alarm.sentence}")
        lines.append(f"? {s.prompt_text}  [{s.answers}]" if s.prompt else "")
        return lines


def make_view(out: TextIO = sys.stdout) -> PlainView:
    """The live view on a real terminal, plain lines otherwise."""
    if out.isatty() and os.environ.get("TERM", "dumb") != "dumb":
        return LiveView(out)
    return PlainView(out)
