"""Signals that end `esterward rehearse`, wherever they land: exit code, sentence, whole record."""

from __future__ import annotations

import fcntl
import os
import pty
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from esterward import cli
from esterward.record import journal as journal_module
from esterward.record.journal import Journal
from esterward.record.lock import Lock, in_use, lock_path
from esterward.record.read import read_marks
from esterward_sim import batch_picture, publish, rehearsal
from esterward_sim.rehearse_stop import STOPS, Stopped, stopping
from samples import SMALLEST_BATCH as SMALLEST

TOP = Path(__file__).parents[2]
REACTOR = TOP / "firmware/config/reactor.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "batch.toml").write_text(SMALLEST)
    return tmp_path


@pytest.fixture
def taken() -> Iterator[None]:
    """STOPS are neither ignored here nor the end of the tests."""
    before = {number: signal.signal(number, lambda *_: None) for number in STOPS}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def briefly(folder: Path, monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    """The command in this process, given up after a quarter of an hour of the batch."""
    monkeypatch.setattr(rehearsal, "AT_MOST_S", 900.0)
    monkeypatch.chdir(folder)
    monkeypatch.setattr("sys.argv", ["esterward", "rehearse", "batch.toml", "--reactor",
                                     str(REACTOR), "--record", "t.sqlite", *arguments])
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert isinstance(left.value.code, int)
    return left.value.code


def after_a_signal(
    monkeypatch: pytest.MonkeyPatch, where: object, name: str, number: int = signal.SIGTERM,
) -> list[int]:
    """Let the signal come as the function of this name begins; what was sent."""
    sent: list[int] = []
    real: Callable[..., Any] = getattr(where, name)

    def struck(*given: Any, **named: Any) -> Any:
        sent.append(number)
        os.kill(os.getpid(), number)
        return real(*given, **named)

    monkeypatch.setattr(where, name, struck)
    return sent


def is_whole(folder: Path) -> bool:
    """Begun and ended once, and nothing beside it."""
    record = folder / "t.sqlite"
    return ([mark.kind for mark in read_marks(record)] == ["start", "stop"]
            and [path.name for path in folder.glob("t.sqlite*")] == [record.name])


SAID = "stopped by SIGTERM; all outputs off. The record so far: t.sqlite\n"


@pytest.mark.parametrize(("number", "code", "word"), [
    (signal.SIGINT, 130, "Ctrl-C"), (signal.SIGTERM, 143, "SIGTERM"),
    (signal.SIGHUP, 129, "SIGHUP (the terminal was closed)"), (signal.SIGQUIT, 131, "SIGQUIT")])
def test_a_stopped_rehearsal_says_so_and_where_the_record_is(
    folder: Path, number: int, code: int, word: str,
) -> None:
    # A shell that starts the tests in the background lets them ignore some: not so the child.
    with subprocess.Popen(
        [sys.executable, "-c", "from esterward.cli import main; main()", "rehearse", "batch.toml",
         "--speed", "60", "--reactor", str(REACTOR)],
        cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),
    ) as child:
        until_s = time.monotonic() + 30.0
        assert child.stdout is not None
        while "asks:" not in child.stdout.readline() and time.monotonic() < until_s:
            pass
        child.send_signal(number)
        try:
            _, errors = child.communicate(timeout=30.0)
        finally:
            child.kill()
    assert child.returncode == code and f"stopped by {word}; all outputs off" in errors
    assert "rehearsals/" in errors and "Traceback" not in errors
    (left,) = (folder / "rehearsals").iterdir()
    assert [mark.kind for mark in read_marks(left)] == ["start", "stop"]


def test_a_rehearsal_whose_terminal_is_closed_leaves_nothing_beside_a_whole_record(
    folder: Path,
) -> None:
    ours, theirs = pty.openpty()

    def at_this_terminal() -> None:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)

    with subprocess.Popen(
        [sys.executable, "-c", "from esterward.cli import main; main()", "rehearse", "batch.toml",
         "--speed", "60", "--reactor", str(REACTOR)], cwd=folder, stdin=theirs, stdout=theirs,
        stderr=theirs, start_new_session=True, preexec_fn=at_this_terminal,
    ) as child:
        os.close(theirs)
        shown = b""
        while b"?" not in shown:
            shown += os.read(ours, 4096)
        os.close(ours)
        try:
            child.wait(30.0)
        finally:
            child.kill()
    (left,) = (folder / "rehearsals").iterdir()
    assert [mark.kind for mark in read_marks(left)] == ["start", "stop"]


def test_after_the_first_signal_no_other_disturbs_the_closing_and_the_way_out() -> None:
    before = {number: signal.signal(number, signal.SIG_DFL) for number in STOPS}
    try:
        with stopping() as stops:
            with pytest.raises(Stopped) as stopped, stops:
                os.kill(os.getpid(), signal.SIGHUP)
            assert stopped.value.number == signal.SIGHUP
            raised = []
            for number in STOPS:  # a terminal that closes sends two
                try:
                    os.kill(os.getpid(), number)
                except Stopped:
                    raised.append(number)
            assert raised == []
        assert {signal.getsignal(number) for number in STOPS} == {signal.SIG_IGN}
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@pytest.mark.usefixtures("taken")
def test_without_a_signal_all_is_handed_back_as_it_was() -> None:
    before = {number: signal.getsignal(number) for number in STOPS}
    with stopping():
        assert all(signal.getsignal(number) != before[number] for number in STOPS)
    assert {number: signal.getsignal(number) for number in STOPS} == before


def test_a_signal_that_was_ignored_from_the_start_stays_ignored(
    folder: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As with nohup, under which a rehearsal outlives its terminal."""
    def hung_up(*_: object, **__: object) -> None:
        os.kill(os.getpid(), signal.SIGHUP)
        raise KeyboardInterrupt

    monkeypatch.setattr(rehearsal.Rehearsal, "run", hung_up)
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        assert briefly(folder, monkeypatch) == 130
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.usefixtures("taken")
@pytest.mark.parametrize(("where", "name", "given"), [
    (journal_module, "event_hash", ()),       # between BEGIN and COMMIT
    (Journal, "_confirmed", ()),              # stored, but not yet promised
    (journal_module, "sync_folder", ()),      # the record is just opened
    (Journal, "attach", ()),                  # its texts are stored
    (rehearsal.Person, "step", ()),           # in a step, but not in the record
    (batch_picture, "draw", ("--plot", "x.svg")),  # the batch is over
])
def test_wherever_the_signal_lands_the_record_is_whole_and_the_word_the_same(
    where: object, name: str, given: tuple[str, ...], folder: Path,
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:
    sent = after_a_signal(monkeypatch, where, name)
    assert briefly(folder, monkeypatch, *given) == 143 and sent
    assert is_whole(folder)
    err = capsys.readouterr().err
    assert err.endswith(SAID) and "\nstopped.\n" not in err
    assert not (folder / "x.svg").exists()


@pytest.mark.usefixtures("taken")
def test_a_signal_before_the_record_is_begun_leaves_none(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:
    sent = after_a_signal(monkeypatch, publish, "open_link")
    assert briefly(folder, monkeypatch, "--broker", "127.0.0.1:1") == 143 and sent
    assert capsys.readouterr().err.endswith(
        "stopped by SIGTERM; all outputs off. No record was begun.\n")
    assert [path.name for path in folder.iterdir()] == ["batch.toml"]


@pytest.mark.usefixtures("taken")
@pytest.mark.parametrize("name", ["_mark", "_disconnect"])
def test_while_the_record_is_closed_no_signal_disturbs(
    name: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:
    real = Journal.close

    def closed(journal: Journal, *given: Any, **named: Any) -> None:
        after_a_signal(monkeypatch, Journal, name, signal.SIGINT)
        real(journal, *given, **named)
        closings.append(name)

    closings: list[str] = []
    monkeypatch.setattr(Journal, "close", closed)
    assert briefly(folder, monkeypatch) == 1 and closings == [name], "as without the signal"
    assert is_whole(folder) and "stopped" not in capsys.readouterr().err


@pytest.mark.usefixtures("taken")
def test_the_first_of_two_signals_is_told_and_the_second_does_not_disturb_the_closing(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:
    after_a_signal(monkeypatch, rehearsal.Person, "step")
    after_a_signal(monkeypatch, Journal, "close", signal.SIGINT)
    assert briefly(folder, monkeypatch) == 143
    assert is_whole(folder) and capsys.readouterr().err.endswith(SAID)


@pytest.mark.usefixtures("taken")
def test_a_signal_ends_the_waiting_of_a_slow_rehearsal_at_once(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:
    def waits(_: float) -> None:
        os.kill(os.getpid(), signal.SIGTERM)
        pytest.fail("it waits on")

    monkeypatch.setattr("esterward_sim.pace.time.sleep", waits)
    assert briefly(folder, monkeypatch, "--speed", "0.1") == 143
    assert is_whole(folder) and capsys.readouterr().err.endswith(SAID)


def test_whoever_takes_the_lock_next_keeps_a_lock_file_that_others_find(
    folder: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    record, real, next_locks = folder / "t.sqlite", Journal.close, []

    def closed(journal: Journal, *given: Any, **named: Any) -> None:
        real(journal, *given, **named)
        next_locks.append(Lock(record))

    monkeypatch.setattr(Journal, "close", closed)
    assert briefly(folder, monkeypatch) == 1
    assert in_use(record), "its lock file is still the one that is found"
    next_locks[0].close()


def test_the_lock_file_is_taken_away_only_while_it_is_held(
    folder: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One that starts at this moment finds it held, and not a file that goes away beneath it."""
    held, real = [], Path.unlink

    def unlinked(path: Path, missing_ok: bool = False) -> None:
        if path == lock_path(Path("t.sqlite")):
            held.append(in_use(Path("t.sqlite")))
        real(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", unlinked)
    assert briefly(folder, monkeypatch) == 1
    assert held == [True] and is_whole(folder)
