"""Every option that takes a number or names a file to write has the one rule of cli/options.py."""

from __future__ import annotations

import re
import resource
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
import pytest

from esterward.cli import COMMANDS, esterward, options
from esterward.cli.errors import Refused, install
from esterward.cli.options import Finite, Whole, to_write, write


def commands() -> Iterator[tuple[str, click.Command]]:
    context = click.Context(esterward)
    for name in COMMANDS:
        command = esterward.get_command(context, name)
        assert command is not None
        yield name, command
        if isinstance(command, click.Group):
            yield from ((f"{name} {sub}", one) for sub, one in command.commands.items())


def test_no_option_reads_its_number_with_clicks_own_types() -> None:
    """FloatRange lets NaN through, and click's words do not say what to write."""
    for name, command in commands():
        for param in command.params:
            plain = isinstance(param.type, (click.types.IntParamType, click.types.FloatParamType))
            assert not plain or isinstance(param.type, (Whole, Finite)), (name, param.name)


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "0.5", "11", "ten", ""])
def test_a_number_out_of_range_or_no_number_is_refused_with_what_to_write(text: str) -> None:
    option = click.Option(["--tail"])
    with pytest.raises(Refused, match=r"^--tail .*: write a number from 1 to 10"):
        Finite(1.0, 10.0).convert(text, option, None)
    with pytest.raises(Refused, match=r"^--tail .*: write a whole number from 1 to 10"):
        Whole(1, 10).convert(text, option, None)


def test_a_number_in_range_is_read() -> None:
    assert Finite(1.0, 10.0).convert("2.5", None, None) == 2.5
    assert [Whole(1, 10).convert(text, None, None) for text in ("1", "10")] == [1, 10]


def test_a_file_to_write_has_its_suffix_and_its_folder_and_may_have_to_be_new(
    tmp_path: Path,
) -> None:
    there = tmp_path / "there.svg"
    there.write_text("mine", "ascii")
    assert to_write("--svg", there, ".svg") == there
    assert not list(tmp_path.glob("*.tmp")) and there.read_text("ascii") == "mine"
    for path, new, words in ((tmp_path / "p3.toml", False, "ends in .svg"),
                             (there, True, "exists already"),
                             (tmp_path / "no" / "a.svg", False, "no folder"),
                             (tmp_path / ("a" * 300 + ".svg"), False, "cannot be written"),
                             (Path("/proc/a.svg"), False, "cannot be written")):
        with pytest.raises(Refused, match=words):
            to_write("--svg", path, ".svg", new=new)


@contextmanager
def no_file_above(size: int) -> Iterator[None]:
    """The system stops a file at this size, as a disk that is full stops it half way."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_file_that_does_not_fit_leaves_the_older_one_whole_and_no_half_one(
    tmp_path: Path,
) -> None:
    old, new, text = tmp_path / "a.html", tmp_path / "b.html", "<tr><td>1293 g</td></tr>\n" * 900
    old.write_text("the older page", "utf-8")
    for path in (old, new):
        with no_file_above(8192), pytest.raises(
                Refused, match=rf"^--html {path}: it cannot be written there \(File too large"):
            write("--html", path, text)
    assert [one.name for one in tmp_path.iterdir()] == ["a.html"]
    assert old.read_text("utf-8") == "the older page"
    write("--html", old, text)
    assert old.read_text("utf-8") == text


def test_a_page_behind_a_link_is_replaced_where_it_lies(tmp_path: Path) -> None:
    page, link = tmp_path / "deep" / "page.html", tmp_path / "link.html"
    page.parent.mkdir()
    page.write_text("old", "utf-8")
    link.symlink_to(page)
    write("--html", to_write("--html", link, ".html"), "new")
    assert link.is_symlink() and page.read_text("utf-8") == "new"


def test_a_page_written_again_is_open_to_no_more_people_than_before(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("old", "utf-8")
    page.chmod(0o600)
    write("--html", page, "new")
    assert page.read_text("utf-8") == "new" and page.stat().st_mode & 0o777 == 0o600


def test_links_that_lead_to_each_other_are_refused_in_a_sentence(tmp_path: Path) -> None:
    page = tmp_path / "a.html"
    page.symlink_to(tmp_path / "b.html")
    (tmp_path / "b.html").symlink_to(page)
    with pytest.raises(Refused, match="cannot be written there"):
        write("--html", to_write("--html", page, ".html"), "new")
    assert {one.name for one in tmp_path.iterdir()} == {"a.html", "b.html"}


def test_an_older_file_in_a_closed_folder_is_refused_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The system's answer is played: root, who may run this, may write into every folder."""
    def closed(dir: Path) -> None:
        raise PermissionError(13, "Permission denied", dir)

    page = tmp_path / "page.html"
    page.write_text("old", "utf-8")
    monkeypatch.setattr(options, "TemporaryFile", closed)
    with pytest.raises(Refused, match=r"cannot be written there \(Permission denied"):
        to_write("--html", page, ".html")


def test_a_refusal_is_one_line_even_when_the_system_quotes_a_text_of_several() -> None:
    refused = Refused("r.sqlite: it is damaged (could not decode '# One\n#\r\n two').", "Two.")
    assert refused.sentences == ("r.sqlite: it is damaged (could not decode '# One #  two').",
                                 "Two.")


def test_what_is_said_to_install_names_the_clone_and_an_extra_that_exists() -> None:
    """The project is on no package index: only `pip install -e` in its folder works."""
    root = Path(__file__).parents[2]
    for part in ("firmware", "sim", "docs", "wiring"):
        for path in (root / part).rglob("*"):
            if path.suffix in (".py", ".md", ".sh"):
                assert not re.search(r"esterward\[\w", path.read_text("utf-8")), path
    extras = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]
    for extra in ("sim", "fit", "bench", "trials"):
        assert extra in extras["optional-dependencies"]
        assert install(extra) == f'.venv/bin/pip install -e ".[{extra}]"'
