"""A whole batch on the virtual rig: it ends complete, replays, copies and answers to its files."""

from __future__ import annotations

import copy
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from esterward.chemistry.figures import reactor_loss_w_per_k
from esterward.process.stages import STEPS
from esterward.record.read import read_rows, read_ticks, read_trace
from esterward.tick import Controller, from_plain
from esterward.values.batch import Batch
from esterward.values.events import Event
from esterward.values.reactor import Reactor
from esterward_sim.fit.window import best_window
from esterward_sim.orders import Moment
from esterward_sim.rehearsal import FaultOrder, Rehearsal, Result
from esterward_sim.virtual import NoRecord
from libraries import fit
from steps import content

Pair = tuple[Batch, Reactor]
FIT_DOCUMENT = Path(__file__).parents[2] / "docs/how-to/measure-your-reactor.md"


def run(pair: Pair, **options: object) -> Result:
    batch, reactor = pair
    return Rehearsal(reactor, batch, NoRecord(), **options).run()  # type: ignore[arg-type]


def run_to(rehearsal: Rehearsal, step: str, seconds: float = 0.0) -> None:
    """Until the step is reached, and some seconds more."""
    process = rehearsal.rig.controller.process.state
    while process.step != step and not rehearsal.over:
        rehearsal.step()
    assert process.step == step
    for _ in range(round(seconds * 4)):
        rehearsal.step()


def test_the_demo_batch_ends_complete_with_every_stage(recorded: tuple[Path, Result]) -> None:
    _, result = recorded
    assert result.complete, (result.state, result.why)
    stages = [row["stage"] for row in result.stages]
    order = ["fill", "heat", "methoxide", "dose", "mix", "check", "settle", "drain", "wash",
             "dry", "store"]
    assert [s for i, s in enumerate(stages) if s not in stages[:i]] == order
    assert stages.count("wash") >= 2, "washing repeats"
    assert stages.count("drain") == 2, "a first and a last drain"
    assert {row["outcome"] for row in result.stages} == {"done"}


def test_a_fault_free_batch_trips_only_on_the_start_checks_own_e_stop(
    recorded: tuple[Path, Result],
) -> None:
    _, result = recorded
    assert result.trips == ["e-stop"] and result.alarms == ["e-stop"]
    latched = [e for e in result.events if e.kind == "latched"]
    started = next(e for e in result.events if e.kind == "batch_started")
    assert all(e.number < started.number for e in latched)


def test_the_oil_never_touches_its_ceiling_and_stays_within_a_kelvin(
    recorded: tuple[Path, Result],
) -> None:
    _, result = recorded
    assert result.peak_oil_c is not None and result.ceiling_c is not None
    assert result.setpoint_c is not None
    assert result.peak_oil_c < result.ceiling_c
    assert abs(result.peak_oil_c - result.setpoint_c) <= 1.0


def test_a_batch_that_coasts_from_dosing_on_finishes_mixing_by_its_credit(
    recorded: tuple[Path, Result],
) -> None:
    _, result = recorded
    mix = next(row for row in result.stages if row["stage"] == "mix")
    minutes = (mix["ended_s"] - mix["started_s"]) / 60.0
    assert 60.0 < minutes < 180.0, "longer than an hour because it cools, shorter than the cap"


def test_the_recorded_snapshots_replayed_give_identical_outputs_and_events(
    recorded: tuple[Path, Result], sooner: Pair,
) -> None:
    path, result = recorded
    batch, reactor = sooner
    controller = Controller(reactor, batch)
    events, count = [], 0
    for snapshot, outputs in read_trace(path):
        decision = controller.tick(snapshot)
        assert decision.outputs == outputs, count
        events += decision.events
        count += 1
    assert count > result.simulated_s > 10 * 3600.0, "at least one a second"
    assert events == result.events


COPY_AT = ("fill.pump", "heat.warm", "methoxide.dissolve", "dose.gate", "dose.pour", "mix.run",
           "settle.first", "wash.stir", "dry.run")


def test_copied_and_restored_anywhere_it_goes_on_identically(quick: Pair) -> None:
    batch, reactor = quick
    one = content(Rehearsal(reactor, batch, NoRecord(), seed=3))
    for step in COPY_AT:
        run_to(one, step, 7.25)
        two = copy.deepcopy(one)
        plain = json.loads(json.dumps(one.rig.controller.to_plain()))
        restored = from_plain(reactor, batch, plain)
        two.rig.controller = two.rig.loop.controller = restored
        two.person.printed = restored
        before = len(one.result.events)
        for _ in range(4 * 300):
            one.step()
            two.step()
            assert one.rig.relays.outputs == two.rig.relays.outputs, step
        assert one.result.events[before:] == two.result.events[before:]
        assert one.rig.plant.oil_c == two.rig.plant.oil_c


def _heat_s(result: Result) -> float:
    heat = next(row for row in result.stages if row["stage"] == "heat")
    return float(heat["ended_s"] - heat["started_s"])


def test_a_higher_setpoint_a_larger_volume_and_a_higher_place_change_the_rehearsal(
    short: Pair,
) -> None:
    batch, reactor = replace(short[0], oil_start_c=35.0), short[1]
    warm = Moment(600.0, "methoxide")  # what is compared has been seen by then
    base = run((replace(batch, setpoint_c=50.0), reactor), until=warm)
    hotter = run((replace(batch, setpoint_c=54.0), reactor), until=warm)
    larger = run((replace(batch, setpoint_c=50.0, oil_volume_l=150.0), reactor), until=warm)
    higher = run((replace(batch, setpoint_c=None), replace(reactor, altitude_m=2400.0)),
                 until=warm)
    assert hotter.peak_oil_c and base.peak_oil_c and higher.peak_oil_c
    assert hotter.peak_oil_c > base.peak_oil_c + 3.0 and _heat_s(hotter) > _heat_s(base)
    assert _heat_s(larger) > 1.15 * _heat_s(base)
    assert higher.ceiling_c and base.ceiling_c and higher.ceiling_c < base.ceiling_c - 3.0
    assert higher.setpoint_c and higher.setpoint_c < 53.0


@pytest.mark.parametrize(("fault", "code"), [
    ("mixer_stalled@mix+600", "mixer"), ("k1_welded@heat+600", "k1-welded"),
    ("probe_a_lost@heat+600", "probe-a"), ("cutout_open@heat+600", "cut-out"),
    ("level_low@heat+600", "level"), ("probe_b_stuck@heat+600", "probe-stuck"),
    ("element_dead@heat+600", "no-response"), ("element_double@heat+60", "over-response"),
])
def test_a_lasting_fault_ends_energy_and_is_named(short: Pair, fault: str, code: str) -> None:
    batch, reactor = short
    rehearsal = Rehearsal(reactor, batch, NoRecord(), faults=(FaultOrder.parse(fault),))
    run_to(rehearsal, "mix.run" if "@mix" in fault else "heat.warm")
    for _ in range(4 * 5400):
        rehearsal.step()
        if code in rehearsal.result.trips:
            break
    assert rehearsal.result.trips[1:] == [code]
    for _ in range(4 * 20):
        rehearsal.step()
    assert rehearsal.rig.controller.process.state.state in ("held", "aborted")
    assert not rehearsal.rig.plant.element_on and not rehearsal.rig.plant.mixer_on


def test_with_nobody_there_nothing_heats_for_long(quick: Pair) -> None:
    result = run(quick, person="absent")
    assert not result.complete and result.state == "held"
    assert result.peak_oil_c is None or result.peak_oil_c < 58.0


def test_the_document_tells_what_the_fit_finds_in_the_record_of_the_demo(
    recorded: tuple[Path, Result], example: Pair,
) -> None:
    path, (batch, reactor) = recorded[0], example
    window = best_window(read_ticks(path), list(read_rows(path)), reactor.element_switch == "ssr")
    found = fit(window, element_w=reactor.element_w, oil_l=batch.oil_volume_l,
                room_c=reactor.room_c)
    told = {words[0]: [float(number) for number in words[1:]]
            for words in re.findall(r"^ {6}([a-z -]+?) +([\d.]+) .*95 %: ([\d.]+) to ([\d.]+)",
                                    FIT_DOCUMENT.read_text(encoding="utf-8"), re.MULTILINE)}
    for name, one, factor in (("heat capacity", found.capacity_j_per_k, 1e-3),
                              ("loss", found.loss_w_per_k, 1.0),
                              ("run-on", found.run_on_s, 1.0),
                              ("probe lag", found.probe_lag_s, 1.0)):
        assert told[name] == pytest.approx(
            [one.value * factor, one.low * factor, one.high * factor], rel=0.01), name
    assert told["loss"][1] < reactor_loss_w_per_k(reactor) < told["loss"][2]


def test_every_step_but_the_special_ones_is_walked_by_the_rehearsals(
    recorded: tuple[Path, Result],
) -> None:
    _, result = recorded
    walked = {str(e.data["step"]) for e in result.events if e.kind == "step_started"}
    # Walked by test_walked_paths.py; the statement while drying by test_told_at_rest.py, and set
    # fat by its story.
    special = {name for name in STEPS if name.startswith(("dewater", "cool"))} | {
        "methoxide.second", "wash.soap", "check.failed", "settle.between", "drain.between",
        "methoxide.share", "dry.statement", "fill.melt", "fill.try"}
    assert set(STEPS) - special <= walked


class FullDisk(NoRecord):
    """A record whose disk is full from one kind of event on."""

    def __init__(self, kind: str) -> None:
        super().__init__()
        self.kind, self.added = kind, 0

    def add(self, snapshot: object, outputs: object, events: tuple[Event, ...],  # type: ignore[override]
            checkpoint: str | None) -> None:
        self.added += len(events)
        if any(event.kind == self.kind for event in events):
            self.fault = "the disk with the record is full"
        if not self.fault:
            self.stored = self.added


@pytest.mark.parametrize("kind", ["check_seen", "flag_set"])
def test_a_record_that_stores_no_more_holds_the_batch_and_ends_the_rehearsal(
    quick: Pair, kind: str,
) -> None:
    batch, reactor = quick
    rehearsal = Rehearsal(reactor, batch, FullDisk(kind))
    result = rehearsal.run()
    assert not result.complete and result.why == "the record failed: the disk with the record " \
        "is full"
    kinds = [event.kind for event in result.events]
    assert rehearsal.rig.clock.time_s < 4 * 3600.0
    # What must not happen before the flag is on disk did not happen.
    assert "dose.gate" not in {e.data.get("step") for e in result.events}
    assert not rehearsal.rig.plant.element_on and rehearsal.rig.plant.methanol_l == 0.0
    assert kind in kinds
