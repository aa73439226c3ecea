"""Bad input to `esterward run` (exit 2), and a machine that is not ready (exit 75, tried again by
systemd): one sentence, nothing begun."""

from __future__ import annotations

import os
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from esterward.cli.guard import guard
from esterward.cli.run import run
from esterward.hardware import service
from esterward.hardware.board import BoardMissing
from esterward.loop import Loop
from esterward.record import journal
from esterward.record.read import read_documents, read_marks
from esterward_sim.bench_pins import SharedBoard

CONFIG = Path(__file__).parents[2] / "firmware/config"
LONG = "/".join(["l" * 60] * 2)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "esterward-bench")  # as if there were pins
    monkeypatch.delenv("ESTERWARD_RECORD", raising=False)
    text = (CONFIG / "reactor.toml").read_text("utf-8")
    Path("reactor.toml").write_text(text, "utf-8")
    Path("watch.toml").write_text(text.replace('level = "small"', 'level = "watch"'), "utf-8")
    Path("pressed.toml").write_text(text.replace("barometer = false", "barometer = true"), "utf-8")
    Path("pins.toml").write_text(text + "\nlamp = 14\n", "utf-8")
    Path("batch.toml").write_bytes((CONFIG / "batch.toml").read_bytes())
    Path("notes.sqlite").write_text("not a record, but long enough to be looked at", "utf-8")
    SharedBoard(tmp_path / "board", create=True)
    monkeypatch.setenv("ESTERWARD_BENCH", str(tmp_path / "board"))
    # What is not refused would run for ever; so it fails.
    monkeypatch.setattr(Loop, "run", lambda loop, go_on: 1 / 0)
    for name in ("rt", LONG, "taken/run.lock"):
        Path(name).mkdir(parents=True)
    yield tmp_path


@pytest.mark.parametrize(("args", "words"), [
    (["--reactor", "nowhere.toml"], "nowhere.toml: there is no such file"),
    (["--batch", "nowhere.toml"], "nowhere.toml: there is no such file"),
    (["--batch", "reactor.toml"], "a batch file is wanted here"),
    (["--runtime", "nowhere"], "--runtime"),
    (["--runtime", "reactor.toml"], "reactor.toml: this is no folder; name one."),
    (["--reactor", "watch.toml", "--batch", "batch.toml"], "only watches"),
    (["--reactor", "pins.toml"], "pins.toml: [pins] lamp = 14"),
    (["--runtime", LONG], "too long for a socket"),
    (["--record", "nowhere/at/all.sqlite"], "no record can be kept here"),
    (["--record", "notes.sqlite"], "not a record"),
    (["--batch", ""], "--batch: the path is empty"),
    (["--record", ""], "--record: the path is empty"),
    (["--runtime", ""], "--runtime: the path is empty"),
])
def test_bad_input_is_one_sentence_and_exit_2(folder: Path, args: list[str], words: str) -> None:
    runtime = [] if "--runtime" in args else ["--runtime", "rt"]
    done = CliRunner().invoke(run, [*args, *runtime])
    assert done.exit_code == 2 and len(done.output.strip().splitlines()) == 1, done.output
    assert words in done.output
    assert not (folder / "record.sqlite").exists()


@pytest.mark.parametrize("name", ["batch.toml", "notes.sqlite", "picture.png"])
def test_a_record_that_is_somebodys_other_file_is_left_as_it_was_with_nothing_beside_it(
    folder: Path, name: str,
) -> None:
    Path("picture.png").write_bytes(bytes(range(256)) * 20)
    before = sorted(folder.iterdir()), Path(name).read_bytes()
    done = CliRunner().invoke(run, ["--record", name, "--runtime", "rt"])
    assert done.exit_code == 2 and name in done.output
    assert (sorted(folder.iterdir()), Path(name).read_bytes()) == before


@pytest.mark.parametrize(("args", "words"), [
    (["--runtime", "taken"], "the lock"),
    # A disk that takes no file, for root too.
    (["--record", "/proc/lot.sqlite"], "--record /proc/lot.sqlite: the record cannot be written"),
])
def test_a_machine_that_is_not_ready_is_one_sentence_and_exit_75(
    folder: Path, args: list[str], words: str,
) -> None:
    runtime = [] if "--runtime" in args else ["--runtime", "rt"]
    done = CliRunner().invoke(run, [*args, *runtime])
    assert done.exit_code == 75 and len(done.output.strip().splitlines()) == 1, done.output
    assert words in done.output
    assert not (folder / "record.sqlite").exists()


def test_starts_that_the_machine_does_not_allow_leave_nothing_in_the_record(
    folder: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Else a line held by another program, tried again for hours, would fill the record with starts
    and hide from the next that the controller had ended without a clean stop."""
    monkeypatch.setattr(Loop, "run", lambda loop, go_on: None)
    assert CliRunner().invoke(run, ["--runtime", "rt"]).exit_code == 0
    before = [mark.kind for mark in read_marks(Path("record.sqlite"))]

    def held(factory: object, bcm: int) -> None:
        raise BoardMissing(f"GPIO{bcm} cannot be claimed (GPIO busy)")

    with monkeypatch.context() as patch:
        patch.setattr("esterward.hardware.relays.open_output", held)
        refused = CliRunner().invoke(run, ["--runtime", "rt"])
    assert refused.exit_code == 75 and "GPIO busy" in refused.output
    assert [mark.kind for mark in read_marks(Path("record.sqlite"))] == before


def test_a_record_that_is_being_read_is_tried_again_and_counts_as_no_unclean_start(
    folder: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Loop, "run", lambda loop, go_on: None)
    monkeypatch.setattr(journal, "START_BUSY_MS", 10)
    assert CliRunner().invoke(run, ["--runtime", "rt"]).exit_code == 0
    path = Path("record.sqlite")
    with closing(sqlite3.connect(path)) as writer, closing(sqlite3.connect(path)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM marks").fetchone()
        writer.execute("UPDATE inbox SET taken = ''")  # so that there is a log to fold
        writer.execute("INSERT INTO inbox (id, kind, name, text, boot, now_s) "
                       "VALUES ('1', 'k', 'n', '', '', 0)")
        writer.commit()
        refused = CliRunner().invoke(run, ["--runtime", "rt"])
    assert refused.exit_code == 75, refused.output
    assert "another program holds the record" in refused.output
    assert [mark.kind for mark in read_marks(path)] == ["start", "stop"]
    assert CliRunner().invoke(run, ["--runtime", "rt"]).exit_code == 0


@pytest.mark.parametrize("killed", [False, True])
def test_files_that_cannot_be_kept_with_the_record_are_no_start(
    folder: Path, monkeypatch: pytest.MonkeyPatch, killed: bool,
) -> None:
    """Else the start after a power cut would go on with the numbers of the batch before."""
    monkeypatch.setattr(Loop, "run", lambda loop, go_on: None)
    path = Path("record.sqlite")
    assert CliRunner().invoke(run, ["--runtime", "rt"]).exit_code == 0
    if killed:  # before it stored a word
        journal.Journal(path, boot="killed", now_s=5.0).close(6.0, clean=False)
    before = [mark.kind for mark in read_marks(path)]
    Path("lot.toml").write_text((CONFIG / "batch.toml").read_text("utf-8"), "utf-8")
    attach = journal.Journal.attach

    def held(kept: journal.Journal, texts: dict[str, str]) -> None:
        with closing(sqlite3.connect(path)) as other:
            other.execute("BEGIN IMMEDIATE")
            attach(kept, texts)

    with monkeypatch.context() as patch:
        patch.setattr(journal.Journal, "attach", held)
        patch.setattr(journal, "START_BUSY_MS", 10)
        refused = CliRunner().invoke(run, ["--runtime", "rt", "--batch", "lot.toml"])
    assert refused.exit_code == 75, refused.output
    assert "files could not be kept with it: another program holds the record" in refused.output
    assert [kept.name for kept in read_documents(path)] == ["reactor.toml"]
    assert [mark.kind for mark in read_marks(path)] == before, "no start, no unclean end"
    assert CliRunner().invoke(run, ["--runtime", "rt", "--batch", "lot.toml"]).exit_code == 0
    assert [kept.name for kept in read_documents(path)] == ["reactor.toml", "batch.toml", "sheet"]


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 0), (signal.SIGINT, 130)])
def test_a_stop_while_the_record_is_waited_for_is_no_other_try(
    folder: Path, monkeypatch: pytest.MonkeyPatch, number: int, code: int,
) -> None:
    """Else the service would wait its 25 s with the stop already taken, and be killed."""
    open_record = journal.Journal._open

    def stopped(*args: Any) -> None:
        os.kill(os.getpid(), number)
        open_record(*args)
        raise sqlite3.OperationalError("in the way")

    monkeypatch.setattr(journal.Journal, "_open", stopped)
    assert CliRunner().invoke(run, ["--runtime", "rt"]).exit_code == code


def test_a_second_controller_is_refused_before_record_and_pins(folder: Path) -> None:
    held = service.only_one(folder / "rt/run.lock", "esterward run")
    done = CliRunner().invoke(run, ["--runtime", "rt"])
    held.close()
    assert done.exit_code == 75 and "already running" in done.output
    assert not (folder / "record.sqlite").exists()


@pytest.mark.parametrize("command", [run, guard])
@pytest.mark.parametrize(("chips", "words"), [
    ([], "this machine has no GPIO pins (there is no /dev/gpiochip*)"),
    ([Path("gpiochip0")], "lgpio is missing")])
def test_on_a_machine_without_pins_both_commands_say_in_one_sentence_what_is_missing(
    command: click.Command, chips: list[Path], words: str, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr("esterward.hardware.board.find_spec", lambda name: None)
    monkeypatch.setattr("pathlib.Path.glob", lambda self, pattern: iter(chips))
    done = CliRunner().invoke(command, [])
    assert done.exit_code == 75 and len(done.output.strip().splitlines()) == 1
    assert done.output.startswith(f"esterward {command.name}: ") and words in done.output
    assert ("esterward rehearse" in done.output) is (not chips)
    assert list(tmp_path.iterdir()) == []
