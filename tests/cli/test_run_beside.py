"""Nothing beside the loop may hold it up: a stopped terminal, a disk whose writer ended."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import select
import struct
import termios
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

from esterward.cli.run_beside import LINES_WAITING, Shown, Terminal, WrittenBeside
from esterward.values.events import Event
from telemetry.mqtt_rig import make_status


def within(seconds: float, work: Callable[[], Any]) -> bool:
    """Whether work returns in this time; left behind when it does not."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(seconds)
    return not thread.is_alive()


def until(true: Callable[[], Any]) -> None:
    end_s = time.monotonic() + 5.0
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.001)


class Stopped(io.StringIO):
    """A terminal after Ctrl-S: a write waits until it is let go on."""

    def __init__(self) -> None:
        super().__init__()
        self.goes_on = threading.Event()

    def write(self, text: str) -> int:
        self.goes_on.wait(30.0)
        return super().write(text)


def test_a_terminal_that_takes_nothing_never_holds_the_loop_up() -> None:
    out = Stopped()
    terminal = Terminal(str, out)

    def talk() -> None:
        for number in range(3 * LINES_WAITING):
            terminal.say(str(number))

    assert within(5.0, talk)
    out.goes_on.set()
    until(lambda: out.getvalue().count("\n") >= LINES_WAITING)
    assert out.getvalue().splitlines()[:3] == ["0", "1", "2"], "what is lost is the newest"
    terminal.close()


@pytest.mark.parametrize(("columns", "lines"), [
    (40, ["esterward run: the shed's own reactor;", "  record",
          "  /var/lib/esterward/a-folder-of-its-own/record.sqlite"]),
    (0, ["esterward run: the shed's own reactor; record "
         "/var/lib/esterward/a-folder-of-its-own/record.sqlite"]),  # a terminal that does not say
])
def test_a_line_is_broken_between_words_where_the_terminal_is_narrow(
    columns: int, lines: list[str],
) -> None:
    far, near = pty.openpty()
    fcntl.ioctl(near, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    with os.fdopen(near, "w", encoding="utf-8") as out:
        terminal = Terminal(str, out)
        terminal.say("esterward run: the shed's own reactor; record "
                     "/var/lib/esterward/a-folder-of-its-own/record.sqlite")
        until(lambda: select.select([far], [], [], 0.0)[0])
        terminal.close()
        shown = os.read(far, 4096).decode("utf-8").splitlines()
    os.close(far)
    assert shown == lines


def test_a_question_is_shown_once_and_again_when_its_words_change() -> None:
    out = io.StringIO()
    shown = Shown(Terminal(str, out), None)
    for text in ("Is it in?", "Is it in?", "Is it in? 3 L", "Is it in? 3 L"):
        shown.show(make_status(prompt="pour", prompt_text=text, answers="green = yes"), (), 1.0,
                   None)
    until(lambda: out.getvalue().count("\n") == 2)
    shown.terminal.close()
    assert [line.partition("? ")[2] for line in out.getvalue().splitlines()] == [
        "Is it in?  [green = yes]", "Is it in? 3 L  [green = yes]"]


def test_the_line_of_each_minute_says_what_waits_for_what_and_that_an_alarm_is_unseen() -> None:
    terminal = Terminal(str, io.StringIO())
    plain = terminal.picture(make_status(left_s=2700.0))
    assert "; 45 min left" in plain and "waits" not in plain and "seen" not in plain
    told = terminal.picture(make_status(
        withheld=("heat: mixer", "air: vent"), unseen=True, left_s=2700.0))
    assert "; waits: heat (mixer), air (vent); 45 min left; alarm [blue = seen]" in told
    terminal.close()


@pytest.mark.parametrize("unseen", [True, False])
def test_an_alarm_on_the_terminal_says_which_press_silences_it_where_there_is_one(
    unseen: bool,
) -> None:
    out = io.StringIO()
    terminal = Terminal(str, out)
    raised = Event(1, 0.0, "alarm_raised", {"code": "sump", "severity": "trip",
                                            "sentence": "Wet.", "action": "Mop."})
    terminal.show(make_status(unseen=unseen), (raised,), 1.0)
    until(lambda: out.getvalue().count("\n") == 1)
    terminal.close()
    assert out.getvalue().endswith("Wet. Mop." + "  [blue = seen]" * unseen + "\n")


@pytest.mark.parametrize(("kind", "data", "line"), [
    ("grant_withheld", {"output": "heat", "why": "probes-apart"},
     "heat withheld: probes-apart: Probes A and B differ too much."),
    ("guard_latched", {"code": "silent"},
     "the guard latched: silent: it did not hear the controller for 2 s")])
def test_a_code_in_a_line_is_followed_by_what_it_means(
    kind: str, data: dict[str, Any], line: str,
) -> None:
    out = io.StringIO()
    terminal = Terminal(str, out)
    terminal.show(make_status(), (Event(1, 0.0, kind, data),), 1.0)
    until(lambda: out.getvalue().count("\n") == 1)
    terminal.close()
    assert out.getvalue().strip().endswith(line)


class BrokenJournal:
    """A journal whose work on the disk goes wrong in a way nobody thought of."""

    stored, fault = 7, ""

    def step(self, now_s: float) -> None:
        raise LookupError("no such page")

    def close(self, now_s: float, wall_s: float | None, *, clean: bool) -> None:
        return


def test_a_writer_that_ends_is_a_fault_of_the_record() -> None:
    record = WrittenBeside(BrokenJournal(), lambda: 1.0)  # type: ignore[arg-type]
    until(lambda: record.fault)
    assert "LookupError: no such page" in record.fault and record.stored == 7
    assert record.close(1.0, None, 1.0, clean=True)
