"""How a rehearsal is stopped from outside: any of STOPS ends it as Ctrl-C does, record and all."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

# Signal -> what stopped it, in words. A closed terminal and a dropped ssh send SIGHUP.
STOPS: Final[dict[int, str]] = {signal.SIGINT: "Ctrl-C", signal.SIGTERM: "SIGTERM",
                                signal.SIGHUP: "SIGHUP (the terminal was closed)",
                                signal.SIGQUIT: "SIGQUIT"}


class Stopped(KeyboardInterrupt):
    """One of STOPS came; number is which."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


@contextmanager
def stopping() -> Iterator[None]:
    """Inside, the first of STOPS raises Stopped and no other disturbs the closing of the record:
    a terminal that closes sends two. What was ignored before (nohup) still is."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may say what a signal does
        return
    before = {number: handler for number in STOPS
              if (handler := signal.getsignal(number)) not in (signal.SIG_IGN, None)}

    def stop(number: int, _: object) -> None:
        for other in before:
            signal.signal(other, signal.SIG_IGN)
        raise Stopped(number)

    for number in before:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
