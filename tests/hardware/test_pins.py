"""The pin table: complete, allowed, without a clash at any rig level; [pins] within bounds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from gpiozero.pins.pi import PiBoardInfo

from esterward.hardware import pins
from esterward.values.outputs import OUTPUT_NAMES
from esterward.values.reactor import RIG_LEVELS, Reactor
from esterward.values.readings import INPUT_NAMES, OPTIONAL_INPUTS

SMALL = Reactor(rig_level="small", probe_a_id="28-a", probe_b_id="28-b")
FULL = replace(SMALL, rig_level="full", fitted=OPTIONAL_INPUTS, element_switch="ssr",
               barometer=True)


def test_every_input_and_every_output_has_exactly_one_row() -> None:
    rows = pins.LINES.values()
    assert {row.name for row in rows if row.direction == pins.IN} == set(INPUT_NAMES)
    assert {row.name for row in rows if row.direction == pins.OUT} == (
        set(OUTPUT_NAMES) - {"k2_wanted"} | {"beat", "enable"})


def test_the_guard_owns_every_input_and_its_two_outputs_only() -> None:
    for row in pins.LINES.values():
        mine = row.direction == pins.IN or row.name in ("beat", "enable", "probe_b")
        assert row.owner == (pins.GUARD if mine else pins.CONTROLLER)


@pytest.mark.parametrize("level", RIG_LEVELS)
def test_the_default_lines_fit_each_rig_level_even_with_everything_fitted(level: str) -> None:
    lines = pins.board(replace(FULL, rig_level=level))
    assert len(set(lines.values())) == len(lines)
    assert not set(lines.values()) & set(pins.I2C_LINES)


def test_outputs_are_active_high_at_or_above_nine_and_never_on_the_console() -> None:
    assert min(pins.OUT_LINES) == 9 and not {14, 15} & set(pins.OUT_LINES)
    for row in pins.LINES.values():
        assert row.active_high and row.bcm in row.allowed


def test_no_input_may_lie_on_a_line_with_a_fixed_pull_up() -> None:
    assert not set(pins.I2C_LINES) & set(pins.IN_LINES)


@pytest.mark.parametrize("revision", [0xA02082, 0xC03111, 0xC04170], ids=["3B", "4B", "5B"])
def test_the_physical_pins_are_those_of_the_boards_as_gpiozero_knows_them(revision: int) -> None:
    """Source: gpiozero.pins.data, board data of the Raspberry Pi 3B, 4B and 5B."""
    info = PiBoardInfo.from_revision(revision)
    header = info.headers["J8"]
    known = {int(pin.name.removeprefix("GPIO")): pin.number for pin in header.pins.values()
             if pin.name.startswith("GPIO")}
    assert known == pins.HEADER


def test_an_optional_input_without_its_line_has_a_stricter_rule_in_words() -> None:
    assert all(pins.LINES[name].absent for name in OPTIONAL_INPUTS)


@pytest.mark.parametrize("level", RIG_LEVELS)
def test_a_reactor_has_only_the_rows_of_its_level_and_of_what_is_fitted(level: str) -> None:
    names = set(pins.board(replace(SMALL, rig_level=level)))
    assert names == {
        "watch": {"horn", "lamp", "probe_a"},
        "small": {"k1", "mixer", "horn", "lamp", "beat", "enable", "probe_a", "probe_b",
                  *INPUT_NAMES[:9]},
        "full": {"k1", "mixer", "air", "vent", "horn", "lamp", "beat", "enable", "probe_a",
                 "probe_b", *INPUT_NAMES[:9]},
    }[level]


@pytest.mark.parametrize("level", RIG_LEVELS)
def test_no_level_has_a_line_that_no_process_of_that_level_opens(level: str) -> None:
    """At level watch there is no guard, which alone reads the inputs."""
    for row in pins.lines_of(replace(FULL, rig_level=level)).values():
        assert row.owner == pins.CONTROLLER or level != "watch", row.name


def test_pins_moves_a_line_within_the_allowed_ones() -> None:
    assert pins.board(replace(SMALL, pins=(("lamp", 24),)))["lamp"] == 24


@pytest.mark.parametrize(("moved", "word"), [
    ((("lamp", 8),), "lamp = 8: a line for an output is one of 9, 10"),
    ((("lamp", 14),), "lamp = 14"), ((("lamp", 15),), "lamp = 15"),
    ((("green", 2),), "green = 2: a line for an input"), ((("green", 28),), "green = 28"),
    ((("lamp", 17),), "this line belongs to k1"),
    ((("heater", 17),), "heater: there is no such line here"),
    ((("air", 23),), "air: there is no such line here"),
    ((("probe_a", 14),), "a line for a 1-wire bus"),
    ((("lamp", True),), "lamp = True"),
])
def test_what_pins_may_not_say_is_refused_with_what_is_allowed(moved: Any, word: str) -> None:
    with pytest.raises(pins.PinMistake) as caught:
        pins.board(replace(SMALL, pins=moved))
    assert len(caught.value.mistakes) == 1 and word in caught.value.mistakes[0]


def test_all_mistakes_are_told_at_once() -> None:
    with pytest.raises(pins.PinMistake) as caught:
        pins.board(replace(SMALL, pins=(("lamp", 14), ("door", 3), ("horn", 17))))
    assert len(caught.value.mistakes) == 3


def test_the_barometers_bus_is_taken_when_there_is_one() -> None:
    row = pins.Line("x", pins.ONE_WIRE, pins.GUARD, 4, ("full",), "", "")
    assert pins.complaints({"x": row}, {"x": 2}, True)


def test_an_active_low_row_is_refused() -> None:
    row = replace(pins.LINES["k1"], active_high=False)
    assert "active-low" in pins.complaints({"k1": row}, {"k1": 17}, False)[0]


@pytest.mark.parametrize("reactor", [SMALL, FULL, replace(SMALL, pins=(("k1_open", 1),))],
                         ids=["small", "full", "moved"])
def test_no_input_is_left_at_a_pull_up_until_a_program_claims_it(reactor: Reactor) -> None:
    """Source: BCM2835 ARM Peripherals, 6.2: GPIO0 to 8 are pulled up from power-on, 9 to 27 down.

    A broken wire of e-stop, float or cut-out read "good" there, as bring-up B3 measures before any
    program runs.
    """
    lines, said = pins.board(reactor), pins.config_lines(pins.board(reactor), reactor)
    inputs = {bcm for name, bcm in lines.items() if pins.LINES[name].direction == pins.IN}
    assert {f"gpio={bcm}=ip,pd" for bcm in inputs if bcm <= 8} == {
        line for line in said if line.endswith("=ip,pd")}
    assert {"gpio=6=ip,pd", "gpio=7=ip,pd", "gpio=8=ip,pd"} <= set(said)
    # 1-wire needs its pull-up, and the two of the barometer's bus are fixed on the board.
    assert not {f"gpio={bcm}=ip,pd" for bcm in (2, 3, 4, 5)} & set(said)
