"""What options of every command share: numbers in a range, and files that a command writes.

A mistake is one sentence with what to write instead (Refused), never click's own words.
"""

from __future__ import annotations

from contextlib import suppress
from math import isfinite
from os import urandom
from os.path import realpath
from pathlib import Path
from shutil import copymode
from tempfile import TemporaryFile
from typing import Any

import click

from esterward.cli.errors import Refused


class Whole(click.IntRange):
    """A whole number from lowest to highest, both allowed."""

    def __init__(self, lowest: int, highest: int) -> None:
        super().__init__(lowest, highest)

    def convert(self, value: Any, param: click.Parameter | None,
                ctx: click.Context | None) -> Any:
        """The number; Refused else."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            raise _refused(value, param, f"a whole number from {self.min} to {self.max}") from None


class Finite(click.FloatRange):
    """A number from lowest to highest, both allowed: never NaN, which no range of click stops."""

    def __init__(self, lowest: float, highest: float) -> None:
        super().__init__(lowest, highest)

    def convert(self, value: Any, param: click.Parameter | None,
                ctx: click.Context | None) -> Any:
        """The number; Refused else."""
        try:
            number = super().convert(value, param, ctx)
            if isfinite(number):
                return number
        except click.BadParameter:
            pass
        raise _refused(value, param, f"a number from {self.min:g} to {self.max:g}")


class Named(click.Path):
    """The path of a file or folder, never "", which Python takes for the folder here."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None,
                ctx: click.Context | None) -> Any:
        """The path; Refused for ""."""
        if value == "":
            name = "esterward" if param is None else (
                param.opts[0] if isinstance(param, click.Option) else param.human_readable_name)
            raise Refused(f"{name}: the path is empty; give that of a file or folder.")
        return super().convert(value, param, ctx)


def _refused(value: Any, param: click.Parameter | None, wanted: str) -> Refused:
    from esterward.settings.mistakes import shown

    option = param.opts[0] if param is not None else "esterward"
    return Refused(f"{option} {shown(value)}: write {wanted}.")


def to_write(option: str, path: Path, suffix: str, *, new: bool = False) -> Path:
    """The path, when a file with this suffix may be written there; Refused before any work else.

    A name of another kind is most likely a file the maker wrote. new: nor may it be there yet.
    """
    ends_in(option, path, suffix)
    try:
        if path.exists() and (new or not path.is_file()):
            raise Refused(f"{option} {path}: this file exists already; name a new one." if new
                          else f"{option} {path}: this is not an ordinary file; name another.")
        if not path.absolute().parent.is_dir():
            raise Refused(f"{option} {path}: there is no folder {path.parent}; make it first.")
        if path.exists():
            path.open("ab").close()
        TemporaryFile(dir=Path(realpath(path)).parent).close()
    except OSError as error:
        raise not_written(option, path, error) from None
    return path


def ends_in(option: str, path: Path, suffix: str) -> None:
    """Refused when the name has not the suffix of what is written."""
    if path.suffix.lower() != suffix:
        raise Refused(f"{option} {path}: this writes a {suffix} file; write a name "
                      f"that ends in {suffix}.")


def a_folder(option: str, path: Path) -> None:
    """Refused when no folder is there."""
    if path.exists() and not path.is_dir():
        raise Refused(f"{option} {path}: this is no folder; name one.")
    if not path.is_dir():
        raise Refused(f"{option} {path}: there is no such folder; make it, or name another.")


def write(option: str, path: Path, text: str) -> None:
    """Write the file whole or not at all; Refused when the system will not have it.

    A disk may fill up half way: what stood there before is replaced only by the whole text.
    """
    place = Path(realpath(path))  # where a link points, so that the link stays one
    beside = place.with_name(f".{urandom(4).hex()}.new")
    try:
        with beside.open("x", encoding="utf-8") as file:
            file.write(text)
        with suppress(FileNotFoundError):
            copymode(place, beside)
        beside.replace(place)
    except OSError as error:
        raise not_written(option, path, error) from None
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def not_written(option: str, path: Path, error: OSError) -> Refused:
    """What a command says when the system refuses the file."""
    return Refused(f"{option} {path}: it cannot be written there ({error.strerror}); name a file "
                   "in a folder that you may write.")
