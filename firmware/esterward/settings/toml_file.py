"""A file on disk to a table of plain TOML values, or one sentence why not."""

from __future__ import annotations

import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from esterward.settings.mistakes import LONGEST_SHOWN, SettingsError, plain_name

LONGEST_BYTES = 64 * 1024
_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_UNQUOTED = re.compile(r"^\s*[\w.-]+\s*=\s*[+-]?[\d.,]+\s*[A-Za-z%°]")


def read_toml(path: str | Path) -> dict[str, Any]:
    """The whole file as a table; SettingsError with one sentence when that cannot be."""
    where = plain_name(str(path))
    if not str(path).strip():
        raise SettingsError(["the name of the file is empty; give the path of one."])
    try:
        data = _read(Path(path))
    except _Refused as refused:
        raise SettingsError([f"{where}: {refused}."]) from None
    except FileNotFoundError:
        raise SettingsError([f"{where}: there is no such file; give the path of one."]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "that is not a path"
        raise SettingsError([f"{where}: the file cannot be read: {reason}."]) from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise SettingsError([f"{where}: this is not a text file in UTF-8; "
                             "a TOML file such as firmware/config/batch.toml is wanted."])
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SettingsError([f"{where}: this is not valid TOML: nested too deeply."]) from None
    except ValueError as error:
        raise SettingsError([f"{where}: {_why(str(error), text)}"]) from None


class _Refused(Exception):
    """Not a file that is read at all."""


def _read(path: Path) -> bytes:
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise _Refused("this is a directory; give the file in it")
    if not stat.S_ISREG(mode):  # a pipe or a device could block or never end
        raise _Refused("this is not an ordinary file")
    with path.open("rb") as file:
        data = file.read(LONGEST_BYTES + 1)
    if len(data) > LONGEST_BYTES:
        raise _Refused(f"the file is longer than {LONGEST_BYTES // 1024} KiB, "
                       "so it is neither a batch nor a reactor file")
    return data


def _short(line: str) -> str:
    text = plain_name(line)
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 3] + "..."


def _why(message: str, text: str) -> str:
    at = _AT.search(message)
    what = plain_name(message[: at.start()] if at else message)
    what = what[:1].lower() + what[1:]
    if at is None or at[1] is None:
        return f"this is not valid TOML: {what}{' at the end of the file' if at else ''}."
    lines = text.split("\n")
    number = min(int(at[1]), len(lines))
    line = lines[number - 1].rstrip("\r")
    sentence = f"line {number} is not valid TOML: {_short(line.strip())} ({what})"
    if "unclosed" in what or "unterminated" in what.lower():
        sentence += "; what is not closed may stand in a line before it"
    if _UNQUOTED.match(line):
        key, _, value = line.partition("=")
        value = value.partition("#")[0].strip()
        sentence += f'; write the value in quotes: {key.strip()} = "{plain_name(value)}"'
    return sentence + "."
