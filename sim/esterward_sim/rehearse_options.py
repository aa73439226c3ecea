"""The options of `esterward rehearse`: what each may say, and which stand alone."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import click
from click.core import ParameterSource

from esterward.cli.errors import Refused
from esterward.cli.options import ends_in

# An option that leaves others no use: what is said of it, and what may stand beside it.
ALONE: Final = {
    "list_faults": ("--faults: it only lists them", ("as_json",)),
    "scenario": ("--scenario: the file says everything itself", ("as_json",)),
    "fitted": ("--fit: nothing is rehearsed", ("batch", "reactor", "as_json")),
}


def alone(context: click.Context, name: str) -> None:
    """Refused when beside the option of this name another is given that it leaves no use."""
    why, beside = ALONE[name]
    given = [parameter.opts[0] if isinstance(parameter, click.Option) else "BATCH"
             for parameter in context.command.params
             if parameter.name not in (name, *beside)
             and context.get_parameter_source(parameter.name or "")
             is ParameterSource.COMMANDLINE]
    if given:
        raise Refused(f"{why}; leave out {', '.join(given)}.")


def speed_factor(text: str) -> float | None:
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.1 <= speed <= 1e6:
        raise Refused(f"--speed {text!r}: write max, or how many times faster than real time, "
                      "from 0.1 to 1000000.")
    return speed


def record_path(asked: Path | None, name: str) -> Path:
    """Where the record will lie; nothing is made yet."""
    if asked is not None:
        try:
            # An older record may have any name: what it is, is looked at before a batch goes in.
            if not asked.exists():
                ends_in("--record", asked, ".sqlite")
            if not asked.resolve().parent.is_dir():
                raise Refused(f"--record {asked}: there is no folder {asked.parent}; make it "
                              "first.")
        except OSError as error:  # a name too long, a folder that may not be looked into
            raise no_record(asked, error.strerror) from None
        return asked
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "batch"
    number = 1
    while (path := Path("rehearsals") / f"{slug}-{number:03d}.sqlite").exists():
        number += 1
    return path


def no_record(path: Path, why: object) -> Refused:
    return Refused(f"{path}: no record can be kept here ({why}); write --record FILE with a file "
                   "in a folder that can be written.")


def broker_at(text: str) -> tuple[str, int] | str | None:
    if text in ("none", "embedded"):
        return None if text == "none" else text
    host, _, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")  # of an IPv6 address
    if not host or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
        raise Refused(f"--broker {text!r}: write embedded, none, or HOST:PORT with a port from 1 "
                      "to 65535.")
    return host, int(port)
