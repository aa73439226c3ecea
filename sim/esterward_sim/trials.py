"""The command `esterward trials`: faults on simulated reactors, held against the invariants."""

from __future__ import annotations

import json
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from difflib import get_close_matches
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from esterward.cli.errors import Refused, install
from esterward.cli.options import Finite, Whole, to_write, write

if TYPE_CHECKING:
    from esterward_sim.trials_run import Tried

PIECE = 25
# What an option leaves no use for: it is refused beside it, never left out without a word.
USELESS_BESIDE = {
    "number": ("runs", "shard", "scheduler", "fault_free", "first", "html", "as_json"),
    "fault_free": ("runs", "seed", "plants_text", "tail_s", "wait_s", "names", "without"),
    "scheduler": ("workers",),
}


def _useful(context: click.Context) -> None:
    """Refused when an option is given that another one makes useless."""
    given = {parameter.name: parameter.opts[0] for parameter in context.command.params
             if context.get_parameter_source(parameter.name or "") is ParameterSource.COMMANDLINE}
    for name, useless in USELESS_BESIDE.items():
        left = [given[one] for one in useless if one in given]
        if name in given and left:
            raise Refused(f"{given[name]} has no use for {', '.join(left)}: leave "
                          f"{'it' if len(left) == 1 else 'them'} out.")


def _shard(text: str) -> tuple[int, int]:
    found = re.fullmatch(r"(\d{1,5})/(\d{1,5})", text)
    part, of = (int(found[1]), int(found[2])) if found else (0, 0)
    if not 1 <= part <= of:
        raise Refused(f"--shard {text!r}: write i/n with i from 1 to n, for example 1/4.")
    return part, of


def _numbers(text: str, what: str, highest: int) -> tuple[int, ...]:
    parts = [part.strip() for part in text.split(",")]
    if not all(re.fullmatch(r"\d{1,6}", part) for part in parts) or max(
            int(part) for part in parts) > highest:
        raise Refused(f"{what} {text!r}: write numbers from 0 to {highest} with commas between, "
                      "for example 0,3,7.")
    return tuple(sorted({int(part) for part in parts}))


def _faults(names: tuple[str, ...], plants: tuple[int, ...]) -> tuple[str, ...]:
    """The named faults, each once; refused when there is none so called, or none to have it."""
    from esterward_sim.trials_faults import CASES
    from esterward_sim.trials_plants import plant_of
    from esterward_sim.trials_run import cells

    for name in names:
        if name not in CASES:
            near = get_close_matches(name, CASES, 1, 0.0)[0]
            raise Refused(f"--fault {name!r}: no fault of the trials is called so; the nearest is "
                          f"{near}.")
        if not cells(plants, [name]):
            which = ", ".join(f"{number} ({plant_of(number).name})" for number in plants)
            raise Refused(f"--fault {name!r}: no chosen reactor has the part that it breaks "
                          f"({CASES[name].needs}); chosen: {which}.")
    return tuple(dict.fromkeys(names))


def _local(work: Callable[[Any], list[Tried]], pieces: Sequence[tuple[int, Any]],
           workers: int) -> Iterator[list[Tried]]:
    """Every plant has its process, so that its batch is rehearsed once. What a process that was
    killed still had to do is left out."""
    if workers == 1:
        yield from (work(piece) for _, piece in pieces)
        return
    pools = [ProcessPoolExecutor(max_workers=1) for _ in range(workers)]
    keys = sorted({key for key, _ in pieces})
    counts = dict.fromkeys(keys, 0)
    futures: list[Future[list[Tried]]] = []
    try:
        for key, piece in pieces:
            lane = keys.index(key) + counts[key] * len(keys)
            counts[key] += 1 if len(keys) < workers else 0
            futures.append(pools[lane % workers].submit(work, piece))
        for done in as_completed(futures):
            with suppress(BrokenProcessPool):
                yield done.result()
    finally:
        for pool in pools:
            pool.shutdown(wait=False, cancel_futures=True)


def _spread(work: Callable[[Any], list[Tried]], pieces: Sequence[tuple[int, Any]],
            address: str) -> Iterator[list[Tried]]:
    """The pieces over the machines of a dask scheduler; each needs esterward installed."""
    try:
        distributed: Any = import_module("distributed")  # with or without it mypy says the same
    except ModuleNotFoundError:
        raise Refused("--scheduler: the package distributed is missing; in the "
                      f"project's folder, {install('trials')} brings it.") from None
    try:
        client = distributed.Client(address, timeout="10s")
    except (OSError, TimeoutError, ValueError) as error:
        raise Refused(f"--scheduler {address!r}: no scheduler answers there ({error}); write "
                      "tcp://HOST:PORT as `dask scheduler` prints it.") from None
    with client:
        futures = client.map(work, [piece for _, piece in pieces], pure=False)
        for done in distributed.as_completed(futures):
            with suppress(distributed.KilledWorker):
                yield done.result()


@click.command()
@click.option("--runs", type=Whole(1, 10_000_000), help="How many trials; default: "
              "every chosen fault on every chosen plant once.")
@click.option("--seed", type=Whole(0, 2**31), default=1, show_default=True,
              help="Same seed, same trials.")
@click.option("--workers", type=Whole(1, 512), default=2, show_default=True,
              help="Local processes.")
@click.option("--shard", metavar="i/n", help="Only part i of n, to spread by hand.")
@click.option("--scheduler", metavar="ADDRESS", help="Spread over a dask scheduler's machines.")
@click.option("--plants", "plants_text", metavar="0,1,..", help="Only these plants: 0 to 11 "
              "are the twelve invented reactors, any number from 12 on a random one. Default: the "
              "twelve.")
@click.option("--fault", "names", multiple=True, metavar="NAME", help="Only this fault; may be "
              "given more than once. Default: all that the plants can have.")
@click.option("--tail", "tail_s", type=Finite(1.0, 86400.0), default=1800.0,
              show_default=True, help="Seconds watched after the reaction.")
@click.option("--wait", "wait_s", type=Finite(1.0, 86400.0), default=14400.0,
              show_default=True, help="Seconds waited for a reaction or a stage end.")
@click.option("--without", multiple=True, metavar="CODE", help="Take a row out of the interlock "
              "table first: the trials must then find it.")
@click.option("--number", type=Whole(0, 10_000_000), help="Do this one trial again and "
              "show what happened.")
@click.option("--fault-free", type=Whole(1, 1_000_000), metavar="N", help="N whole "
              "batches without a fault instead: no trip, no alarm.")
@click.option("--first", type=Whole(0, 10_000_000), default=0, show_default=True,
              help="Number of the first trial or batch.")
@click.option("--html", type=click.Path(path_type=Path), metavar="FILE.html", help="Write the "
              "matrix fault x outcome as a page.")
@click.option("--json", "as_json", is_flag=True, help="Print data instead of the summary.")
def trials(runs: int | None, seed: int, workers: int, shard: str | None, scheduler: str | None,
           plants_text: str | None, names: tuple[str, ...], tail_s: float, wait_s: float,
           without: tuple[str, ...], number: int | None, fault_free: int | None, first: int,
           html: Path | None, as_json: bool) -> None:
    """Faults at random times on simulated reactors, held against what must always be so.

    Example: esterward trials --runs 1300 --seed 1 --workers 4 --html trials.html

    A trial is a fault of the table on one of twelve invented reactors, at a random moment of its
    batch; the truth of the plant is the judge. About one in a hundred, drawn at random, goes on to
    the end of the batch. Exit code 1 when an invariant is broken or an exception is raised; the
    command that does that trial again is printed. Each reactor's fault-free batch, from whose
    copies its trials start, is the same whatever the seed.
    """
    from esterward.safety.faults import FAULTS
    from esterward_sim import trials_page as show
    from esterward_sim import trials_run as work

    _useful(click.get_current_context())
    plants = (work.ALL_PLANTS if plants_text is None
              else _numbers(plants_text, "--plants", 10**6 - 1))
    unknown = [code for code in without if code not in FAULTS]
    if unknown:
        raise Refused(f"--without {unknown[0]!r}: there is no such row; there are "
                      f"{', '.join(sorted(FAULTS))}.")
    faults = _faults(names, plants)
    if html is not None:
        to_write("--html", html, ".html")
    common = "esterward trials" + f" --seed {seed}" + (
        f" --plants {','.join(map(str, plants))}" if plants_text is not None else "") + "".join(
        f" --fault {name}" for name in faults) + (
        f" --tail {tail_s:g}" if tail_s != 1800.0 else "") + (
        f" --wait {wait_s:g}" if wait_s != 14400.0 else "") + "".join(
        f" --without {code}" for code in without)
    options: dict[str, Any] = {"faults": faults, "tail_s": tail_s, "wait_s": wait_s,
                               "without": tuple(without)}
    if number is not None:
        sys.exit(_again(work.trials_of([number], seed, plants, **options)[0]))
    part, of = _shard(shard) if shard else (1, 1)
    count = fault_free or runs or len(work.cells(plants, faults))
    numbers = range(first + part - 1, first + count, of)
    if fault_free:
        command = f"esterward trials --fault-free {fault_free}" + (
            f" --first {first}" if first else "")
        pieces: list[tuple[int, Any]] = [(n, [n]) for n in numbers]
        task: Callable[[Any], list[Tried]] = work.batches
    else:
        command = f"{common} --runs {count}" + (f" --first {first}" if first else "")
        chosen = work.trials_of(numbers, seed, plants, **options)
        pieces = [(piece[0].plant, piece) for piece in work.portions(chosen, PIECE)]
        task = work.attempts
    command += f" --shard {shard}" if shard else ""
    began_s = time.perf_counter()
    source = (_spread(task, pieces, scheduler) if scheduler
              else _local(task, pieces, min(workers, len(pieces))))
    tried: list[Tried] = []
    if sys.stderr.isatty():
        with click.progressbar(length=len(numbers), label="trials", file=sys.stderr) as bar:
            for found in source:
                tried += found
                bar.update(len(found))
    else:
        for found in source:
            tried += found
    tried.sort(key=lambda one: one.number)
    replays = {one.number: (f"esterward trials --fault-free 1 --first {one.number}" if fault_free
                            else f"{common} --number {one.number}") for one in tried}
    if as_json:
        result = show.data(command, tried, replays, time.perf_counter() - began_s)
        click.echo(json.dumps(result, indent=1, allow_nan=False))
    else:
        click.echo(f"{command}\n")
        for line in show.lines(tried, replays):
            click.echo(line)
    for one in tried if fault_free == 1 else ():  # it was printed to be done again
        if one.raised:
            click.echo(f"\n{one.raised}", err=True)
    if html is not None:
        # Hours after it was looked at; should it fail, what was found is shown above.
        write("--html", html, show.page(command, tried, replays, time.strftime("%Y-%m-%d")))
    untried = sorted(set(numbers) - {one.number for one in tried})
    if untried:
        click.echo(f"{len(untried)} of {len(numbers)} were not tried, number {untried[0]} the "
                   "first: a worker process was killed, most likely for want of memory. Try them "
                   "with fewer --workers.", err=True)
    if untried or any(one.broken for one in tried):
        click.get_current_context().exit(1)


def _again(trial: Any) -> int:
    """One trial with everything that happened in it."""
    from esterward_sim import trials_run as work
    from esterward_sim.trials_faults import CASES
    from esterward_sim.trials_plants import plant_of

    log: list[Any] = []
    one = work.carry_out(trial, log)
    case = CASES[one.case]
    lasts = "to the end" if one.lasts_s is None else f"for {one.lasts_s:.0f} s"
    when = "" if one.raised else f", in {one.step} from {one.at_s:.2f} s {lasts}"
    click.echo(f"trial {one.number}: {case.name} ({case.sentence}) on {plant_of(one.plant).name}"
               f"{when}\n")
    for at_s, event in log:
        values = ", ".join(f"{key} {value}" for key, value in event.data.items())
        click.echo(f"{at_s:10.2f} s  {event.kind:<18} {values}")
    click.echo(f"\noutcome: {one.outcome}"
               + ("" if one.reacted_s is None else f", first reaction after {one.reacted_s:.2f} s"))
    for name, sentence in one.broken.items():
        click.echo(f"BROKEN {name}: {sentence}")
    if one.raised:
        click.echo(f"\n{one.raised}", err=True)
    return 1 if one.broken else 0
