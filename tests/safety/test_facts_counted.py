"""What is counted for the facts, tick by tick, and the conditions under which a fault is told."""

from __future__ import annotations

from math import nan
from typing import Any

import pytest

from esterward.safety import counters, gaps
from esterward.safety import facts as proof
from esterward.safety.facts import SafetyFacts
from esterward.safety.gaps import Gaps
from esterward.safety.plausibility import ProbeJudge
from esterward.values.outputs import Outputs
from esterward.values.readings import ProbeReading
from facts_rig import NO_INPUTS, NOW_S, RUNS, Given

OFF = {"o_k1": False, "i_k1_open": True}
VENT = {"r_fitted": ("vent_proof",), "i_vent_proof": False}
# counter, a reactor of which it counts, one change after another of which it does not
COUNTERS: dict[str, tuple[dict[str, Any], list[dict[str, Any]]]] = {
    "enable_on_s": ({}, [{"g_enable": False}, {"n_heard": False}, {"n_guard": None}]),
    "enable_off_s": ({"g_enable": False}, [{"g_enable": True}]),
    "refused_s": ({"g_enable": False}, [{"g_enable": True}, {"o_k2_wanted": False}]),
    "unproven_s": ({"i_mixer_proof": False},
                   [{"i_mixer_proof": True}, {"o_mixer": False}, {"i_k2_open": True}]),
    "proven_s": ({}, [{"i_mixer_proof": False}, {"o_mixer": False}, NO_INPUTS]),
    "vent_unproven_s": (VENT, [{"o_vent": False}, {"i_vent_proof": True},
                               {"r_fitted": (), "i_vent_proof": None}]),
    "wet_s": ({}, [{"i_level_wet": False}, NO_INPUTS]),
    "flags_apart_s": ({"g_flag": True}, [{"n_flag": True}, {"n_heard": False}, {"n_guard": None}]),
    "pressures_apart_s": ({"g_pressure_kpa": 85.5625}, [
        {"g_pressure_kpa": 85.5}, {"n_heard": False}, {"n_guard": None}]),
    "record_fault_s": ({"n_record_fault": True}, [{"n_record_fault": False}]),
    "presence_asked_s": ({"s_energised": True, "s_presence_age_s": None}, [{"s_energised": False}]),
}


@pytest.mark.parametrize("counter", COUNTERS)
def test_what_is_seen_to_last_is_counted_from_at_most_a_tick_before_it_was_first_seen(
    counter: str,
) -> None:
    given = Given(**COUNTERS[counter][0], n_dt_s=2.0)
    setattr(given.state, counter, 0.0)
    assert [getattr(given.count(), counter) for _ in range(3)] == [1.0, 3.0, 5.0]
    given.seen.dt_s = 0.5
    assert getattr(given.count(), counter) == 5.5
    given.seen.dt_s = 2.0625
    assert getattr(given.count(), counter) == 0.0, "nobody saw it last through a gap"
    given.seen.dt_s = 0.5
    assert getattr(given.count(), counter) == 0.5


@pytest.mark.parametrize(("counter", "less"), [
    (counter, less) for counter, (_, all_less) in COUNTERS.items() for less in all_less])
def test_what_is_not_so_is_not_counted(counter: str, less: dict[str, Any]) -> None:
    given = Given(**{**COUNTERS[counter][0], "n_dt_s": 1.0, **less})
    setattr(given.state, counter, 7.0)
    assert getattr(given.count(), counter) == 0.0


def test_the_oldest_event_that_is_not_on_disk_counts_from_when_it_came() -> None:
    given = Given(n_dt_s=0.25)

    def wait(seconds: float, behind: int) -> float:
        """Four events a second, stored when so many have come after them."""
        for _ in range(int(4.0 * seconds)):
            given.seen.last_event += 1
            given.seen.stored = max(given.seen.stored, given.seen.last_event - behind)
            given.count()
        return given.state.unsaved[0][1] if given.state.unsaved else 0.0

    assert wait(60.0, 0) == 0.0
    assert 0.25 <= wait(60.0, 1) <= 1.25, "never all on disk, yet each at once"
    assert given.state.record_stores
    assert 9.0 <= wait(60.0, 36) <= 10.0
    assert given.state.record_stores and len(given.state.unsaved) <= 16
    assert 9.25 <= wait(600.0, 10_000) - 600.0 <= 10.25, "none any more"
    assert not given.state.record_stores and len(given.state.unsaved) <= 16
    given.seen.stored = given.seen.last_event
    assert given.count().unsaved == [] and given.state.record_stores


def test_one_waiting_event_a_second_is_remembered_and_later_all_in_one() -> None:
    given = Given(n_dt_s=0.25)
    for number in (8, 9, 10, 11):
        given.seen.last_event = number
        given.count()
    assert given.state.unsaved == [(10, 1.0), (11, 0.25)]
    given.state.unsaved = [(8, 14.75), (9, 5.0)]
    for number in (10, 11, 12, 13):
        given.seen.last_event = number
        given.count()
    assert given.state.unsaved == [(8, 15.75), (9, 6.0), (13, 1.0)]


def test_a_disk_that_is_back_and_stays_a_little_behind_stores_again() -> None:
    given = Given(n_dt_s=1.0)
    stores = []
    for second in range(1, 401):
        given.seen.last_event += 1
        if second > 60:
            given.seen.stored = given.seen.last_event - 3
        stores.append(given.count().record_stores)
        assert len(given.state.unsaved) <= 16
    assert stores == [True] * 10 + [False] * 52 + [True] * 338


def test_a_disk_that_stores_only_the_first_of_an_outage_does_not_store() -> None:
    given = Given(n_dt_s=1.0, n_stored=0, n_last_event=0)
    for second in range(1, 601):
        given.seen.last_event = second
        if second > 60:
            given.seen.stored = (second - 11) // 20 * 20  # never all that is ten seconds old
        given.count()
        assert given.state.record_stores is (second <= 10), second
        assert len(given.state.unsaved) <= 16
        oldest_s = given.seen.last_event - given.seen.stored
        assert given.state.unsaved[0][1] >= oldest_s


def test_events_that_waited_through_a_gap_begin_to_wait_anew() -> None:
    given = Given(n_dt_s=1.0, n_last_event=9)
    assert given.count(5).unsaved == [(9, 5.0)]
    given.seen.dt_s = 2.0625
    assert given.count().unsaved == [(9, 0.0)]


def test_under_voltage_adds_up_over_dips_and_is_forgotten_after_ten_seconds_without() -> None:
    given = Given(n_dt_s=1.0)
    low, good = [True] * 3, [False] * 9
    counted = []
    for given.seen.supply_low in (*low, *good, *low, *good, False, True, *good, False):
        counted.append(given.count().supply.low_s)
    assert counted == [1.0, 2.0, *[3.0] * 10, 4.0, 5.0, *[6.0] * 10, 0.0, *[1.0] * 10, 0.0]


@pytest.mark.parametrize("told", [True, nan, 1, "0"])
def test_under_voltage_is_counted_from_a_tick_before_it_was_seen_and_not_through_a_gap(
    told: Any,
) -> None:
    given = Given(n_supply_low=told, n_dt_s=2.0)
    assert [given.count().supply.low_s for _ in range(2)] == [1.0, 3.0]
    given.seen.dt_s = 2.0625
    assert given.count().supply.low_s == 3.0, "nobody saw it, and nobody saw it end"
    given.seen.supply_low = False
    assert (given.count().supply.low_s, given.state.supply.good_s) == (3.0, 0.0)


@pytest.mark.parametrize("told", [None, False])
def test_a_board_without_a_sensor_and_a_good_supply_count_nothing(told: bool | None) -> None:
    supply = Given(n_supply_low=told, n_dt_s=1.0).count(20).supply
    assert (supply.low_s, supply.good_s) == (0.0, 0.0)


@pytest.mark.parametrize("probe", ["a", "b"])
@pytest.mark.parametrize(("age_s", "late_s"), [
    (0.0, 4.95), (4.0, 4.95), (4.0625, 6.0), (10.0, 6.0), (10.0625, 5.0), (nan, 6.0)])
def test_a_reading_over_four_seconds_old_adds_up_until_it_is_as_good_as_lost(
    probe: str, age_s: float, late_s: float,
) -> None:
    given = Given(n_dt_s=1.0, s_gaps_a=Gaps(5.0), s_gaps_b=Gaps(5.0))
    setattr(given.state, "probe_" + probe, ProbeJudge(
        good_c=54.0, good_at_s=NOW_S - age_s, newest_at_s=NOW_S))
    state = given.count()
    assert getattr(state, "gaps_" + probe) == Gaps(late_s)
    assert getattr(state, "gaps_" + ("b" if probe == "a" else "a")) == Gaps(4.95)


@pytest.mark.parametrize(("probe", "changes"), [
    ("a", {"n_dt_s": 2.0625}), ("b", {"n_dt_s": 2.0625}), ("b", {"n_heard": False}),
    ("a", {"s_probe_a": ProbeJudge(), "n_probe_a": ProbeReading(None, NOW_S)}),
    ("b", {"s_probe_b": ProbeJudge(), "g_probe_b": ProbeReading(None, NOW_S)})])
@pytest.mark.parametrize("age_s", [0.0, 5.0])
def test_of_a_probe_nobody_sees_no_gap_is_counted_and_none_forgotten(
    probe: str, changes: dict[str, Any], age_s: float,
) -> None:
    gaps = Gaps(5.0, True)
    given = Given(**{"n_dt_s": 1.0, "n_a_s": NOW_S - age_s, "n_b_s": NOW_S - age_s,
                     "s_gaps_" + probe: gaps, **changes})
    assert getattr(given.count(), "gaps_" + probe) == Gaps(5.0, True)


def test_late_ticks_add_up_to_what_is_told_and_a_single_one_of_any_length_does_not() -> None:
    given = Given(n_dt_s=3.0)
    seen = [(given.count().gaps_ticks.late_s, given.state.gaps_ticks.told) for _ in range(5)]
    assert seen == [(3.0, False), (6.0, False), (9.0, False), (10.0, True), (10.0, True)]
    for gap_s in (60.0, 86400.0, nan, -1.0):
        given = Given(n_dt_s=gap_s)
        assert given.count().gaps_ticks.late_s <= 6.0 and not given.state.gaps_ticks.told, gap_s
    assert Given(n_dt_s=2.0).count().gaps_ticks == Gaps()


def test_what_was_told_of_gaps_stands_until_two_hundred_seconds_in_time_have_forgotten_it() -> None:
    given = Given(n_dt_s=1.0, s_gaps_a=Gaps(9.75), s_gaps_ticks=Gaps(10.0, True))
    assert not any(given.count().gaps_a.told for _ in range(100))
    assert given.state.gaps_ticks.told and 4.9 < given.state.gaps_ticks.late_s < 5.1
    given.count(99)
    assert given.state.gaps_ticks.told
    assert given.count(2).gaps_ticks == Gaps() and given.state.gaps_a.none


@pytest.mark.parametrize("probe", ["a", "b", "ticks"])
def test_a_count_of_gaps_that_is_not_a_number_is_told(probe: str) -> None:
    given = Given(n_dt_s=1.0, **{"s_gaps_" + probe: Gaps(nan)})
    assert not getattr(given.state, "gaps_" + probe).none
    assert getattr(given.count(), "gaps_" + probe) == Gaps(10.0, True)


def test_a_guard_not_heard_does_not_enable_and_proves_no_mixer_nor_vent() -> None:
    given = Given(n_heard=False, n_inputs=None, n_dt_s=1.0, r_fitted=("vent_proof",))
    state = given.count(3)
    assert (state.enable_off_s, state.refused_s) == (3.0, 3.0)
    assert (state.unproven_s, state.vent_unproven_s) == (3.0, 3.0)


@pytest.mark.parametrize(("mine_kpa", "theirs_kpa", "agree"), [
    (85.0, 85.5, True), (85.5, 85.0, True), (85.0, 85.5625, False), (85.5625, 85.0, False),
    (None, None, True), (85.0, None, False), (None, 85.0, False), (85.0, nan, False)])
def test_pressures_agree_within_half_a_kilopascal_or_when_neither_knows_one(
    mine_kpa: float | None, theirs_kpa: float | None, agree: bool,
) -> None:
    given = Given(n_pressure_kpa=mine_kpa, g_pressure_kpa=theirs_kpa, n_dt_s=1.0)
    assert given.count().pressures_apart_s == (0.0 if agree else 1.0)


def test_k1_is_counted_on_or_off_and_only_off_through_a_gap() -> None:
    given = Given(n_dt_s=1.5, s_k1_on_s=4.0, s_k1_off_s=8.0)
    assert (given.count().k1_on_s, given.state.k1_off_s) == (5.5, 0.0)
    given.seen.dt_s = 60.0
    assert (given.count().k1_on_s, given.state.k1_off_s) == (0.0, 0.0)
    given.seen.commanded = Outputs()
    given.state.k1_on_s = 3.0
    assert (given.count().k1_on_s, given.state.k1_off_s) == (0.0, 60.0)
    given.seen.dt_s = 1.0
    assert given.count().k1_off_s == 61.0


def test_a_mixer_switched_off_is_counted_through_a_gap_and_one_switched_on_not() -> None:
    given = Given(n_dt_s=60.0, o_mixer=False, s_unproven_s=3.0)
    assert (given.count().mixer_off_s, given.state.unproven_s) == (60.0, 0.0)
    given.seen.dt_s = 1.0
    assert given.count().mixer_off_s == 61.0
    given.seen.commanded = RUNS
    assert given.count().mixer_off_s == 0.0


def test_the_guard_is_heard_from_a_tick_before_the_first_word_and_through_a_gap() -> None:
    given = Given(n_dt_s=60.0, s_heard_s=0.0)
    assert [given.count().heard_s for _ in range(2)] == [1.0, 61.0]
    given.seen.dt_s, given.state.heard_s = 0.25, 0.0
    assert given.count().heard_s == 0.25
    given.seen.heard = False
    assert given.count().heard_s == 0.0


@pytest.mark.parametrize(("changes", "seconds"), [
    ({}, 10.875), ({"o_k1": False}, 10.875), ({"i_k1_open": True}, 10.875),
    ({"o_k1": False, "i_k1_open": True}, 9.875), ({"o_k1": False, **NO_INPUTS}, 10.875),
    ({"s_melt_s": 0.0625, **OFF}, 0.0), ({"s_melt_s": 59.5}, 60.0)])
def test_the_elements_time_grows_while_it_may_be_on_and_an_eighth_of_all_time_is_forgotten(
    changes: dict[str, Any], seconds: float,
) -> None:
    assert Given(**{"s_melt_s": 10.0, "n_dt_s": 1.0, **changes}).count().melt_s == seconds


def test_the_rest_after_the_alarm_limit_ends_at_nothing_and_a_gap_counts_two_seconds() -> None:
    given = Given(n_dt_s=60.0, s_alarm_rest_s=3.5)
    assert [given.count().alarm_rest_s for _ in range(2)] == [1.5, 0.0]
    given = Given(n_dt_s=0.5, s_alarm_rest_s=3.5)
    assert given.count().alarm_rest_s == 3.0


def test_vapour_rests_only_while_the_detector_is_read() -> None:
    given = Given(n_dt_s=60.0, s_vapour_rest_s=3.5)
    assert [given.count().vapour_rest_s for _ in range(2)] == [1.5, 0.0]
    assert Given(n_dt_s=0.5, s_vapour_rest_s=3.5, **NO_INPUTS).count().vapour_rest_s == 3.5


def test_vapour_rests_ten_minutes_from_when_it_was_last_seen() -> None:
    given = Given(r_fitted=("vapour_low",), s_vapour_rest_s=3.5, i_vapour_low=False)
    assert not given.prove().vapour_ok and given.state.vapour_rest_s == 600.0


def test_not_a_number_ends_no_rest_and_gives_no_pulse() -> None:
    state = Given(s_alarm_rest_s=nan, s_vapour_rest_s=nan, s_melt_s=nan).count()
    assert not state.alarm_rest_s <= 0.0 and not state.vapour_rest_s <= 0.0
    assert state.melt_s == 60.0


def test_presence_ages_through_a_gap_and_nobody_stays_nobody() -> None:
    given = Given(n_dt_s=600.0)
    assert given.count().presence_age_s == 660.0
    assert Given(n_dt_s=600.0, s_presence_age_s=None).count().presence_age_s is None


@pytest.mark.parametrize(("changes", "asked_s"), [
    ({"s_presence_age_s": 3299.0}, 1.0), ({"s_presence_age_s": 3298.0}, 0.0),
    ({"s_presence_age_s": 1499.0, "n_flag": True}, 1.0),
    ({"s_presence_age_s": 1498.0, "n_flag": True}, 0.0)])
def test_presence_is_asked_for_from_five_minutes_before_it_is_overdue(
    changes: dict[str, Any], asked_s: float,
) -> None:
    given = Given(**changes, n_dt_s=1.0, s_energised=True)
    assert given.count().presence_asked_s == asked_s


def test_a_typed_reason_counts_for_ten_minutes() -> None:
    ages_s = {"sump": 596.0, "vent": 598.0, "lid": 598.5, "level": nan}
    given = Given(n_dt_s=2.0, s_reasons_age_s=ages_s)
    assert given.count().reasons_age_s == {"sump": 598.0, "vent": 600.0}


def test_count_judges_both_probes_and_says_whether_a_is_new() -> None:
    given = Given(n_dt_s=1.0)
    given.state.probe_a, given.state.probe_b = ProbeJudge(), ProbeJudge()
    assert counters.count(given.state, given.seen, given.reactor)
    assert (given.state.probe_a.good_c, given.state.probe_b.good_c) == (54.0, 54.0)
    assert not counters.count(given.state, given.seen, given.reactor)


@pytest.mark.parametrize("changes", [{"n_heard": False}, {"n_guard": None}])
def test_probe_b_of_a_guard_that_is_not_heard_is_not_judged(changes: dict[str, Any]) -> None:
    given = Given(n_dt_s=1.0, **changes)
    given.state.probe_b = ProbeJudge()
    assert given.count().probe_b.good_c is None


# -- the conditions ----------------------------------------------------------------------------

WISH = {"wanted": True, "heating": True, "mixing": True, "flag": True, "flowed": True}
ASKED = {"wanted", "flowed", "energised", "energised_asked", "heating", "mixing", "heard",
         "energised_flag"}


@pytest.mark.parametrize(("fact", "wish", "lost"), [
    ("", {}, set()),
    ("guard_heard", {}, {"energised", "energised_asked", "heating", "mixing", "heard",
                         "energised_flag"}),
    ("tick_on_time", {}, {"wanted", "energised", "energised_asked", "heating", "mixing",
                          "energised_flag"}),
    ("presence_asked", {}, {"energised_asked"}),
    ("", {"wanted": False}, {"wanted", "energised", "energised_asked", "energised_flag"}),
    ("", {"heating": False}, {"heating"}), ("", {"mixing": False}, {"mixing"}),
    ("", {"flag": False}, {"energised_flag"}), ("", {"flowed": False}, {"flowed"})],
    ids=lambda given: str(sorted(given) if isinstance(given, set) else given))  # any hash seed
def test_a_condition_holds_when_it_is_wished_and_known(
    fact: str, wish: dict[str, bool], lost: set[str],
) -> None:
    facts = SafetyFacts(guard_heard=True, tick_on_time=True, presence_asked=True)
    if fact:
        setattr(facts, fact, False)
    proof.condition(facts, **{**WISH, **wish})
    assert {name for name in ASKED if getattr(facts, name) is not True} == lost
    assert facts.never is False and facts.always is True


def test_gaps_are_told_at_the_very_ten_seconds_and_over_at_the_very_none() -> None:
    told = Gaps(9.0)
    gaps.count(told, False, 1.0)
    assert told == Gaps(10.0, True)
    over = Gaps(1.0, True)
    gaps.count(over, True, 20.0)  # a twentieth of what was in time
    assert over == Gaps()
