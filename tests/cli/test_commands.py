"""The table of commands, and how a mistake leaves the program."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import click
import pytest

from esterward import cli
from esterward.cli.errors import AGAIN_S, NotNow, Refused

CONFIG = Path(__file__).parents[2] / "firmware" / "config"
HEAVY = ("pint", "pydantic", "paho", "gpiozero", "sqlite3", "esterward_sim", "importlib.metadata",
         "esterward.chemistry", "esterward.settings.files")


def test_help_names_every_command_in_one_line_of_eighty_columns(run: Callable[..., Any]) -> None:
    shown = run("--help")
    assert shown.code == 0
    for name, (_, text) in cli.COMMANDS.items():
        assert f"  {name}" in shown.out and text in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['esterward', '--help']\n"
        "before = set(sys.modules)\n"  # an editable install loads some of its own at start
        "from esterward.cli import main\n"
        "try: main()\n"
        f"except SystemExit: print([m for m in {HEAVY} if m in set(sys.modules) - before])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                          timeout=60, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("words", [
    ("ceiling", "--altitude", "1120 m"), ("sheet", str(CONFIG / "batch.toml"))])
def test_core_units_and_percentages_load_no_library_of_units(words: tuple[str, ...]) -> None:
    code = (
        f"import sys; sys.argv = ['esterward', *{words!r}]\n"
        "from esterward.cli import main\n"
        "try: main()\n"
        "except SystemExit: print('pint' in sys.modules)")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                          timeout=60, check=True)
    assert done.stdout.splitlines()[-1] == "False"


@pytest.mark.parametrize("name", [n for n, (t, _) in cli.COMMANDS.items() if t != cli.SIMULATOR])
def test_every_command_has_help_with_an_example(name: str, run: Callable[..., Any]) -> None:
    shown = run(name, "--help")
    assert shown.code == 0
    assert f"esterward {name}" in shown.out and "Example:" in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80


@pytest.mark.parametrize("name", [n for n, (t, _) in cli.COMMANDS.items() if t != cli.SIMULATOR])
def test_every_row_of_the_table_leads_to_a_command(name: str) -> None:
    context = click.Context(cli.esterward)
    assert isinstance(cli.esterward.get_command(context, name), click.Command)


@pytest.mark.parametrize(("args", "part"), [
    (("cieling",), "did you mean ceiling?"),
    (("x\x1b[31m",), "\\u001b"),
    (("--wrong",), "no such option"),
    (("ceiling", "--wrong"), "esterward ceiling: no such option"),
    (("ceiling", "more"), "unexpected extra argument"),
    (("ceiling", "--altitude"), "esterward ceiling: option '--altitude' requires an argument; see "
                                "esterward ceiling --help."),
    (("record", "reset", "restarts", "--why"), "see esterward record reset --help."),
    (("ceiling", "--temperature", "K"), "degC"),
])
def test_a_mistyped_command_line_is_one_sentence(
    args: tuple[str, ...], part: str, run: Callable[..., Any]
) -> None:
    refused = run(*args)
    assert refused.code == 2 and refused.out == ""
    assert part in refused.err and refused.err.count("\n") == 1


def test_no_arguments_show_the_help_and_exit_2(run: Callable[..., Any]) -> None:
    refused = run()
    assert refused.code == 2 and "Commands:" in refused.err


def entry_point(monkeypatch: pytest.MonkeyPatch, *found: EntryPoint) -> None:
    monkeypatch.setattr("importlib.metadata.entry_points", lambda **_: found)


@pytest.mark.parametrize(("found", "part"), [
    ((), "the simulator is not installed here"),
    ((EntryPoint("rehearse", "no_such_package.rehearse:rehearse", cli.SIMULATOR),),
     "the simulator is not installed here"),
    ((EntryPoint("rehearse", "esterward.cli.errors:reading", cli.SIMULATOR),),
     "not a command"),
])
def test_a_missing_simulator_is_one_sentence(
    found: tuple[EntryPoint, ...], part: str, monkeypatch: pytest.MonkeyPatch,
    run: Callable[..., Any],
) -> None:
    entry_point(monkeypatch, *found)
    refused = run("rehearse", "batch.toml")
    assert refused.code == 2 and refused.out == ""
    assert part in refused.err and refused.err.count("\n") == 1


@pytest.mark.parametrize(("ending", "code", "err"), [
    (Refused("one.", "two."), 2, "one.\ntwo.\n"),
    (NotNow("one."), 75, "one.\n"),
    (KeyboardInterrupt(), 130, "stopped.\n"),
    (click.Abort(), 130, "stopped.\n"),
    (click.exceptions.Exit(1), 1, ""),
    (OSError(28, "No space left on device"), 1,
     "esterward: what was to be printed cannot be written there (No space left on device) and is "
     "not whole; send it where there is room.\n"),
    (OSError(28, "No space left on device", "p.svg"), 1,
     "esterward: the system refused: No space left on device (p.svg).\n"),
    (OSError(5, "Input/output error"), 1,
     "esterward: the system refused: Input/output error.\n"),
    (BrokenPipeError(), 1, ""),
    (click.UsageError("Odd\nthing."), 2, "esterward: odd thing; see esterward --help.\n"),
])
def test_each_ending_has_its_exit_code(
    ending: BaseException, code: int, err: str, monkeypatch: pytest.MonkeyPatch,
    run: Callable[..., Any],
) -> None:
    @click.command()
    def rehearse() -> None:
        raise ending

    monkeypatch.setattr(cli, "_from_simulator", lambda name: rehearse)
    monkeypatch.setattr("sys.stderr.close", lambda: None)  # pytest still needs it
    ran = run("rehearse")
    assert (ran.code, ran.out) == (code, "")
    assert ran.err.replace("esterward rehearse", "esterward").lstrip("\n") == err


@pytest.mark.parametrize("command", [["wiring"], ["ceiling", "--altitude", "0 m"],
                                     ["rehearse", "--faults"]])
def test_an_output_that_takes_no_more_is_named_as_such(command: list[str]) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run([sys.executable, "-c", "from esterward.cli import main; main()",
                               *command], stdout=full, stderr=subprocess.PIPE, text=True,
                              check=False, timeout=60)
    assert done.returncode == 1 and done.stderr == (
        "esterward: what was to be printed cannot be written there (No space left on device) and "
        "is not whole; send it where there is room.\n")


@pytest.mark.parametrize("supervised", [True, False])
def test_a_service_that_is_to_be_tried_again_waits_first_and_a_stop_ends_the_waiting(
    supervised: bool, monkeypatch: pytest.MonkeyPatch, run: Callable[..., Any],
) -> None:
    def refuse() -> None:
        raise NotNow("the disk is full.")

    did: list[object] = []
    monkeypatch.setattr(cli, "_from_simulator",
                        lambda name: click.Command("rehearse", callback=refuse))
    monkeypatch.setattr("signal.signal", lambda number, how: did.append((number, how)))
    monkeypatch.setattr("time.sleep", did.append)
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    if supervised:
        monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere")
    assert run("rehearse").code == 75
    assert (did[-1:] == [AGAIN_S]) is supervised
    assert ((signal.SIGTERM, signal.SIG_DFL) in did[:-1]) is supervised


def test_a_command_may_return_its_exit_code(
    monkeypatch: pytest.MonkeyPatch, run: Callable[..., Any]
) -> None:
    monkeypatch.setattr(cli, "_from_simulator",
                        lambda name: click.Command("rehearse", callback=lambda: 1))
    assert run("rehearse").code == 1
