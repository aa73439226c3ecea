"""What a person sees of a rehearsal, as a real terminal shows it."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import select
import struct
import termios
from dataclasses import replace

import pytest

from esterward.values.events import Event
from esterward.values.status import Alarm
from esterward_sim import view
from telemetry.mqtt_rig import make_status

QUESTION = ("Titration 2.9, 3.1, 3.0 mL: weigh 1293 g of KOH (90 %), measure 24.0 L of methanol "
            "for 120 L of oil. Right?")
STATUS = make_status(batch="skarnmoor demo", state="running", stage="methoxide", oil_c=54.96,
                setpoint_c=55.0, ceiling_c=56.16, title="oil is kept warm until the batch sheet "
                "is confirmed", elapsed_s=4000.0, prompt="sheet", prompt_text=QUESTION,
                answers="hold green 2 s")
HEARD = "  mqtt  1:06:18  ALERT  You are wanted: " + QUESTION + " (hold green 2 s)"


class Screen:
    """As much of a terminal as the view uses: lines, wrapping, cursor up, clear below."""

    def __init__(self, columns: int) -> None:
        self.columns, self.row, self.column = columns, 0, 0
        self.rows: list[str] = [""]

    def feed(self, text: str) -> None:
        for up, clear, colour, other in re.findall(
                r"\x1b\[(\d+)A|(\x1b\[J)|(\x1b\[[\d;]+m)|(.|\n)", text.replace("\r", "")):
            if up:
                self.row, self.column = max(0, self.row - int(up)), 0
            elif clear:
                self.rows[self.row] = self.rows[self.row][:self.column]
                del self.rows[self.row + 1:]
            elif other == "\n":
                self._down()
            elif not colour:
                if self.column == self.columns:  # the terminal itself wraps
                    self._down()
                line = self.rows[self.row].ljust(self.column)
                self.rows[self.row] = line[:self.column] + other + line[self.column + 1:]
                self.column += 1

    def _down(self) -> None:
        self.row, self.column = self.row + 1, 0
        while len(self.rows) <= self.row:
            self.rows.append("")


def shown_on_a_terminal(columns: int, rows: int = 24) -> Screen:
    """The view draws three times on a real pseudo-terminal of this width."""
    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    screen = Screen(columns)
    with os.fdopen(follower, "w") as out:
        picture = view.make_view(out)
        assert isinstance(picture, view.LiveView)
        for seconds in (4000.0, 4001.0, 4002.0):
            picture.show(replace(STATUS, elapsed_s=seconds), [HEARD] if seconds < 4001.0 else [])
            out.write("\0")  # on a busy machine what was written arrives late and in parts
            out.flush()
            drawn = b""
            while not drawn.endswith(b"\0"):
                assert select.select([leader], [], [], 20.0)[0], "nothing came of the terminal"
                drawn += os.read(leader, 100_000)
            screen.feed(drawn[:-1].decode())
    os.close(leader)
    return screen


@pytest.fixture(autouse=True)
def _terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")


@pytest.mark.parametrize("columns", [40, 80, 120])
def test_a_long_question_is_shown_whole_with_its_answer_at_any_width(columns: int) -> None:
    screen = shown_on_a_terminal(columns)
    words = " ".join(" ".join(screen.rows).split())
    assert f"? {QUESTION} [hold green 2 s]" in words
    assert " ".join(HEARD.split()) in words
    assert all(len(line) < columns for line in screen.rows)
    # Drawn three times, there once: the picture was drawn over itself, the news was not.
    assert words.count("skarnmoor demo") == 1 and words.count("ALERT") == 1
    assert "..." not in words


def test_a_ceiling_is_shown_rounded_down_like_every_limit() -> None:
    out = io.StringIO()
    view.LiveView(out).show(STATUS, [])
    assert "56.1 degC" in out.getvalue() and "56.2" not in out.getvalue()


def test_what_waits_though_it_is_wished_is_shown_with_its_reason() -> None:
    out = io.StringIO()
    view.LiveView(out).show(replace(STATUS, withheld=("heat: lid",)), [])
    assert "waits   heat: lid\n" in out.getvalue()
    out = io.StringIO()
    view.LiveView(out).show(STATUS, [])
    assert "waits" not in out.getvalue()


@pytest.mark.parametrize(("state", "unseen", "shown"), [
    ("unacknowledged", True, "ALARM  Too hot.  [blue = seen]\n"),
    ("acknowledged", False, "ALARM  Too hot.\n"),
    ("returned", True, "ALARM  Too hot. Its cause is not seen any more.  [blue = seen]\n"),
])
def test_an_alarm_says_whether_it_is_over_and_what_silences_it(
    state: str, unseen: bool, shown: str,
) -> None:
    out = io.StringIO()
    alarm = Alarm("over-alarm", "alarm", state, "Too hot.", "Look.")
    view.LiveView(out).show(replace(STATUS, alarms=(alarm,), unseen=unseen), [])
    assert shown in out.getvalue()


def test_without_a_terminal_an_event_is_one_whole_plain_line() -> None:
    out = io.StringIO()
    plain = view.make_view(out)
    plain.events([Event(1, 60.0, "prompt_opened", {"prompt": "sheet", "text": QUESTION})])
    assert out.getvalue() == f"  0:01    asks: {QUESTION}  [hold green 2 s = yes]\n"


def test_without_a_terminal_a_latch_says_once_what_to_press() -> None:
    out = io.StringIO()
    plain = view.make_view(out)
    stopped = replace(STATUS, state="aborted", prompt="latch", answers="cause gone: blue held 5 s",
                      prompt_text="Close the methoxide valve. The emergency stop is pressed.")
    for status in (STATUS, stopped, stopped):
        plain.question(status)
    assert out.getvalue() == ("  1:06    asks: Close the methoxide valve. The emergency stop is "
                              "pressed.  [cause gone: blue held 5 s]\n")


def test_what_comes_after_the_picture_breaks_between_words(
        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    out = io.StringIO()
    picture = view.LiveView(out)
    monkeypatch.setattr(picture, "_size", lambda: (40, 24))
    picture.below([HEARD])
    lines = out.getvalue().splitlines()
    assert all(len(line) < 40 for line in lines)
    assert " ".join(out.getvalue().split()) == " ".join(HEARD.split())
