"""Mistakes as values. Decides how one reads; knows no file format, no unit, no Pint."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

LONGEST_SHOWN = 60


class SettingsError(ValueError):
    """Every mistake found, one sentence each, in .mistakes; nothing was started."""

    def __init__(self, mistakes: Iterable[str]) -> None:
        self.mistakes: tuple[str, ...] = tuple(mistakes)
        super().__init__("\n".join(self.mistakes))


@dataclass(frozen=True, slots=True)
class Wrong:
    """What is wrong with one value, and what to write instead (may be empty)."""

    why: str
    write: str = ""


def shown(value: Any) -> str:
    """A value as it may stand in a sentence: on one line, short, no control characters."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, (list, tuple)):
        text = "[" + ", ".join(shown(item) for item in value[:4])
        text += ", ...]" if len(value) > 4 else "]"
    else:
        text = str(value)
    text = _printable(text)
    if len(text) <= LONGEST_SHOWN:
        return text
    return text[: LONGEST_SHOWN - 4] + "..." + ('"' if isinstance(value, str) else "")


def plain_name(name: str) -> str:
    """A key or file name somebody else chose, safe to print."""
    text = _printable(name)
    return text if len(text) <= 200 else text[:197] + "..."


def _printable(text: str) -> str:
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def sentence(where: str, key: str, value: Any, wrong: Wrong, allowed: str = "") -> str:
    """One mistake: file, key, value found, what is wrong, what is allowed, what to write."""
    text = f"{plain_name(where)}: {plain_name(key)} = {shown(value)}: {wrong.why}"
    if allowed:
        text += f"; allowed is {allowed}"
    if wrong.write:
        text += f"; write {wrong.write}"
    return text + "."


def nearest(name: str, known: Sequence[str]) -> str:
    """The known name somebody probably meant, or empty."""
    from difflib import get_close_matches  # only a mistake needs it

    found = get_close_matches(name.lower(), known, n=1, cutoff=0.6)
    return found[0] if found else ""
