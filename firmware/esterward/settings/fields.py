"""What a key may hold: a quantity, a word, text of a form, a whole number.

Each is pydantic metadata whose read() gives the plain value or our own error, so that
pydantic collects all of them; .allowed says in words what is allowed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from esterward.settings.mistakes import Wrong
from esterward.settings.quantity import bounded, range_words
from esterward.settings.units import Kind


def _refuse(wrong: Wrong, allowed: str) -> PydanticCustomError:
    return PydanticCustomError("esterward", "{why}",
                               {"why": wrong.why, "write": wrong.write, "allowed": allowed})


class _Field:
    """Hooks read() into pydantic."""

    __slots__ = ()

    def read(self, value: Any) -> Any:
        """The plain value, or the error pydantic collects."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)


@dataclass(frozen=True, slots=True)
class Number(_Field):
    """A quantity of this kind between lowest and highest, both in the core unit and allowed."""

    kind: Kind
    lowest: float
    highest: float

    @property
    def allowed(self) -> str:
        """The range in words."""
        return range_words(self.kind, self.lowest, self.highest)

    def read(self, value: Any) -> float:
        """The number in the core unit, or the error pydantic collects."""
        number = bounded(value, self.kind, self.lowest, self.highest)
        if isinstance(number, Wrong):
            raise _refuse(number, self.allowed)
        return number


@dataclass(frozen=True, slots=True)
class Word(_Field):
    """One of these words."""

    words: tuple[str, ...]

    @property
    def allowed(self) -> str:
        """The words, quoted."""
        return " or ".join(f'"{word}"' for word in self.words)

    def read(self, value: Any) -> str:
        """The word, or the error pydantic collects."""
        if not isinstance(value, str) or value not in self.words:
            low = value.lower().strip() if isinstance(value, str) else None
            meant = next((word for word in self.words if word.lower() == low), "")
            raise _refuse(Wrong("it is none of the words that are known here",
                                f'"{meant}"' if meant else ""), self.allowed)
        return value


@dataclass(frozen=True, slots=True)
class Text(_Field):
    """Text of a fixed form. form says in words what the pattern wants."""

    pattern: str
    form: str
    example: str

    @property
    def allowed(self) -> str:
        """The form in words."""
        return self.form

    def read(self, value: Any) -> str:
        """The text, or the error pydantic collects."""
        if not isinstance(value, str) or not re.fullmatch(self.pattern, value):
            raise _refuse(Wrong("it does not have the form that is wanted",
                                f'for example "{self.example}"'), self.allowed)
        return value


@dataclass(frozen=True, slots=True)
class Host(Text):
    """Text that names a machine: a colon is one of an IPv6 address, never that before a port."""

    def read(self, value: Any) -> str:
        """The text, or the error pydantic collects."""
        text = Text.read(self, value)
        host, colon, port = text.rpartition(":")
        if not colon or _is_ipv6(text):
            return text
        if ":" not in host and port.isdecimal():
            raise _refuse(Wrong("the port has a key of its own",
                                f'"{host or self.example}" and below it port = {int(port)}'),
                          self.allowed)
        return Text.read(self, None)  # refused as any other that is no name


def _is_ipv6(text: str) -> bool:
    from ipaddress import AddressValueError, IPv6Address  # only a colon needs it

    try:
        IPv6Address(text)
    except AddressValueError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Whole(_Field):
    """A whole number without a unit."""

    lowest: int
    highest: int

    @property
    def allowed(self) -> str:
        """The range in words."""
        return f"a whole number from {self.lowest} to {self.highest}"

    def read(self, value: Any) -> int:
        """The number, or the error pydantic collects."""
        if isinstance(value, bool) or not isinstance(value, int) or not (
            self.lowest <= value <= self.highest
        ):
            whole = value.strip() if isinstance(value, str) else ""
            quoted = whole.isascii() and whole.isdigit() and len(whole) < 10 and (
                self.lowest <= int(whole) <= self.highest)
            write = f"{whole} without the quotes" if quoted else ""
            raise _refuse(Wrong("it is not a number that can be used", write), self.allowed)
        return value
