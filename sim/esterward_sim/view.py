"""What a person sees of a rehearsal: a live picture on a terminal, plain lines elsewhere.

Colour only on a terminal and never with NO_COLOR; no animation when the output is not a
terminal. Everything shown comes from the controller's Status and its events.
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
from typing import Final, TextIO

from esterward.chemistry.wording import METRIC
from esterward.process.prompts import ANSWERS, PROMPTS
from esterward.values.events import Event
from esterward.values.status import GONE, SEEN, STAGE_WORDS, STATE_WORDS, Status

BAR: Final = 28
# Questions of a state, which no event tells: start checks, latch, presence, hold, valve.
BY_STATE: Final = ("start", "latch", "presence", "held", "valve")
# What a line begins with before its words: a time, "mqtt", a label in capitals or in the picture.
_HEAD: Final = re.compile(r" *(?:mqtt +)?(?:[\d:-]+ +)?(?:(?:ALERT|event|link|over|asks:|answer:|"
                          r"told:|stage|oil|left|on|waits|\?|TRIP|FAULT|NOTICE) +)?")


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

    def __init__(self, out: TextIO | None = None) -> None:
        self.out = out or sys.stdout
        self.asked = ""

    def events(self, events: tuple[Event, ...] | list[Event]) -> None:
        for event in events:
            line = event_line(event)
            if line:
                print(line, file=self.out, flush=True)

    def show(self, status: Status, extra: list[str]) -> None:
        for line in extra:
            print(line, file=self.out, flush=True)

    def question(self, status: Status) -> None:
        """Print the question that hangs on the batch's state and is no event of its own."""
        if status.prompt in BY_STATE and status.prompt_text != self.asked:
            how = f"  [{status.answers}]" if status.answers else ""
            print(f"{clock(status.elapsed_s):>6}    asks: {status.prompt_text}{how}",
                  file=self.out, flush=True)
        self.asked = status.prompt_text

    def below(self, lines: list[str]) -> None:
        """What comes after the last picture."""
        for line in lines:
            print(line, file=self.out, flush=True)


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
        asked = PROMPTS.get(str(data["prompt"]))
        how = f"  [{ANSWERS[asked.kind]}]" if asked is not None else ""
        return f"{at}  asks: {data['text']}{how}"
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
    """A picture of a few lines that is drawn over itself; news scrolls above it.

    Nothing is cut: what is longer than the terminal is wide goes on in the next line, since a
    question ends with how it is answered.
    """

    def __init__(self, out: TextIO | None = None) -> None:
        super().__init__(out)
        self.colour = not os.environ.get("NO_COLOR")
        self.drawn = 0
        self.news: list[str] = []

    def _paint(self, text: str, code: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if self.colour else text

    def question(self, status: Status) -> None:
        return  # it stands in the picture

    def below(self, lines: list[str]) -> None:
        width = self._width()
        super().below([one for text in lines for one in self._lines(text, width)])

    def events(self, events: tuple[Event, ...] | list[Event]) -> None:
        self.news += [line for line in map(event_line, events) if line]

    def show(self, status: Status, extra: list[str]) -> None:
        _, rows = self._size()
        width = self._width()
        lines = [one for text in self._picture(status, width) for one in self._lines(text, width)]
        above = [one for text in self.news + extra for one in self._lines(text, width)]
        self.news.clear()
        lines = lines[-max(1, rows - 1):]  # what has scrolled away cannot be drawn over
        parts = []
        if self.drawn:
            parts.append(f"\x1b[{self.drawn}A\x1b[J")
        parts += [line + "\n" for line in above + lines]
        self.drawn = len(lines)
        self.out.write("".join(parts))
        self.out.flush()

    def _width(self) -> int:
        return max(20, min(100, self._size()[0] - 1))

    def _size(self) -> tuple[int, int]:
        """Columns and rows of this terminal now, 80 and 24 when it does not say."""
        try:
            columns, rows = os.get_terminal_size(self.out.fileno())
        except OSError:
            columns = rows = 0
        return columns or 80, rows or 24

    def _lines(self, text: str, width: int) -> list[str]:
        """The text in lines of at most width, the further ones under its own words."""
        head = _HEAD.match(text)
        indent = min(head.end() if head else 0, width // 3)
        shown = textwrap.wrap(text, width, subsequent_indent=" " * indent,
                              drop_whitespace=True, break_on_hyphens=False) or [""]
        for mark, code in (("TRIP", "1;31"), ("FAULT", "1;31"), ("asks:", "33"), ("? ", "33"),
                           ("mqtt ", "36")):
            if mark in text[:24]:
                return [self._paint(line, code) for line in shown]
        return shown

    def _picture(self, s: Status, width: int) -> list[str]:
        part = None
        if s.oil_c is not None and s.ceiling_c:
            part = s.oil_c / s.ceiling_c
        on = ", ".join(name for name, level in (
            ("element", s.element), ("mixer", s.mixer), ("air", s.air)) if level) or "all off"
        setpoint = f" of {s.setpoint_c:.1f}" if s.setpoint_c is not None else ""
        flag = "methanol may be in the vessel" if s.flag else "no methanol in the vessel"
        head = STATE_WORDS[s.state]
        long = max(6, min(BAR, width - 48))
        lines = [
            "-" * min(76, width),
            f"{s.batch}   {clock(s.elapsed_s)} h   {head}",
            f"stage   {stage_words(s.stage) or '-'}: {s.title}",
            f"oil     {degrees(s.oil_c)}{setpoint} degC  {bar(part, long)} ceiling "
            f"{METRIC.limit(s.ceiling_c)}",
            f"left    {clock(s.left_s):>5} h in this stage   {bar(s.progress, long)}",
            f"on      {on};  {flag}",
            *(f"waits   {why}" for why in s.withheld),
        ]
        if s.alarms:
            alarm = s.alarms[0]
            gone = f" {GONE}" if alarm.state == "returned" else ""
            seen = f"  {SEEN}" if s.unseen else ""
            lines.append(f"{alarm.severity.upper()}  {alarm.sentence}{gone}{seen}")
        lines.append(f"? {s.prompt_text}  [{s.answers}]" if s.prompt else "")
        return lines


def make_view(out: TextIO | None = None) -> PlainView:
    """The live view on a real terminal, plain lines otherwise."""
    out = out or sys.stdout
    if out.isatty() and os.environ.get("TERM", "dumb") != "dumb":
        return LiveView(out)
    return PlainView(out)
