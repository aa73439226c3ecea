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
_PAIR = re.compile(r"^\s*([\w.-]+)\s*=\s*([^#]*?)\s*(?:#.*)?$")
_BARE = re.compile(r"[A-Za-z][\w -]*")
_STRAIGHT = str.maketrans(dict.fromkeys("\u201c\u201d\u201e\u201f\u00ab\u00bb\u2018\u2019", '"'))
_SWITCHES = {"yes": "true", "on": "true", "true": "true",
             "no": "false", "off": "false", "false": "false"}
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
                             "a TOML file such as those in firmware/config is wanted."])
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
        hint = "; a quote is not closed" if what == "unterminated string" else ""
        return f"this is not valid TOML: {what}{' at the end of the file' if at else ''}{hint}."
    lines = text.split("\n")
    number = min(int(at[1]), len(lines))
    line = lines[number - 1].rstrip("\r")
    sentence = f"line {number} is not valid TOML: {_short(line.strip())} ({what})"
    if "unclosed" in what or "unterminated" in what.lower():
        sentence += "; what is not closed may stand in a line before it"
    return sentence + _hint(what, line) + "."


def _hint(what: str, line: str) -> str:
    """What to write instead, for the slips of people who know no TOML; else empty."""
    if what.startswith("cannot overwrite"):
        return "; the same key stands before it: delete one of the two"
    if what.startswith("cannot declare"):
        return "; the same table stands before it: put its keys together under one"
    found = _PAIR.match(line)
    if found is None:
        return ""
    key, value = found[1], _short(found[2])
    straight = value.translate(_STRAIGHT)
    if straight != value:
        return f"; the quotes must be straight: {key} = {straight}"
    if value.lower() in _SWITCHES:
        return f"; write true or false without quotes: {key} = {_SWITCHES[value.lower()]}"
    if value.startswith('"') and value.count('"') == 1:
        return f'; the quote is not closed: {key} = {value}"'
    if value.count('"') % 2:
        return "; a quote is not closed"
    if value and (_BARE.fullmatch(value) or _UNQUOTED.match(line)):
        return f'; write the value in quotes: {key} = "{value}"'
    return ""
