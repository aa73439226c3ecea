"""Inputs on real gpiozero devices: polled, two of three, the e-stop at once."""

from __future__ import annotations

from typing import Any

import pytest

from esterward.hardware.switches import POLL_S, Switches
from esterward.values.readings import OPTIONAL_INPUTS, Inputs

LINES = {"estop_closed": 6, "level_wet": 7, "green": 21, "lid_closed": 10}


@pytest.fixture
def switches(factory: Any) -> Switches:
    return Switches.open(factory, LINES)


def drive(factory: Any, name: str, level: bool) -> None:
    pin = factory.pin(f"GPIO{LINES[name]}")
    (pin.drive_high if level else pin.drive_low)()


def polled(switches: Switches, times: int) -> Inputs:
    for _ in range(times):
        switches.poll()
    return switches.inputs()


def test_every_line_has_a_pull_down_so_that_a_broken_wire_reads_false(
    factory: Any, switches: Switches,
) -> None:
    assert {factory.pin(f"GPIO{bcm}").pull for bcm in LINES.values()} == {"down"}
    inputs = polled(switches, 5)
    assert not inputs.estop_closed and not inputs.level_wet and inputs.lid_closed is False


def test_an_input_that_is_not_wired_is_none_if_optional_and_else_false(
    switches: Switches,
) -> None:
    inputs = polled(switches, 5)
    assert {name for name in OPTIONAL_INPUTS if getattr(inputs, name) is None} == (
        set(OPTIONAL_INPUTS) - {"lid_closed"})
    assert inputs.k1_open is False


@pytest.mark.parametrize("name", ["level_wet", "green", "lid_closed", "estop_closed"])
def test_a_level_counts_after_two_polls_of_three(factory: Any, switches: Switches,
                                                name: str) -> None:
    polled(switches, 3)
    drive(factory, name, True)
    assert getattr(polled(switches, 1), name) is False
    assert getattr(polled(switches, 1), name) is True


def test_it_is_ready_after_three_polls(switches: Switches) -> None:
    polled(switches, 2)
    assert not switches.ready
    polled(switches, 1)
    assert switches.ready


def test_one_disturbed_poll_is_not_seen(factory: Any, switches: Switches) -> None:
    drive(factory, "level_wet", True)
    polled(switches, 3)
    drive(factory, "level_wet", False)
    assert polled(switches, 1).level_wet
    drive(factory, "level_wet", True)
    assert polled(switches, 1).level_wet


def test_the_e_stop_opens_at_the_first_open_poll(factory: Any, switches: Switches) -> None:
    drive(factory, "estop_closed", True)
    assert polled(switches, 3).estop_closed
    drive(factory, "estop_closed", False)
    assert not polled(switches, 1).estop_closed
    drive(factory, "estop_closed", True)
    assert polled(switches, 2).estop_closed


def test_an_opened_input_is_out_within_a_tenth_of_a_second() -> None:
    assert 2 * POLL_S <= 0.1


def test_no_edge_callback_is_used_so_none_can_end_the_librarys_thread(
    factory: Any, switches: Switches,
) -> None:
    """An exception in a callback reaches whoever drives the pin; ours are never called."""
    assert all(factory.pin(f"GPIO{bcm}").when_changed is None for bcm in LINES.values())

    def callback(*_: object) -> None:
        raise RuntimeError("a callback went wrong")

    factory.pin("GPIO7").when_changed = callback
    with pytest.raises(RuntimeError):
        drive(factory, "level_wet", True)
    assert polled(switches, 2).level_wet, "polling goes on"


def test_a_line_that_cannot_be_read_ends_the_poll(
    factory: Any, switches: Switches, monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(self: Any) -> bool:
        raise OSError("input/output error")

    monkeypatch.setattr(type(factory.pin("GPIO7")), "_get_state", fail)
    with pytest.raises(OSError, match="input/output"):
        switches.poll()


def test_an_unknown_input_is_refused(factory: Any) -> None:
    with pytest.raises(ValueError, match="door"):
        Switches.open(factory, {"door": 6})
