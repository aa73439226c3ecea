"""A contactor that opens and closes unasked: which edges count, for how long, and on the rig."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from pathlib import Path

import pytest

from esterward.safety.contactors import Contactor, quiet, watch, watch_both
from esterward.safety.counters import count
from esterward.settings.files import load_pair
from esterward.values.readings import Inputs
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import NoRecord
from facts_rig import Given

TOP = Path(__file__).parents[2]


class Coil:
    """A contactor looked at each quarter second; at rest and open for a while."""

    def __init__(self) -> None:
        self.seen = Contactor()
        self.look("o" * 10, driven=False)

    def look(self, read: str, *, driven: bool = True, dt_s: float = 0.25,
             latched: bool = False) -> int:
        """One look for each letter: o open, c closed, . not read. Gives the edges remembered."""
        for letter in read:
            watch(self.seen, dt_s, driven=driven, latched=latched,
                  is_open=None if letter == "." else letter == "o")
        return len(self.seen.edges_s)


@pytest.mark.parametrize(("on", "off"), [("c", "o"), ("oc", "co"), ("ooooc", "cccco")])
def test_a_contactor_that_follows_its_coil_makes_no_edge_of_its_own(on: str, off: str) -> None:
    coil = Coil()
    for _ in range(20):
        assert coil.look(on + "cccc") == 0 and coil.look(off + "oooo", driven=False) == 0


def test_on_and_off_again_before_either_was_read_explains_two_edges() -> None:
    coil = Coil()
    coil.look("o")
    assert coil.look("oco", driven=False) == 0


def test_however_often_it_is_switched_before_any_is_read_two_edges_are_explained() -> None:
    coil = Coil()
    for driven in (True, False, True, False, True):
        assert coil.look("o", driven=driven) == 0
    assert coil.look("cococ") == 3


def test_just_after_a_start_no_command_explains_an_edge() -> None:
    seen = Contactor()
    for is_open in (True, False):
        watch(seen, 0.25, driven=False, is_open=is_open, latched=False)
    assert len(seen.edges_s) == 1


def test_an_edge_later_than_a_contactor_takes_is_its_own() -> None:
    assert Coil().look("ooooooc") == 0, "1.5 s after the first look with the command"
    assert Coil().look("oooooooc") == 1


def test_the_fifth_edge_of_its_own_is_chatter_and_no_more_are_remembered() -> None:
    coil = Coil()
    assert coil.look("cocoo") == 3 and coil.look("c") == 4 and quiet(coil.seen)
    assert coil.look("o") == 5 and not quiet(coil.seen)
    assert coil.look("cococo") == 5


def test_an_edge_is_forgotten_after_ten_seconds_of_the_coil() -> None:
    coil = Coil()
    coil.look("co")
    assert coil.look("o" * 40) == 1 and coil.look("o") == 0


def test_at_rest_ten_minutes_count_as_ten_seconds_so_that_a_press_begins_nothing_anew() -> None:
    coil = Coil()
    coil.look("co")
    coil.look("o", driven=False)  # the look that sees it switched off counts as driven
    assert coil.look("o", driven=False, dt_s=580.0) == 1
    assert coil.look("oo", driven=False, dt_s=10.0) == 0


def test_once_latched_its_cause_is_gone_after_ten_seconds_at_rest() -> None:
    coil = Coil()
    coil.look("cococo")
    assert not quiet(coil.seen)
    assert coil.look("o" * 36, driven=False, latched=True) == 5, "the oldest is 10 s old"
    assert coil.look("o", driven=False, latched=True) == 4 and quiet(coil.seen)
    assert coil.look("oooo", driven=False, latched=True) == 0


def test_a_chatter_that_is_held_after_each_two_edges_is_caught_at_the_third_press() -> None:
    coil = Coil()
    for _ in range(3):
        assert quiet(coil.seen)
        coil.look("ccccoc")
        coil.look("o" * 400, driven=False)
    assert not quiet(coil.seen)


def test_what_was_not_read_makes_no_edge() -> None:
    coil = Coil()
    coil.look("cccccccccc")
    assert coil.look(".o.c.o.c.o.c") == 0


def test_a_float_that_drops_out_explains_k1_and_not_k2() -> None:
    k1, k2 = Contactor(), Contactor()
    for wet in (True, True, True, False, True, False, True, False, True):
        watch_both(k1, k2, 0.25, Inputs(level_wet=wet, k1_open=not wet, k2_open=not wet),
                   k1=True, k2=True, latches=[])
    assert (len(k1.edges_s), len(k2.edges_s)) == (0, 5)  # the first of six falls to the command


@pytest.mark.parametrize(("code", "left"), [
    ("k1-chatter", (0, 5)), ("k2-chatter", (5, 0)), ("sump", (5, 5))])
def test_the_latch_of_one_contactor_hurries_nothing_of_the_other(
    code: str, left: tuple[int, int],
) -> None:
    both = Contactor(edges_s=[0.0] * 5), Contactor(edges_s=[0.0] * 5)
    watch_both(*both, 10.0625, Inputs(), k1=False, k2=False, latches=[code])
    assert tuple(len(seen.edges_s) for seen in both) == left


@pytest.mark.parametrize("dt_s", [nan, 60.0, -1.0])
def test_a_late_tick_forgets_nothing_and_sees_no_edge(dt_s: float) -> None:
    chattered = Contactor(is_open=False, driven=True, edges_s=[9.9] * 5)
    given = Given(n_dt_s=dt_s, s_k1=replace(chattered), s_k2=replace(chattered), i_k1_open=True)
    count(given.state, given.seen, given.reactor)
    for seen in (given.state.k1, given.state.k2):
        assert seen.edges_s == [9.9] * 5 and seen.is_open is None and not quiet(seen)


@pytest.mark.parametrize(("fault", "code"), [
    ("k1_chatter", "k1-chatter"), ("k2_chatter", "k2-chatter")])
def test_on_the_rig_chatter_is_named_and_latched_when_somebody_goes_on(
    fault: str, code: str,
) -> None:
    batch, reactor = load_pair(TOP / "sim/scenarios/demo/batch.toml",
                               TOP / "firmware/config/reactor.toml")
    assert reactor is not None
    rehearsal = Rehearsal(reactor, replace(batch, dewater="none", setpoint_c=50.0), NoRecord())
    controller = rehearsal.rig.controller
    while controller.process.state.step != "heat.warm":
        rehearsal.step()
    for _ in range(4 * 120):
        rehearsal.step()
    assert rehearsal.rig.plant.element_on
    rehearsal.rig.plant.faults.start(fault)
    for _ in range(4 * 180):
        rehearsal.step()
        if controller.state.safety.latches:
            break
    assert controller.state.safety.latches == [code]
    for _ in range(4 * 3):
        rehearsal.step()
    assert controller.process.state.state == "aborted"
    plant = rehearsal.rig.plant
    assert not plant.element_on and not plant.mixer_on and not plant.k2_closed
    assert rehearsal.result.trips[-1] == code
