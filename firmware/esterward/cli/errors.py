"""How a command says that its input was bad.

Every command that reads a file or a typed number does so inside `with reading():`. A
SettingsError (every mistake at once) then leaves the program as one sentence a mistake on
stderr and exit code 2, before anything was started. A command with a refusal of its own
raises Refused("what, where, what is allowed, what to write instead."), or NotNow where the state of
the machine is in the way and not what was asked. All also work when the click command is called
without main(), as tests do.

    with reading():
        batch, reactor = files.load_pair(batch_path, reactor_path)
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import IO, Any, Final

import click

AGAIN_S: Final = 25.0


class Refused(click.ClickException):
    """Bad input: whole sentences for stderr, exit code 2."""

    exit_code = 2

    def __init__(self, *sentences: str) -> None:
        self.sentences = tuple(" ".join(one.splitlines()) for one in sentences)
        super().__init__("\n".join(self.sentences))

    def show(self, file: IO[Any] | None = None) -> None:
        """One line a sentence, without click's "Error:"."""
        for sentence in self.sentences:
            click.echo(sentence, file=file, err=file is None)


class NotNow(Refused):
    """What may go away by itself (a full disk, no pins yet): exit code 75, so that systemd tries
    again (EX_TEMPFAIL of sysexits.h)."""

    exit_code = 75


def wait_for_another_try() -> None:
    """Before a service ends with NotNow: its next try should cost neither card nor log much."""
    if os.environ.get("NOTIFY_SOCKET"):
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT):
            signal.signal(number, signal.SIG_DFL)  # a stop ends the waiting at once
        time.sleep(AGAIN_S)


@contextmanager
def reading() -> Iterator[None]:
    """Turn a SettingsError inside the block into Refused."""
    from esterward.settings.mistakes import SettingsError

    try:
        yield
    except SettingsError as error:
        raise Refused(*error.mistakes) from None


def install(extra: str) -> str:
    """The command that brings an optional package, from the project's folder."""
    return f'.venv/bin/pip install -e ".[{extra}]"'


def warn(warnings: Iterable[str]) -> None:
    """Text mode: what is unwise goes to stderr, and the exit code stays 0."""
    for warning in warnings:
        click.echo(f"warning: {warning}", err=True)
