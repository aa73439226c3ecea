"""What runs beside the loop of `esterward run`: the disk, the terminal, the lapse of leases.

A disk may take seconds to confirm and a terminal may be stopped with Ctrl-S; neither may hold
up the loop. So each has a thread, and the loop only hands over.
"""

from __future__ import annotations

import os
import queue
import sys
import textwrap
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Final, TextIO

from esterward.cli.trouble import Trouble
from esterward.record.journal import Journal
from esterward.safety.faults import FAULTS
from esterward.telemetry.lines import duration_words, line_words
from esterward.values.events import Event
from esterward.values.messages import GUARD_LATCHES
from esterward.values.outputs import Outputs
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot
from esterward.values.status import SEEN, STAGE_WORDS, STATE_WORDS, Status

if TYPE_CHECKING:
    from esterward.telemetry.link import MqttLink

MINUTE_S: Final = 60.0
LINES_WAITING: Final = 500
# What the question line, or nobody, needs to hear of as an event.
QUIET: Final = frozenset({"prompt_opened", "step_started", "request_accepted"})
LINK_ADVICE: Final = (
    "alerts may not reach a phone; see [mqtt] host and port, $ESTERWARD_MQTT_USER and "
    "$ESTERWARD_MQTT_PASSWORD, and the broker's log.")
TOO_MANY: Final = "more requests came than can be looked at, some were neither taken nor answered"
FLOOD_ADVICE: Final = "see who else may publish to the broker, and its log."


class Beside:
    """Calls work() every period_s, and at once after wake(), in a thread of its own."""

    def __init__(self, name: str, work: Callable[[], None], period_s: float,
                 failed: Callable[[Exception], None]) -> None:
        self._work, self._period_s, self._failed = work, period_s, failed
        self._wake = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._ended:
            try:
                self._work()
            except Exception as error:
                self._failed(error)
                return
            self._wake.wait(self._period_s)
            self._wake.clear()

    def wake(self) -> None:
        self._wake.set()

    def close(self, within_s: float) -> bool:
        """Let it end; False when it did not in time (it is left behind)."""
        self._ended = True
        self.wake()
        self._thread.join(within_s)
        return not self._thread.is_alive()


class WrittenBeside:
    """The Record port on a journal whose disk work is done in another thread."""

    def __init__(self, journal: Journal, now_s: Callable[[], float]) -> None:
        self._journal = journal
        self._broken = ""
        self._writer = Beside("record", lambda: journal.step(now_s()), 0.2, self._failed)

    def _failed(self, error: Exception) -> None:
        self._broken = f"the record's writer ended ({type(error).__name__}: {error})"

    @property
    def stored(self) -> int:
        return self._journal.stored

    @property
    def fault(self) -> str:
        return self._broken or self._journal.fault

    def add(self, snapshot: Snapshot, outputs: Outputs, events: tuple[Event, ...],
            checkpoint: str | None) -> None:
        self._journal.add(snapshot, outputs, events, checkpoint)
        if events:
            self._writer.wake()

    def take_requests(self) -> tuple[Request, ...]:
        return self._journal.take_requests()

    def step(self, now_s: float) -> None:
        return

    def close(self, now_s: float, wall_s: float | None, within_s: float, clean: bool) -> bool:
        """Store what is left, of a clean stop with its mark; False when the disk did not answer."""
        if not self._writer.close(within_s):
            return False
        self._journal.close(now_s, wall_s, clean=clean)
        return True


class Terminal:
    """What a person at the machine reads: news, the open question, and the oil each minute."""

    def __init__(self, degrees: Callable[[float | None], str], out: TextIO | None = None) -> None:
        self._degrees, self._out = degrees, out or sys.stdout
        self._lines: queue.Queue[str] = queue.Queue(LINES_WAITING)
        self._asked: tuple[str, ...] = ()
        self._minute_at_s = float("-inf")
        self._each_minute = self._out.isatty()
        self._writer = Beside("terminal", self._write, 0.0, lambda error: None)

    def _write(self) -> None:
        print(self._fitted(self._lines.get()), file=self._out, flush=True)

    def _fitted(self, text: str) -> str:
        """Broken between words on a terminal, as wide as it is now; a path stays in one piece."""
        try:
            columns = os.get_terminal_size(self._out.fileno()).columns if self._out.isatty() else 0
        except (OSError, ValueError):
            return text
        return textwrap.fill(text, columns, subsequent_indent="  ", break_long_words=False,
                             break_on_hyphens=False) if columns > 20 else text

    def say(self, text: str) -> None:
        """One line; lost when nobody takes any for long."""
        with suppress(queue.Full):
            self._lines.put_nowait(text)

    def show(self, status: Status, events: tuple[Event, ...], now_s: float) -> None:
        hours = f"{int(status.elapsed_s // 3600)}:{int(status.elapsed_s // 60) % 60:02d}  "
        for event in events:
            if event.kind not in QUIET:
                seen = f"  {SEEN}" if status.unseen and event.kind == "alarm_raised" else ""
                self.say(hours + line_words(event) + _in_words(event) + seen)
        asked = (status.prompt, status.prompt_text, status.answers)
        if asked != self._asked:
            self._asked = asked
            if status.prompt_text:
                how = f"  [{status.answers}]" if status.answers else ""
                self.say(f"{hours}? {status.prompt_text}{how}")
        if self._each_minute and now_s >= self._minute_at_s:
            self._minute_at_s = now_s + MINUTE_S
            self.say(hours + self.picture(status))

    def picture(self, status: Status) -> str:
        """State, stage, oil, what is on and how long it takes, in one line."""
        on = ", ".join(name for name, level in (
            ("element", status.element), ("mixer", status.mixer), ("air", status.air)) if level)
        aim = f" of {self._degrees(status.setpoint_c)}" if status.setpoint_c is not None else ""
        left = f"; {duration_words(status.left_s)} left" if status.left_s else ""
        waits = ", ".join(f"{output} ({why})" for output, _, why in (
            one.partition(": ") for one in status.withheld))
        wait = f"; waits: {waits}" if waits else ""
        unseen = f"; alarm {SEEN}" if status.unseen else ""
        stage = STAGE_WORDS.get(status.stage, status.stage)
        return (f"{STATE_WORDS[status.state]}{', ' + stage if stage else ''}: oil "
                f"{self._degrees(status.oil_c)}{aim}; on: {on or 'nothing'}{wait}{left}{unseen}")

    def close(self) -> None:
        """Give the last lines a moment."""
        end = threading.Event()
        for _ in range(20):
            if self._lines.empty():
                break
            end.wait(0.05)
        self._writer.close(0.05)


def _in_words(event: Event) -> str:
    """What a code in the event's line means, behind a colon; "" where the line says it."""
    code = str(event.data.get("why" if event.kind == "grant_withheld" else "code", ""))
    if event.kind == "grant_withheld" and code in FAULTS:
        return f": {FAULTS[code].sentence}"
    if event.kind == "guard_latched" and code in GUARD_LATCHES:
        return f": {GUARD_LATCHES[code]}"
    return ""


class Shown:
    """The Telemetry port: the terminal, and the MQTT link when there is a broker.

    What is wrong with the link is told on the terminal, since no phone can hear of it.
    """

    def __init__(self, terminal: Terminal, link: MqttLink | None) -> None:
        self.terminal, self.link = terminal, link
        self._unheard = 0
        self._trouble = Trouble("MQTT", LINK_ADVICE, terminal.say)
        self._flood = Trouble("MQTT requests", FLOOD_ADVICE, terminal.say)

    def take_requests(self) -> tuple[Request, ...]:
        return self.link.take_requests() if self.link is not None else ()

    def show(self, status: Status, events: tuple[Event, ...], now_s: float,
             wall_s: float | None, stored: int = 0) -> None:
        self.terminal.show(status, events, now_s)
        if self.link is not None:
            self.link.show(status, events, now_s, wall_s, stored)

    def step(self, now_s: float) -> None:
        link = self.link
        if link is None:
            return
        link.step(now_s)
        too_many = link.unheard != self._unheard
        self._unheard = link.unheard
        self._trouble.look(link.fault, now_s)
        self._flood.look(TOO_MANY if too_many else "", now_s)
