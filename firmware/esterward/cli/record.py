"""esterward record: what happened in a batch, and what is told to a running controller."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from esterward.cli.errors import Refused, reading
from esterward.cli.options import Named, Whole

WAIT_S = 6.0  # the controller looks once a second and answers with its next tick
MAX_WHY = 200

file_argument = click.argument("file", required=False, type=Named())
file_option = click.option(
    "--file", "file", type=Named(),
    help="The record; by default as said in `esterward record --help`.")
json_option = click.option("--json", "json_wanted", is_flag=True,
                           help="Print JSON for other programs.")


class Telling(click.Command):
    """A command whose help lists what can be told, and which takes -1 for a number."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """A number below 0 is no option; with a space before it click leaves it alone."""
        return super().parse_args(ctx, [f" {one}" if re.match(r"-[.,]?\d", one) else one
                                        for one in args])

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        from esterward.values.requests import OBSERVATIONS

        with formatter.section("What can be told"):
            formatter.write_dl([
                (f"{name.rsplit('_', 1)[0]} NUMBER {unit}",
                 f"{what}; {lowest:g} to {highest:g} {unit}")
                for name, (unit, lowest, highest, what) in OBSERVATIONS.items()])


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def record() -> None:
    """What happened in a batch, and what you tell the controller.

    The record is $ESTERWARD_RECORD, else record.sqlite in this folder, else
    /var/lib/esterward/record.sqlite. Reading it never disturbs a batch.

    Example: esterward record show
    """


@record.command()
@file_argument
@click.option("--batch", "number", type=Whole(1, 1_000_000), metavar="N",
              help="Which batch, as numbered by `esterward record list`; by default the last.")
@click.option("--events", is_flag=True, help="Every event, one after the other.")
@json_option
def show(file: Path | None, number: int | None, events: bool, json_wanted: bool) -> None:
    """The account of one batch: sheet, stages, readings, alarms, answers.

    Example: esterward record show --batch 2
    """
    from esterward.record import account, read, report

    path = _path(file)
    with _bad_record():
        (rows, marks, documents), gone = read.unmoved(path, lambda: (
            list(read.read_rows(path)), list(read.read_marks(path)),
            list(read.read_documents(path))))
        found = account.batches(rows)
        chosen, wanted = _choose(path, found, number, gone)
        if events:
            _events(wanted, marks, json_wanted)
            return
        told = account.account(
            chosen, wanted, marks, documents, list(read.read_oil(path)), read.last_sample(path),
            wanted is found[-1]) | _controlled(path, wanted, found)
    _print(told, report.lines(told), json_wanted)


@record.command("list")
@file_argument
@json_option
def list_batches(file: Path | None, json_wanted: bool) -> None:
    """One line for each batch in the record.

    Example: esterward record list
    """
    from esterward.record import account, read, report

    path = _path(file)
    with _bad_record():
        (rows, marks), gone = read.unmoved(
            path, lambda: (list(read.read_rows(path)), list(read.read_marks(path))))
        sample = read.last_sample(path)
    found = account.batches(rows)
    accounts = [
        account.account(index, group, marks, sample=sample, newest=group is found[-1])
        | _controlled(path, group, found)
        for index, group in enumerate(found, gone.batches + 1)]
    short = [{key: told[key] for key in ("number", "batch", "state", "controlled", "started",
                                         "ended", "duration_s")} for told in accounts]
    words = report.list_lines(accounts) if accounts else [f"{path}: no batch is recorded here."]
    _print({"batches": short, "dropped": {"batches": gone.batches, "events": gone.events}},
           [*words, *filter(None, [report.gone_line(gone)])], json_wanted)


@record.command(cls=Telling)
@click.argument("observation", nargs=-1, required=True, metavar="NAME NUMBER UNIT")
@file_option
@json_option
def add(observation: tuple[str, ...], file: Path | None, json_wanted: bool) -> None:
    """Tell the running controller one reading.

    What changes the batch sheet (titration, oil) is shown back and counts only once green is held
    at the reactor; everything else counts at once.

    Example: esterward record add "titration 3.0 mL"
    """
    from esterward.settings.typed import observation as parsed
    from esterward.values.requests import OBSERVE

    _one_reading(observation)
    with reading():
        # with or without quotes around all
        name, value = parsed(" ".join(map(str.strip, observation)))
    from esterward.process.observations import CHANGES_SHEET

    then = ("It counts once green is held at the reactor." if name in CHANGES_SHEET
            else "It counts at once.")
    _hand_over(_path(file), json_wanted, then, OBSERVE, name=name, value=value)


@record.command()
@click.argument("code")
@click.option("--why", metavar="TEXT", help="What was wrong and what was done about it.")
@file_option
@json_option
def reset(code: str, why: str | None, file: Path | None, json_wanted: bool) -> None:
    """Say why a latched fault may be reset; then hold blue 5 s at the reactor.

    It resets nothing by itself and counts for 10 minutes.

    Example: esterward record reset k1-welded --why "K1 replaced, opens and closes"
    """
    from esterward.safety.faults import FAULTS
    from esterward.values.requests import RESET

    mistakes = []
    if code not in FAULTS:
        from esterward.settings.mistakes import nearest, shown

        meant = nearest(code, tuple(FAULTS))
        hint = f"did you mean {meant}?" if meant else f"there are {', '.join(FAULTS)}."
        mistakes.append(f"esterward record reset: there is no fault {shown(code)}; {hint}")
    reason = " ".join((why or "").split())
    if not 3 <= len(reason) <= MAX_WHY or not reason.isprintable():
        mistakes.append("esterward record reset: the reason is missing or too long; write "
                        f'--why "what was wrong, what was done", 3 to {MAX_WHY} letters.')
    if mistakes:
        raise Refused(*mistakes)
    path = _path(file)
    latched = _latched(path)
    then = "Now hold blue 5 s at the reactor; the reason counts for 10 minutes."
    # A reason for a cause of the guard may serve its lock-out too.
    if latched is not None and code not in latched and "guard-resets" not in latched:
        then = (f"But the record shows no latch {code} ({', '.join(latched) or 'nothing'} is "
                "latched); the reason serves a latch of that name within 10 minutes only.")
    _hand_over(path, json_wanted, then, RESET, name=code, text=reason)


def _one_reading(observation: tuple[str, ...]) -> None:
    """Refused when more than one was typed: of two, only one might be taken."""
    from esterward.settings.typed import NAMES
    from esterward.values.requests import OBSERVATIONS

    several = sum(" " in one.strip() for one in observation) > 1
    if several or any(word in NAMES or word in OBSERVATIONS
                      for word in " ".join(observation).split()[1:]):
        raise Refused("esterward record add: it takes one reading a call; tell each by itself, "
                      'such as esterward record add "titration 3.0 mL".')


def _latched(path: Path) -> list[str] | None:
    """The controller's latches as the record tells them, in order; None when it cannot tell."""
    from esterward.record.read import read_dropped, read_events
    from esterward.record.schema import BadRecord

    latched: dict[str, None] = {}
    try:
        if read_dropped(path).events:  # the line may be among them
            return None
        for event in read_events(path):
            if event.kind == "latched":
                latched[str(event.data["code"])] = None
            elif event.kind == "latch_reset":
                latched.pop(str(event.data["code"]), None)
    except BadRecord:
        return None
    return list(latched)


def _path(file: Path | None) -> Path:
    from esterward.record.schema import default_path

    return file if file is not None else default_path()


@contextmanager
def _bad_record() -> Iterator[None]:
    from esterward.record.schema import BadRecord

    try:
        yield
    except BadRecord as error:
        raise Refused(f"{str(error).rstrip('.')}.") from None


def _choose(path: Path, found: list[Any], number: int | None, gone: Any) -> tuple[int, Any]:
    from esterward.record.report import gone_line

    if not found:
        raise Refused(f"{path}: no batch is recorded here.")
    first, last = gone.batches + 1, gone.batches + len(found)
    chosen = last if number is None else number
    if not first <= chosen <= last:
        raise Refused(f"--batch {number}: the record holds batches {first} to {last}; "
                      f"esterward record list names them. {gone_line(gone)}".rstrip())
    return chosen, found[chosen - first]


def _controlled(path: Path, wanted: Any, found: list[Any]) -> dict[str, bool | None]:
    """Whether a controller has this batch in its hands just now; None when it has ended."""
    from esterward.record import lock

    ended = any(row.event.kind == "batch_ended" for row in wanted)
    return {"controlled": None if ended else wanted is found[-1] and lock.in_use(path)}


def _events(rows: Any, marks: Any, json_wanted: bool) -> None:
    from esterward.record import account, report

    dated = account.dates(rows, marks)
    plain = [{"number": row.event.number, "at_s": row.event.at_s, "at": at,
              "kind": row.event.kind, "data": row.event.data}
             for row, at in zip(rows, dated, strict=True)]
    _print({"events": plain}, report.event_lines(rows, dated), json_wanted)


def _print(plain: Any, lines: list[str], json_wanted: bool) -> None:
    if json_wanted:
        from esterward.cli.show import as_json

        click.echo(as_json(plain))
    else:
        click.echo("\n".join(lines))


def _hand_over(path: Path, json_wanted: bool, then: str, kind: str, **fields: Any) -> None:
    """Write the request, wait for what becomes of it, say so, and then what is next."""
    from esterward.record import inbox, lock
    from esterward.record.schema import open_reader

    with _bad_record():
        open_reader(path).close()
        if not lock.in_use(path):
            raise Refused(f"{path}: no controller is running on this record, so nothing was told; "
                          "start esterward run first.")
        identity = inbox.post(path, kind, **fields)
        outcome, why = inbox.answer(path, identity, wait_s=WAIT_S)
        if outcome == "" and not inbox.withdraw(path, identity):
            outcome, why = inbox.answer(path, identity, wait_s=1.0)
    _print({"id": identity, "outcome": outcome or "not taken", "why": why},
           [_outcome_words(outcome, why, then)], json_wanted)
    if outcome not in ("accepted", "given"):
        raise click.exceptions.Exit(1)


def _outcome_words(outcome: str, why: str, then: str) -> str:
    from esterward.settings.typed import as_typed

    return {
        "accepted": f"The controller has it. {then}",
        "given": "The controller has it, but has not answered yet; look at its terminal.",
        "refused": f"The controller refused it: {as_typed(why)}.",
        "": "The controller did not take it within a few seconds; nothing was told. Is it busy "
            "or its disk in trouble? Try again.",
    }.get(outcome, f"It was not used: {outcome}.")
