"""The bring-up page, as far as it can be walked without a board: its commands, and what it says
the programs do while a person stands there with a meter."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from esterward.cli import esterward
from esterward.hardware import pins
from esterward.safety import limits
from esterward.values.reactor import Reactor
from harness import Bench

TOP = Path(__file__).parents[2]
PAGE = (TOP / "wiring/bring-up.md").read_text("utf-8")
# Everything in backticks, also where it goes over the end of a line.
CODE = [" ".join(code.split()) for code in re.findall(r"`([^`]+)`", PAGE)]
UNITS = {path.stem: path.read_text("utf-8")
         for path in (TOP / "firmware/systemd").glob("*.service")}


def named(step: str) -> str:
    """The row of a step."""
    return next(row for row in PAGE.splitlines() if row.startswith(f"| {step} |"))


def leaf(words: list[str]) -> click.Command:
    """The command that these words name, its options and arguments parsed by click itself."""
    command: click.Command = esterward
    context = click.Context(esterward)
    while isinstance(command, click.Group):
        name, *words = words
        found = command.get_command(context, name)
        assert found is not None, name
        command = found
    command.make_context(str(command.name), list(words))
    return command


def test_every_command_of_ours_on_the_page_is_one_with_just_these_options() -> None:
    ours = [code.partition("/opt/esterward/bin/esterward ")[2] for code in CODE
            if "/opt/esterward/bin/esterward " in code]
    names = [leaf(shlex.split(code)).name for code in ours]
    assert {"wiring", "reset", "show"} <= set(names)
    assert not [code for code in CODE if re.match(r"esterward (run|guard)\b", code)], (
        "by hand as root they leave a lock that the service's user cannot open")


def test_every_unit_on_the_page_is_installed() -> None:
    units = [word for code in CODE if re.search(r"systemctl|journalctl", code)
             for word in re.findall(r"esterward-\w+", code)]
    assert set(units) == set(UNITS)


def test_what_the_page_says_of_the_supervisor_is_what_the_units_say() -> None:
    guard, run = UNITS["esterward-guard"], UNITS["esterward-run"]
    assert "WatchdogSec=3\n" in guard and "after 3 s" in named("C2")
    assert "WatchdogSec=10\n" in run and "after 10 s" in named("C4")
    assert "RestartSec=2\n" in guard and "RestartSec=5\n" in run
    assert "2 s and 5 s later" in named("C6")
    assert "third start within half an hour" in PAGE and limits.UNCLEAN_STARTS == 3


@pytest.mark.parametrize(("step", "line"), [
    ("B6", "enable"), ("B6", "beat"), ("C6", "enable"), ("C6", "mixer")])
def test_the_lines_the_page_measures_are_those_of_the_table(step: str, line: str) -> None:
    assert f"{line} (GPIO {pins.LINES[line].bcm})" in named(step)


def test_the_timer_is_tried_with_both_wires_off_the_board() -> None:
    """A lead on a line that a program or config.txt drives is a short circuit of the board."""
    off = [pins.HEADER[pins.LINES[name].bcm] for name in ("beat", "enable")]
    assert f"take the wires of beat and enable off its pins {off[0]} and {off[1]}" in named("B7")
    said = pins.config_lines(pins.board(Reactor()), Reactor())
    assert {f"gpio={pins.LINES[name].bcm}=op,dl" for name in ("beat", "enable")} <= set(said)


def test_green_kept_pressed_in_filling_keeps_k2_closed_long_enough_to_end_a_program() -> None:
    """Section C: the start check lets K2 in for one tick, filling for most of a minute."""
    bench = Bench()
    bench.to_idle_ready()
    bench.buttons["green"] = True
    bench.ticks(3)
    bench.buttons["green"] = False
    closed = sum(bench.tick() is not None and bench.guard.enabled for _ in range(6))
    assert closed <= 1 and bench.step == "fill.pump" and bench.state == "running"
    bench.buttons["green"] = True
    bench.ticks(3)
    for _ in range(45):
        bench.tick()
        assert bench.guard.enabled and bench.controller.outputs.mixer
        assert not bench.controller.outputs.k1
    for _ in range(3):  # the controller says no more
        bench.now_s += 1.0
        bench.guard_cycles()
    assert not bench.guard.enabled and bench.guard.latches == ["silent"]


def test_the_start_is_asked_for_in_the_order_of_b8() -> None:
    bench = Bench()
    bench.ticks(3)
    assert "Is all methanol out of the vessel?" in bench.controller.process.state.asked_text
    bench.to_idle_ready()
    bench.hold_green()
    bench.ticks(4)
    seen = [event.data["check"] for event in bench.events if event.kind == "check_seen"]
    assert seen == ["e-stop", "level", "K2"] and "stage_started" in bench.kinds()


@pytest.mark.parametrize(("wire", "ours", "guards"), [
    ("k1_open", "k1-welded", ["k1"]), ("k2_open", "k2-welded", [])])
def test_a_mirror_whose_wire_is_pulled_reads_welded_within_three_seconds(
    wire: str, ours: str, guards: list[str],
) -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.override[wire] = False
    bench.ticks(3)
    assert bench.controller.state.safety.latches == [ours] and bench.guard.latches == guards
    row = next(row for row in PAGE.splitlines() if row.startswith("| contactors weld |"))
    assert f"`{ours}`" in row and row.count("within 3 s") == 2


def test_every_row_of_the_page_has_an_expected_reading_and_a_place_for_the_date() -> None:
    rows = [row for row in PAGE.splitlines() if row.startswith("| ") and "---" not in row]
    assert len(rows) > 50
    for row in rows:
        cells = [cell.strip() for cell in row.strip("|").split(" | ")]
        assert len(cells) == 4 and all(cells[:3]), row
