"""The wires seam: the same batch through ports and through real drivers ends the same."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from esterward.hardware.relays import LeasedRelays
from esterward.settings.files import load_batch, load_reactor
from esterward.values.batch import Wash
from esterward.values.outputs import OUTPUT_NAMES, SAFE, Outputs
from esterward_sim import rehearsal
from esterward_sim.rehearse import rehearse as rehearse_command
from esterward_sim.virtual import NoRecord, VirtualRig
from esterward_sim.wires import WiredRig
from steps import content

CONFIG = Path(__file__).parents[2] / "firmware/config"
REACTOR = load_reactor(CONFIG / "reactor.toml")
SHORT = replace(load_batch(CONFIG / "batch.toml"), oil_volume_l=90.0, oil_start_c=40.0,
                dewater="none", dissolve_min=5.0, pour_min=10.0, settle_h=0.1,
                washes=(Wash(0.1, False), Wash(0.3, True)), wash_stand_min=10.0, dry_min=20.0)
PROBE_STEP_K = 0.0625


def rehearse(rig: type[VirtualRig]) -> rehearsal.Result:
    made = content(rehearsal.Rehearsal(REACTOR, SHORT, NoRecord(), seed=3, rig=rig))
    assert type(made.rig) is rig
    try:
        return made.run()
    finally:
        made.close()


def test_a_batch_ends_the_same_through_ports_and_through_wires() -> None:
    ports, wires = rehearse(VirtualRig), rehearse(WiredRig)
    assert ports.state == wires.state == "complete"
    assert wires.stages == ports.stages
    assert ports.peak_oil_c is not None and wires.peak_oil_c is not None
    assert abs(wires.peak_oil_c - ports.peak_oil_c) <= PROBE_STEP_K
    assert wires.trips == ports.trips


@pytest.mark.parametrize("level", ["small", "full"])
def test_an_output_without_a_line_drives_nothing_through_ports_either(level: str) -> None:
    reactor = replace(REACTOR, rig_level=level, element_switch="ssr")
    every = Outputs(*[True] * len(OUTPUT_NAMES))
    levels = {}
    for kind in (VirtualRig, WiredRig):
        rig = kind(reactor, SHORT, record=NoRecord())
        rig.loop.ports.relays.write(every, rig.clock.time_s)
        levels[kind] = rig.lines()
        if isinstance(rig, WiredRig):
            rig.close()
    assert levels[VirtualRig] == levels[WiredRig]
    assert levels[VirtualRig].air is (level == "full")
    assert levels[VirtualRig].mixer and levels[VirtualRig].k1


def test_a_controller_that_stops_writing_loses_its_lines_by_the_lease() -> None:
    with WiredRig(REACTOR, SHORT, record=NoRecord()) as rig:
        rig.wires.relays.write(replace(SAFE, lamp=True, horn=True), rig.clock.time_s)
        rig.controller_dead = True
        for _ in range(10):
            rig.quarter()
        assert rig.lines().lamp
        rig.quarter()
        assert not rig.lines().lamp and not rig.lines().horn


def test_the_plant_reads_and_answers_levels_only() -> None:
    with WiredRig(REACTOR, SHORT, record=NoRecord()) as rig:
        rig.quarter()
        before = rig.lines().beat
        rig.quarter()
        assert rig.lines().beat is not before
        assert rig.loop.newest is not None and rig.loop.newest.inputs == rig.plant.inputs()
        assert rig.loop.newest.probe_b.c == rig.plant.probe_b_c()


def test_the_command_goes_through_wires_when_asked_and_says_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The first 50 min of the shipped batch, filled, warmed and mixed; a whole one by hand."""
    monkeypatch.setattr(rehearsal, "AT_MOST_S", 3000.0)
    written = []
    write = LeasedRelays.write

    def seen(relays: LeasedRelays, outputs: Outputs, now_s: float) -> None:
        written.append(outputs.k1)
        write(relays, outputs, now_s)

    monkeypatch.setattr(LeasedRelays, "write", seen)
    told = {}
    for name in ("", "--wires"):
        written.clear()
        done = CliRunner().invoke(rehearse_command, [
            str(CONFIG / "batch.toml"), "--json", "--record", str(tmp_path / f"r{name}.sqlite"),
            *filter(None, [name])])
        told[name] = json.loads(done.stdout)
        assert any(written) is bool(name), "through the drivers only when asked"
        told[name].pop("wall_s")
    assert told[""] == told["--wires"]
    assert told[""]["stages"][0]["stage"] == "fill"
