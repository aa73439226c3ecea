"""What `esterward trials` reports: shards, workers, replays, exceptions, summary and page.

The trials are real ones, on what a batch is before its first heat.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from typing import Any

import pytest
from click.testing import CliRunner, Result

from esterward.safety import gate
from esterward_sim import trials_run
from esterward_sim.trials import trials
from esterward_sim.trials_faults import CASES
from esterward_sim.trials_oracles import SENTENCES, Watch
from esterward_sim.trials_page import data, lines, page
from esterward_sim.trials_plants import plant_of
from esterward_sim.trials_run import OUTCOMES, Batch, Tried, fault_free

CHOSEN = ("--plants", "3", "--tail", "1", "--wait", "2", "--workers", "1")
# Every trial is broken by what nobody can hold, and its margin tells which process judged it.
JUDGED_BY = """
import json, os, sys
from click.testing import CliRunner
from esterward_sim import trials, trials_oracles, trials_run

row = trials_oracles.Invariant("never", "cannot be", "", lambda t, r: -float(os.getpid()))
trials_oracles.INVARIANTS, trials_oracles.SENTENCES["never"] = (row,), row.sentence
trials.PIECE = 1
batch = trials_run.fault_free(3, 4, until="heat.warm")
trials_run.kept = lambda plant: batch
for line in sys.stdin:
    told = json.loads(CliRunner().invoke(trials.trials, line.split()).stdout)
    print(json.dumps([told["command"], told["failed"], os.getpid()]))
"""

# The second trial ends its process as the kernel does when memory runs out.
KILLED = """
import os, signal, sys
from click.testing import CliRunner
from esterward_sim import trials, trials_run

def carry_out(trial, real=trials_run.carry_out):
    if trial.number == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(trial)

trials.PIECE = 1
trials_run.carry_out = carry_out
batch = trials_run.fault_free(3, 4, until="heat.warm")
trials_run.kept = lambda plant: batch
trials.trials(sys.argv[1:])
"""


@pytest.fixture(scope="module")
def beginning() -> Batch:
    return fault_free(3, 4, until="heat.warm")


@pytest.fixture
def quick(beginning: Batch, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trials_run, "kept", lambda plant: beginning)


def run(*args: str) -> Result:
    return CliRunner().invoke(trials, [*args], standalone_mode=True)


def replays(output: str) -> list[tuple[str, ...]]:
    """The arguments of each command that is told to do a trial again."""
    return [tuple(line.split()[3:]) for line in output.splitlines() if "again: esterw" in line]


def test_the_shards_together_are_the_whole_and_two_workers_are_two_processes() -> None:
    common = "--plants 3 --tail 1 --wait 2 --runs 7 --first 2 --json"
    asked = [f"{common} --workers 1", *(f"{common} --workers 2 --shard {i}/3" for i in (1, 2, 3))]
    done = subprocess.run([sys.executable, "-c", JUDGED_BY], input="\n".join(asked), text=True,
                          capture_output=True, check=True, timeout=120)
    (_, whole, here), *shards = map(json.loads, done.stdout.splitlines())
    numbers = [[one["number"] for one in failed] for _, failed, _ in shards]
    assert numbers == [[2, 5, 8], [3, 6], [4, 7]]
    assert [command.rpartition(" --first 2 ")[2] for command, _, _ in shards] == [
        f"--shard {i}/3" for i in (1, 2, 3)]
    judges = [{one["number"]: int(re.findall(r"margin -(\d+)", one["broken"].pop("never"))[0])
               for one in failed} for _, failed, _ in [("", whole, here), *shards]]
    assert set(judges[0].values()) == {here}
    assert all(len(set(each.values()) - {here}) == 2 for each in judges[1:])
    every = sorted((one for _, failed, _ in shards for one in failed),
                   key=lambda one: int(one["number"]))
    assert every == whole and [one["number"] for one in whole] == [*range(2, 9)]


def test_a_killed_worker_ends_no_other_and_what_it_left_is_told() -> None:
    done = subprocess.run([sys.executable, "-c", KILLED, "--plants", "3", "--tail", "1", "--wait",
                           "2", "--runs", "4", "--workers", "2"], text=True, capture_output=True,
                          check=False, timeout=120)
    assert done.returncode == 1 and "none of 2 broke an invariant" in done.stdout
    assert done.stderr.splitlines() == [
        "2 of 4 were not tried, number 1 the first: a worker process was killed, most likely for "
        "want of memory. Try them with fewer --workers."]


def test_a_fault_free_batch_that_is_broken_is_done_again_by_its_own_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(trials_run, "fault_free", lambda number, seed, keep: Batch(
        [], [], [], Watch(), "held" if number == 6 else "complete", 1.0))
    bad = run("--fault-free", "3", "--first", "5", "--workers", "1")
    assert bad.exit_code == 1 and "1 of 3 broke" in bad.output
    assert replays(bad.output) == [("--fault-free", "1", "--first", "6")]
    again = run(*replays(bad.output)[0])
    assert again.exit_code == 1 and "1 of 1 broke" in again.output
    assert f"no fault on {plant_of(6).name}: the batch ended held" in again.output
    assert replays(again.output) == replays(bad.output)


def test_a_trial_that_raises_is_broken_with_its_replay_and_ends_no_other(
    quick: None, monkeypatch: pytest.MonkeyPatch,
) -> None:
    latch = gate.latch

    def fails(state: Any, code: str, log: Any) -> None:
        if code == "e-stop":
            raise KeyError(code)
        latch(state, code, log)

    monkeypatch.setattr(gate, "latch", fails)
    chosen = (*CHOSEN, "--fault", "estop_pressed", "--fault", "probe_a_lost", "--runs", "6")
    bad = run(*chosen)
    assert bad.exit_code == 1 and isinstance(bad.exception, SystemExit) and not bad.stderr
    told = (f"BROKEN exception: estop_pressed on {plant_of(3).name}: {SENTENCES['exception']}: "
            "KeyError: 'e-stop'")
    assert bad.stdout.splitlines().count(told) == 3 == len(replays(bad.stdout))
    assert bad.stdout.endswith("3 of 6 broke an invariant.\n")
    for args in replays(bad.stdout):
        again = run(*args)
        assert again.exit_code == 1 and isinstance(again.exception, SystemExit)
        assert again.stdout.startswith(
            f"trial {args[-1]}: estop_pressed ({CASES['estop_pressed'].sentence}) on "
            f"{plant_of(3).name}\n\n")
        assert f"BROKEN exception: {SENTENCES['exception']}: KeyError: 'e-stop'" in again.stdout
        assert "Traceback" in again.stderr and "raise KeyError(code)" in again.stderr
    failed = json.loads(run(*chosen, "--json").stdout)["failed"]
    assert ["raise KeyError(code)" in one["raised"] for one in failed] == [True] * 3


def test_a_fault_free_batch_that_raises_ends_no_other_and_alone_shows_where(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fails(number: int, seed: int, keep: bool) -> Batch:
        if number == 6:
            raise ValueError("two\nlines")
        return Batch([], [], [], Watch(), "complete", 1.0)

    monkeypatch.setattr(trials_run, "fault_free", fails)
    bad = run("--fault-free", "3", "--first", "5", "--workers", "1")
    assert bad.exit_code == 1 and "outcomes: 2 nothing, 1 broken" in bad.stdout
    assert f"{SENTENCES['exception']}: ValueError: two lines\n" in bad.stdout and not bad.stderr
    again = run(*replays(bad.stdout)[0])
    assert again.exit_code == 1 and 'raise ValueError("two\\nlines")' in again.stderr


def tried(number: int, plant: int, case: str, outcome: str, worst: dict[str, float],
          **broken: str) -> Tried:
    return Tried(number, plant, case, outcome, "heat.warm", 9.0, None, 1.0, [],
                 {name.replace("_", " "): said for name, said in broken.items()}, worst)


MADE = [
    tried(4, 0, "mixer_stalled", "held", {"I-02 boiling": 2.5, "I-12 mixer": 3.0}),
    tried(9, 2, "pump_dry", "broken", {"I-02 boiling": 4.0, "I-12 mixer": -1.25},
          never_mixed="it <b>ran on</b>"),
    tried(11, 0, "mixer_stalled", "nothing", {"I-12 mixer": 7.0, "I-12 latch": 0.0}),
    tried(12, 0, "mixer_stalled", "held", {}),
]
AGAIN = {one.number: f"esterward trials --number {one.number}" for one in MADE}
FIRST, OTHER = plant_of(0).name, plant_of(2).name


def test_the_summary_names_the_smallest_margins_what_broke_and_how_to_do_it_again() -> None:
    assert [" ".join(line.split()) for line in lines(MADE, AGAIN)] == [
        "outcomes: 1 nothing, 2 held, 1 broken",
        "worst margins (below 0 is broken):",
        f"I-02 boiling 2.50 K mixer_stalled, {FIRST}, number 4",
        f"I-12 latch 0.00 s mixer_stalled, {FIRST}, number 11",
        f"I-12 mixer -1.25 s pump_dry, {OTHER}, number 9",
        f"BROKEN never mixed: pump_dry on {OTHER}: it <b>ran on</b>",
        "again: esterward trials --number 9",
        "1 of 4 broke an invariant."]
    assert [(name, row["margin"], row["unit"], row["number"], row["plant"], row["case"])
            for name, row in data("", MADE, AGAIN, 0.0)["worst"].items()] == [
        ("I-02 boiling", 2.5, "K", 4, 0, "mixer_stalled"),
        ("I-12 latch", 0.0, "s", 11, 0, "mixer_stalled"),
        ("I-12 mixer", -1.25, "s", 9, 2, "pump_dry")]


class Read(HTMLParser):
    """Tables by the heading above them, rows of cells; a cell marked as bad begins with a !."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = {}
        self.broken: list[str] = []
        self.heading, self._in = "", ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "h2":
            self.heading = ""
        elif tag == "tr":
            self.tables.setdefault(self.heading, []).append([])
        elif tag in ("td", "th"):
            self.tables[self.heading][-1].append("!" if ("class", "bad") in attrs else "")
        elif tag == "li":
            self.broken.append("")
        self._in = tag if tag in ("h2", "td", "th", "li", "code") else ""

    def handle_data(self, text: str) -> None:
        if self._in == "h2":
            self.heading += text
        elif self._in in ("td", "th"):
            self.tables[self.heading][-1][-1] += text
        elif self.heading == "Broken":
            self.broken[-1] += text + " "

    def handle_endtag(self, tag: str) -> None:
        self._in = ""


def test_the_page_shows_the_matrix_the_margins_and_what_broke() -> None:
    got = Read(page("esterward trials", MADE, AGAIN, "2026-11-27"))
    assert got.broken == [
        f"pump_dry on {OTHER}: it <b>ran on</b> esterward trials --number 9 "]
    counts = {"mixer_stalled": {"nothing": "1", "held": "2"}, "pump_dry": {"broken": "!1"}}
    assert got.tables["Fault and outcome"] == [
        ["fault", "catalogue", *OUTCOMES],
        *([name, ", ".join(CASES[name].rows), *(row.get(outcome, "·") for outcome in OUTCOMES)]
          for name, row in sorted(counts.items(), key=lambda one: [*CASES].index(one[0])))]
    assert got.tables["Worst margins"] == [
        ["invariant", "says", "margin", "in"],
        ["I-02 boiling", SENTENCES["I-02 boiling"], "2.50 K", f"mixer_stalled, {FIRST}, 4"],
        ["I-12 latch", SENTENCES["I-12 latch"], "0.00 s", f"mixer_stalled, {FIRST}, 11"],
        ["I-12 mixer", SENTENCES["I-12 mixer"], "!-1.25 s", f"pump_dry, {OTHER}, 9"]]


def test_a_page_on_which_nothing_broke_lists_nothing_as_broken() -> None:
    got = Read(page("esterward trials", MADE[:1], AGAIN, "2026-11-27"))
    assert got.broken == [] and set(got.tables) == {"Fault and outcome", "Worst margins"}
