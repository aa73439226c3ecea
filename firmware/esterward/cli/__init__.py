"""The commands: one file each, named in one table, loaded only when they run.

This is the composition root, the only package that knows everyone. Here stands which commands
there are and how a mistake leaves the program: one sentence on stderr, exit 2, no traceback.
Exit codes: 0 done, 1 the batch or check did not end well, 2 bad input, 75 the machine is not ready
(full disk, no pins yet, already running), 130 on Ctrl-C.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from errno import EDQUOT, EFBIG, ENOSPC
from importlib import import_module
from typing import Final, NoReturn, cast

import click

from esterward.cli.errors import NotNow, Refused, install, wait_for_another_try

SIMULATOR: Final = "esterward.commands"  # the entry-point group the simulator fills

# name -> (where it is, its one line in --help). SIMULATOR: the simulator brings it.
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "ceiling": ("esterward.cli.ceiling:ceiling",
                "how hot the oil may get where you stand, and why"),
    "sheet": ("esterward.cli.sheet:sheet",
              "catalyst, methanol, temperatures and times of a batch"),
    "record": ("esterward.cli.record:record",
               "what happened in a batch; tell the controller a reading"),
    "run": ("esterward.cli.run:run",
            "the controller of the reactor: heat, mix, wait, ask, record"),
    "guard": ("esterward.cli.guard:guard",
              "the second process that must agree before heat flows"),
    "wiring": ("esterward.cli.wiring:wiring",
               "which wire goes where, what to buy, is this machine ready"),
    "rehearse": (SIMULATOR, "the whole batch on the simulator, no hardware"),
    "trials": (SIMULATOR, "faults on simulated reactors, held against what must be so"),
    "heater-trials": (SIMULATOR, "the heater law beside a thermostat and a tuned PID"),
}


class _Commands(click.Group):
    """A group that shows the table and imports a command only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        target, _ = COMMANDS[cmd_name]
        found = _from_simulator(cmd_name) if target == SIMULATOR else _from_here(target)
        if not isinstance(found, click.Command):
            raise Refused(f"esterward {cmd_name}: what is installed under this name is not a "
                          "command; install esterward again.")
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            from esterward.settings.mistakes import nearest, shown

            meant = nearest(name, tuple(COMMANDS))
            hint = f"did you mean {meant}?" if meant else f"there are {', '.join(COMMANDS)}."
            raise Refused(f"esterward: there is no command {shown(name)}; {hint}")
        return super().resolve_command(ctx, args)


def _from_here(target: str) -> object:
    module, _, attribute = target.partition(":")
    return getattr(import_module(module), attribute)


def _from_simulator(name: str) -> object:
    from importlib.metadata import entry_points  # slow, so only when it is needed

    missing = Refused(f"esterward {name}: the simulator is not installed here; in a clone of the "
                      "project, .venv/bin/pip install -e . brings it.")
    for entry in entry_points(group=SIMULATOR, name=name):
        try:
            return entry.load()
        except ModuleNotFoundError as error:
            if (error.name or "").partition(".")[0] != entry.module.partition(".")[0]:
                raise Refused(f"esterward {name}: the package {error.name} is missing; in "
                              f"the project's folder, {install('sim')} brings it.") from None
            raise missing from None
    raise missing


@click.command(cls=_Commands, no_args_is_help=True,
               context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
def esterward() -> None:
    """From used cooking oil to fuel: the batch worked out, heated, timed and recorded.

    Example: esterward sheet batch.toml

    Methanol burns, blinds and boils below 65 degC; read the cautions first.
    """


def main() -> NoReturn:
    """Run a command and leave with its exit code."""
    try:
        code = esterward.main(prog_name="esterward", standalone_mode=False)
    except Refused as refused:
        refused.show()
        code = refused.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        code = 2
    except click.ClickException as error:
        click.echo(_one_sentence(error), err=True)
        code = 2
    except (click.Abort, KeyboardInterrupt):
        click.echo("stopped.", err=True)
        code = 130
    except BrokenPipeError:  # the reader of our output went away, as with | head
        sys.stderr.close()
        code = 1
    except OSError as error:  # a full disk behind > file, a device gone
        what = f" ({error.filename})" if error.filename else ""
        click.echo("esterward: " + (
            f"what was to be printed cannot be written there ({error.strerror}) and is not whole; "
            "send it where there is room." if _of_output(error) else
            f"the system refused: {error.strerror or error}{what}."), err=True)
        code = 1
    if code == NotNow.exit_code:
        wait_for_another_try()
    sys.exit(code if isinstance(code, int) else 0)


def _of_output(error: OSError) -> bool:
    """Whether it is stdout that takes no more: files are opened by name, and the error has it."""
    return (error.filename is None and error.errno in (ENOSPC, EDQUOT, EFBIG)
            and sys.stdout is not None and not sys.stdout.isatty())


def _one_sentence(error: click.ClickException) -> str:
    """click's own complaint about an option, with the command it is about."""
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else _path_of(sys.argv[1:])
    text = " ".join(error.format_message().split()).rstrip(".")
    return f"{path}: {text[:1].lower()}{text[1:]}; see {path} --help."


def _path_of(words: Sequence[str]) -> str:
    """The command these words lead to: click tells none for an option without its value."""
    path, command = ["esterward"], cast(click.Command, esterward)
    for word in words:
        found = command.get_command(click.Context(command), word) if (
            isinstance(command, click.Group)) else None
        if found is None:
            break
        path, command = [*path, word], found
    return " ".join(path)
