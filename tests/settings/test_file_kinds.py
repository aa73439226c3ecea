"""Files that are none of ours, or oddly written: one sentence each, or read all the same."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from esterward.settings import files
from esterward.settings.mistakes import SettingsError
from samples import SMALLEST_BATCH as BATCH
from settings_rig import REACTOR, mistakes_of, written


@pytest.mark.parametrize(("text", "part"), [
    (b"\x89PNG\r\n\x1a\n\x00\x00", "not a text file"),
    (b"\xff\xfe[\x00o\x00", "not a text file"),
    (b"[oil]\nvolume = \"\xe9\"", "not a text file"),
    ("", "this is neither a batch nor a reactor file"),
    ('[build-system]\nrequires = ["x"]', "this is neither a batch nor a reactor file"),
    (REACTOR, "this is a reactor file ([site] is in it)"),
    ("# " + "x" * 70_000, "longer than 64 KiB"),
    ("a = " + "[" * 5000, "not valid TOML"),
    ("a = " + "9" * 5000, "not valid TOML"),
    ("[oil]\nvolume = 120 L\n", 'line 2 is not valid TOML: volume = 120 L'),
    ("[oil]\nvolume = 120 L # full\n", 'in quotes: volume = "120 L"'),
    ("[oil\nvolume = 3", "line 1 is not valid TOML"),
    ("[oil]\n[oil]\n", "line 2 is not valid TOML"),
    ("[oil]\n[oil]\n", "put its keys together under one"),
    ("[oil]\nvolume = \"120 L", "a quote is not closed"),
    ("[oil]\nvolume = \"120 L\n", 'the quote is not closed: volume = "120 L"'),
    ('[titration]\nreadings = ["3 mL", "3.1 mL]\n', "a quote is not closed"),
    ("[oil]\nvolume = \u201c120 L\u201d\n", 'the quotes must be straight: volume = "120 L"'),
    ("[oil]\nset = no\n", "write true or false without quotes: set = false"),
    ("[oil]\nset = True  # fat\n", "write true or false without quotes: set = true"),
    ('[oil]\nvolume = "1 L"\nvolume = "2 L"\n', "delete one of the two"),
    ("[catalyst]\nkind = KOH\n", 'in quotes: kind = "KOH"'),
])
def test_a_file_of_another_kind_is_one_sentence(
    tmp_path: Path, text: str | bytes, part: str
) -> None:
    (sentence,) = mistakes_of(tmp_path, text)
    assert part in sentence


def test_a_batch_given_as_reactor_is_one_sentence(tmp_path: Path) -> None:
    (sentence,) = mistakes_of(tmp_path, BATCH, "reactor")
    assert "this is a batch file ([oil] is in it); a reactor file is wanted" in sentence


def test_a_reactor_file_that_is_no_text_is_not_told_to_be_a_batch_file(tmp_path: Path) -> None:
    (only,) = mistakes_of(tmp_path, b"\xff\xfe[\x00", "reactor")
    assert "not a text file" in only and "batch" not in only


def test_a_directory_a_pipe_and_an_impossible_path_are_one_sentence(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path, part in ((tmp_path, "directory"), (tmp_path / "pipe", "not an ordinary file"),
                       ("a\0b", "cannot be read"), (tmp_path / ("x" * 300), "cannot be read"),
                       (tmp_path / "none.toml", "no such file")):
        with pytest.raises(SettingsError) as caught:
            files.load_batch(path)
        (sentence,) = caught.value.mistakes
        assert part in sentence and sentence.isprintable()


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    text = "\ufeff" + BATCH.replace("\n", "\r\n")
    assert files.load_batch(written(tmp_path, "b.toml", text)).oil_volume_l == 120.0
