"""Faults of computers, clocks, disk and broker: each shows itself on the rig, and ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from esterward.settings.files import load_pair
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.broker import EmbeddedBroker
from esterward_sim.orders import FaultOrder
from esterward_sim.plant.faults import RIG_FAULTS
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import NoRecord

TOP = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def pair() -> tuple[Batch, Reactor]:
    batch, reactor = load_pair(TOP / "sim/scenarios/demo/batch.toml",
                               TOP / "firmware/config/reactor.toml")
    assert reactor is not None
    return replace(batch, setpoint_c=40.0), reactor


def go(rehearsal: Rehearsal, seconds: float) -> None:
    for _ in range(round(seconds * 4)):
        rehearsal.step()


@pytest.fixture
def heating(pair: tuple[Batch, Reactor]) -> Rehearsal:
    """Ten minutes into the heat."""
    rehearsal = Rehearsal(pair[1], pair[0], NoRecord())
    while rehearsal.rig.controller.process.state.step != "heat.warm":
        rehearsal.step()
    go(rehearsal, 600.0)
    assert rehearsal.rig.plant.element_on
    return rehearsal


def start(rehearsal: Rehearsal, name: str, value: float | None = None) -> None:
    rehearsal.rig.plant.faults.start(name, value)


def state(rehearsal: Rehearsal) -> str:
    return rehearsal.rig.controller.process.state.state


# name -> what is true only while it lasts, looked at after some seconds
SHOWS: dict[str, Callable[[Rehearsal], bool]] = {
    "blackout": lambda r: r.rig.loop.status is None and not r.rig.plant.k2_closed,
    "controller_hangs": lambda r: r.rig.lines().k1 and not r.rig.plant.k2_closed,
    "controller_slow": lambda r: not r.rig.plant.k2_closed,
    "guard_hangs": lambda r: not r.rig.plant.k2_closed,
    "probe_a_hangs": lambda r: r.rig.clock.time_s - r.rig.probe.newest.at_s > 5.0,
    "probe_b_hangs": lambda r: r.rig.clock.time_s - r.rig.guard.probe.newest.at_s > 5.0,
    "clock_jump": lambda r: (r.rig.clock.wall_s() or 0.0) > 1.8044e9,
    "clock_unset": lambda r: r.rig.clock.wall_s() is None,
    "record_fails": lambda r: bool(r.rig.disk.fault),
}


@pytest.mark.parametrize("name", sorted(SHOWS))
def test_a_fault_of_the_rig_shows_itself_and_ends(heating: Rehearsal, name: str) -> None:
    shows = SHOWS[name]
    assert not shows(heating)
    start(heating, name, 1e6 if name == "clock_jump" else None)
    seen = False
    for _ in range(40):
        heating.step()
        seen = seen or shows(heating)
    assert seen, "not shown with the fault"
    heating.rig.plant.faults.end(name)
    until_s = heating.rig.clock.time_s + 1200.0  # a latch wants looking at
    while heating.rig.clock.time_s < until_s and shows(heating):
        heating.step()
    assert not shows(heating), "still shown after the fault has ended"


@pytest.mark.parametrize("which", ["a", "b"])
def test_a_slow_probe_gives_a_value_only_so_often(heating: Rehearsal, which: str) -> None:
    probe = heating.rig.probe if which == "a" else heating.rig.guard.probe
    stamps = set()
    start(heating, f"probe_{which}_slow", 4.0)
    for _ in range(160):
        heating.step()
        stamps.add(probe.newest.at_s)
    assert 9 <= len(stamps) <= 11


def test_a_broker_goes_and_comes_back_on_its_port(heating: Rehearsal) -> None:
    with EmbeddedBroker() as broker:
        heating.rig.broker, port = broker, broker.port
        start(heating, "broker_gone")
        go(heating, 1.0)
        with pytest.raises(OSError, match="refused"):
            _knock(port)
        heating.rig.plant.faults.end("broker_gone")
        go(heating, 1.0)
        _knock(port)


def _knock(port: int) -> None:
    import socket

    socket.create_connection(("127.0.0.1", port), timeout=2.0).close()


def test_every_fault_of_the_rig_is_tried_here() -> None:
    slow = {"probe_a_slow", "probe_b_slow", "broker_gone"}
    assert {row.name for row in RIG_FAULTS} == set(SHOWS) | slow


def test_after_a_blackout_both_boot_from_what_was_stored_and_nothing_heats(
    heating: Rehearsal,
) -> None:
    last, boot = heating.result.events[-1].number, heating.rig.clock.boot
    start(heating, "blackout")
    go(heating, 1.0)
    joules = heating.rig.plant.thermal.element_j
    go(heating, 600.0)
    start(heating, "person_away")
    heating.rig.plant.faults.end("blackout")
    go(heating, 120.0)
    assert state(heating) == "held" and heating.rig.clock.boot != boot
    assert heating.rig.controller.process.state.step == "heat.warm"
    assert heating.rig.plant.thermal.element_j == joules
    numbers = [event.number for event in heating.result.events]
    assert numbers == list(range(1, len(numbers) + 1)) and numbers[-1] >= last


def test_what_the_disk_did_not_take_is_gone_after_a_blackout(heating: Rehearsal) -> None:
    start(heating, "record_fails")
    stored = heating.rig.disk.stored
    heating.rig.plant.black = True
    go(heating, 1.0)
    heating.rig.plant.black = False
    go(heating, 3.0)
    assert state(heating) == "held"
    start(heating, "blackout")
    go(heating, 10.0)
    heating.rig.plant.faults.end("record_fails")
    heating.rig.plant.faults.end("blackout")
    go(heating, 1.0)
    assert state(heating) == "held", "a restart holds"
    assert heating.rig.controller.process.state.why != "black was pressed"
    assert heating.rig.controller.state.last_event >= stored


def test_orders_start_and_end_and_are_reported(pair: tuple[Batch, Reactor]) -> None:
    orders = tuple(map(FaultOrder.parse, (
        "probe_a_offset=0.5@fill+10-20", "weather=-3@5", "lid_open@idle+1-2", "room=5@dry+0")))
    rehearsal = Rehearsal(pair[1], pair[0], NoRecord(), faults=orders)
    faults = rehearsal.rig.plant.faults
    while rehearsal.rig.controller.process.state.state != "running":
        rehearsal.step()
    go(rehearsal, 7.0)
    assert faults.names() == ("weather",) and faults.get("weather") == -3.0
    go(rehearsal, 7.0)
    assert faults.get("probe_a_offset") == 0.5
    go(rehearsal, 10.0)
    assert faults.names() == ("weather",)
    rows = {row["name"]: row for row in rehearsal.finish(0.0).faults}
    offset, lid = rows["probe_a_offset"], rows["lid_open"]
    assert offset["ended_s"] - offset["started_s"] == 10.0
    assert lid["started_s"] == 1.0 and lid["ended_s"] == 2.0
    assert rows["weather"]["ended_s"] is None and rows["room"]["started_s"] is None
