"""How a rehearsal is stopped from outside: any of STOPS ends it as Ctrl-C does, record and all."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, TypeVar

import click

# Signal -> what stopped it, in words. A closed terminal and a dropped ssh send SIGHUP.
STOPS: Final[dict[int, str]] = {signal.SIGINT: "Ctrl-C", signal.SIGTERM: "SIGTERM",
                                signal.SIGHUP: "SIGHUP (the terminal was closed)",
                                signal.SIGQUIT: "SIGQUIT"}
Shown = TypeVar("Shown")


class Stopped(KeyboardInterrupt):
    """One of STOPS came; number is which."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


class Stops:
    """The first of STOPS that came. It is only noted, since a step may be writing the record;
    `with` this object, around what waits or draws, it raises Stopped, at once or on entering."""

    def __init__(self) -> None:
        self.number = 0  # none came
        self._at_once = False

    def note(self, number: int, _: object = None) -> None:
        """The handler. Only the first counts: a terminal that closes sends two."""
        if self.number:
            return
        self.number = number
        if self._at_once:
            raise Stopped(number)

    def __enter__(self) -> None:
        self._at_once = True  # before the look: one that comes between raises by itself
        if self.number:
            raise Stopped(self.number)

    def __exit__(self, *_: object) -> None:
        self._at_once = False

    def between_steps(self, pace: Callable[[Shown], None]) -> Callable[[Shown], None]:
        """The pace, as the place where a rehearsal may be stopped."""
        def paced(shown: Shown) -> None:
            with self:
                pace(shown)
        return paced


@contextmanager
def stopping() -> Iterator[Stops]:
    """Inside, STOPS go to what is given; after the first, the way out of the program is left in
    peace too. What was ignored before (nohup) still is."""
    stops = Stops()
    if threading.current_thread() is not threading.main_thread():
        yield stops  # only the main thread may say what a signal does
        return
    before = {number: handler for number in STOPS
              if (handler := signal.getsignal(number)) not in (signal.SIG_IGN, None)}
    for number in before:
        signal.signal(number, stops.note)
    try:
        yield stops
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_IGN if stops.number else handler)


def tell(stopped: KeyboardInterrupt, record: Path | None) -> int:
    """Say what stopped it and where its record lies, None: not begun; the exit code for it."""
    number = stopped.number if isinstance(stopped, Stopped) else signal.SIGINT
    so_far = f"The record so far: {record}" if record else "No record was begun."
    with suppress(OSError):  # the terminal may be what went
        click.echo(f"\nstopped by {STOPS[number]}; all outputs off. {so_far}", err=True)
    return 128 + number
