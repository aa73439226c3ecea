"""Table and gate by themselves: which lost fact takes what, asks for what, latches what.

The rows are kept by hand and made from nothing in the code. The whole tick with the same faults is
in test_interlocks.py and cause_and_effect.txt.
"""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from esterward.safety import gate
from esterward.safety.alarms import AlarmEntry
from esterward.safety.facts import SafetyFacts
from esterward.safety.interlocks import INTERLOCKS, Interlock, waits_for_the_flag
from esterward.safety.state import SafetyState
from esterward.values.events import EventLog

# fact lost          told while      may still run, code, reaction, latch, after s (a look each 0.5)
ROWS = """
tick_on_time         flowed            -   slow             hold   -      0
guard_heard          wanted            -   guard-silent     hold   latch  0
guard_heard          guarded           -   guard-silent     -      -      60
estop_closed         heard             -   e-stop           abort  latch  0
cutout_closed        heard             -   cut-out          abort  latch  0
vapour_ok            heard             -   vapour           abort  latch  0
sump_ok              heard             -   sump             abort  latch  0
below_trip           known_clear       -   over-trip        abort  latch  0
below_trip           known_set         -   over-trip        hold   latch  0
below_alarm          known             M   over-alarm       -      -      0
level_wet            -                 MA  level            -      -      -
level_now            heating           MA  level            hold   latch  0
level_or_hand        mixing            HA  level            hold   latch  0
lid_ok               energised_flag    -   lid              hold   latch  0
lid_ok               energised         -   lid              -      -      60
drain_ok             energised         A   drain            hold   latch  0
vent_ok              energised         -   vent             hold   latch  0
cutout2_ok           heating           MA  cut-out-2        hold   latch  0
k1_obeys_off         heard             -   k1-welded        abort  latch  0
k2_obeys_off         heard             -   k2-welded        abort  latch  0
k1_quiet             heard             -   k1-chatter       abort  latch  0
k2_quiet             heard             -   k2-chatter       abort  latch  0
mixer_stops          heard             -   mixer-runs-on    abort  latch  0
guard_agrees         heard             -   guard-disagrees  hold   latch  0
probe_a_fresh        energised         M   probe-a          hold   latch  6
probe_b_fresh        energised         M   probe-b          hold   latch  6
probe_a_fresh        always            M   probe-a          -      -      60
probe_b_fresh        heard             M   probe-b          -      -      60
probe_a_quick        always            HMA probe-a-slow     -      -      0
probe_b_quick        always            HMA probe-b-slow     -      -      0
ticks_steady         always            HMA controller-late  -      -      0
probes_agree         -                 M   probes-apart     -      -      -
probes_together      energised         M   probes-apart     hold   latch  60
probes_move          heating           M   probe-stuck      hold   latch  0
mixer_or_melt        -                 MA  mixer            -      -      -
mixer_starts         mixing            A   mixer            hold   latch  0
k2_obeys_on          energised         MA  k2-open          hold   -      0
k1_obeys_on          heating           MA  k1-open          hold   -      0
element_warms        heating           MA  no-response      hold   latch  0
element_not_double   heating           MA  over-response    hold   latch  0
element_not_half     heating           HMA half-power       -      -      0
rests_when_off       known             -   warming-off      abort  latch  0
presence             energised_asked   -   presence         pause  -      0
methanol_allows_heat -                 MA  methanol         -      -      -
record_stores        energised         MA  record           hold   latch  0
record_stores        always            MA  record           -      -      0
supply_recovers      energised         M   supply           hold   latch  0
supply_good          always            HMA supply-low       -      -      0
limits_known         -                 MA  limits           -      -      -
steady               energised         HMA unsteady         -      -      0
starts_clean         heard             -   restarts         hold   latch  0
past_known           always            -   record-lost      hold   latch  0
guard_resets_left    heard             -   guard-resets     hold   latch  0
guard_enables        energised         MA  guard-refuses    hold   -      3
"""
PARTS = [line.split() for line in ROWS.split("\n") if line]
CONDITIONS = ("wanted", "flowed", "energised", "energised_asked", "heating", "mixing",
              "known_clear", "known_set", "known", "heard", "energised_flag", "guarded", "always")


def facts_with(*conditions: str, lost: tuple[str, ...] = ()) -> SafetyFacts:
    """Everything proven but what is lost; only these conditions hold."""
    facts = SafetyFacts()
    for field in fields(SafetyFacts):
        setattr(facts, field.name, field.name not in (*CONDITIONS, "never", *lost)
                or field.name in conditions)
    return facts


class Looks:
    """Judge and grant once for each look, everything wished for."""

    def __init__(self, table: tuple[Interlock, ...] = INTERLOCKS) -> None:
        self.state, self.table = SafetyState(), table
        self.log = EventLog(0, 0.0)

    def look(self, facts: SafetyFacts, dt_s: float = 0.5) -> str:
        removed = gate.judge(self.state, facts, dt_s, self.log, self.table)
        given = gate.grant(self.state, removed, heat=True, mixer=True, air=True, dt_s=dt_s,
                           log=self.log)
        return "".join(letter for letter, on in zip("HMA", (given.heat, given.mixer, given.air),
                                                    strict=True) if on) or "-"

    def asked(self) -> tuple[bool, bool, bool]:
        return self.state.hold, self.state.abort, self.state.pause

    def said(self, kind: str) -> list[object]:
        return [event.data.get("code") for event in self.log.events if event.kind == kind]


def test_the_hand_kept_rows_are_all_rows_of_the_table() -> None:
    assert sorted((row.needs, row.when.replace("never", "-"), row.code) for row in INTERLOCKS) == (
        sorted((lost, when, code) for lost, when, _, code, *_ in PARTS))


@pytest.mark.parametrize("part", PARTS, ids=lambda part: f"{part[3]}/{part[0]}/{part[1]}")
def test_a_lost_fact_takes_asks_and_latches_what_the_hand_kept_row_says(part: list[str]) -> None:
    lost, when, runs, code, reaction, latch, after = part
    others = tuple(other[1] for other in PARTS if other[0] == lost and other[1] != "-")
    bench, facts = Looks(), facts_with(when, lost=(lost,))
    if when == "-":
        facts = facts_with(*(set(CONDITIONS) - set(others)), lost=(lost,))
    seconds = 0.0
    while bench.look(facts) == runs and code not in bench.state.alarms and seconds < 100.0:
        assert bench.asked() == (False, False, False) and bench.state.reason == ""
        seconds += 0.5
    assert f"{seconds:g}" == (after if after != "-" else "100")
    assert bench.state.latches == ([code] if latch == "latch" else [])
    assert bench.asked() == tuple(reaction == word for word in ("hold", "abort", "pause"))
    assert bench.state.reason == (code if reaction != "-" else "")
    assert bench.look(facts) == ("-" if latch == "latch" else runs), "a latch takes everything"


def test_with_everything_proven_all_is_granted_and_nothing_asked() -> None:
    bench = Looks()
    assert bench.look(facts_with(*CONDITIONS)) == "HMA"
    assert bench.asked() == (False, False, False)
    assert (bench.state.alarms, bench.state.withheld, bench.log.events) == ({}, {}, [])


def test_what_is_not_wished_is_not_granted_and_its_loss_not_told() -> None:
    state, log = SafetyState(), EventLog(0, 0.0)
    given = gate.grant(state, {}, heat=False, mixer=False, air=False, dt_s=0.5, log=log)
    assert given == gate.Grant(False, False, False) == gate.Grant()
    gate.grant(state, {"heat": "x", "mixer": "x", "air": "x"}, heat=False, mixer=False, air=False,
               dt_s=0.5, log=log)
    assert (state.withheld, log.events) == ({}, [])


def test_only_a_first_latch_that_a_clear_flag_may_end_waits_for_the_flag() -> None:
    of_the_flag = {part[3] for part in PARTS if waits_for_the_flag([part[3]])}
    assert of_the_flag == {"over-trip", "cut-out-2"}
    assert waits_for_the_flag(["over-trip", "e-stop"])
    assert not waits_for_the_flag(["e-stop", "over-trip"]) and not waits_for_the_flag([])


@pytest.mark.parametrize("value", [None, float("nan"), 1, "yes"])
def test_only_a_true_fact_is_proven_and_only_a_true_condition_holds(value: object) -> None:
    bench, facts = Looks(), facts_with("heard")
    facts.estop_closed = value  # type: ignore[assignment]
    assert bench.look(facts) == "-" and bench.state.latches == ["e-stop"]
    bench, facts = Looks(), facts_with(lost=("estop_closed",))
    facts.heard = value  # type: ignore[assignment]
    assert bench.look(facts) == "-" and bench.state.latches == []


def test_an_abort_is_the_reason_before_a_hold_and_a_hold_before_a_pause() -> None:
    bench = Looks()
    bench.look(facts_with("known", "energised", "energised_asked",
                          lost=("drain_ok", "presence", "rests_when_off")))
    assert bench.asked() == (True, True, True) and bench.state.reason == "warming-off"
    bench = Looks()
    bench.look(facts_with("energised", "energised_asked", lost=("drain_ok", "presence")))
    assert bench.asked() == (True, False, True) and bench.state.reason == "drain"


def test_of_several_causes_the_first_row_is_told_and_latched_first() -> None:
    bench = Looks()
    bench.look(facts_with("heard", "energised", lost=("vent_ok", "drain_ok", "sump_ok")))
    assert bench.state.latches == ["sump", "drain", "vent"]
    assert bench.state.withheld == dict.fromkeys(("heat", "mixer", "air"), "sump")
    bench.look(facts_with("heard", lost=("estop_closed",)))
    assert bench.state.latches == ["sump", "drain", "vent", "e-stop"], "the first stays first"
    firsts = [event.data["first_out"] for event in bench.log.events if event.kind == "latched"]
    assert firsts == [True, False, False, False]


def test_a_missing_fact_is_named_before_the_latch_and_the_first_of_two_before_the_second() -> None:
    bench = Looks()
    bench.look(facts_with("heard", lost=("sump_ok",)))
    bench.look(facts_with(lost=("level_wet", "methanol_allows_heat")))
    assert bench.state.withheld == {"heat": "level", "mixer": "sump", "air": "sump"}


def test_what_is_withheld_is_noted_once_until_its_reason_changes_or_it_was_granted() -> None:
    bench, lost = Looks(), facts_with(lost=("methanol_allows_heat",))
    for facts, notes in ((lost, 1), (lost, 1), (facts_with(lost=("level_wet",)), 2),
                         (facts_with(), 2), (lost, 3)):
        bench.look(facts)
        assert len([e for e in bench.log.events if e.kind == "grant_withheld"]) == notes
    assert [(e.data["output"], e.data["why"]) for e in bench.log.events] == [
        ("heat", "methanol"), ("heat", "level"), ("heat", "methanol")]


@pytest.mark.parametrize("between", [facts_with("energised"), facts_with(lost=("probe_a_fresh",))],
                         ids=["the fact is back", "nothing is energised"])
def test_a_delay_begins_anew_once_it_was_interrupted(between: SafetyFacts) -> None:
    bench, lost = Looks(), facts_with("energised", lost=("probe_a_fresh",))
    for facts in (*[lost] * 12, between, *[lost] * 12):
        bench.look(facts)
        assert bench.state.latches == []
    bench.look(lost)
    assert bench.state.latches == ["probe-a"]


def test_a_delay_counts_from_the_look_that_first_saw_it() -> None:
    bench, lost = Looks(), facts_with("energised", lost=("guard_enables",))
    bench.look(lost, dt_s=60.0)
    assert bench.state.alarms == {}
    bench.look(lost, dt_s=3.0)
    assert list(bench.state.alarms) == ["guard-refuses"]


def test_two_rows_of_one_code_count_each_for_itself() -> None:
    """Else "told at rest" would inherit the seconds of "while energised", or the other way."""
    bench = Looks()
    for _ in range(100):
        bench.look(facts_with("always", lost=("probe_a_fresh",)))
    bench.look(facts_with("always", "energised", lost=("probe_a_fresh",)))
    assert bench.state.alarms == {} and sorted(bench.state.bad_s.values()) == [0.0, 50.0]


# -- alarms, latches, resets -------------------------------------------------------------------


def test_an_alarm_stays_present_while_its_cause_does_and_a_latch_keeps_it_listed() -> None:
    bench = Looks()
    bench.look(facts_with("heard", lost=("sump_ok",)))
    entry = bench.state.alarms["sump"]
    entry.acknowledged = True
    bench.look(facts_with(lost=("sump_ok",)))
    assert entry.present, "latched and still bad, whether anything is wanted or not"
    bench.look(facts_with())
    assert not entry.present and bench.state.alarms == {"sump": entry}
    assert bench.said("alarm_raised") == bench.said("alarm_returned") == ["sump"]


def test_an_acknowledged_alarm_without_a_latch_goes_with_its_cause() -> None:
    bench = Looks()
    bench.look(facts_with("heating", lost=("element_not_half",)))
    bench.state.alarms["half-power"].acknowledged = True
    bench.look(facts_with("heating", lost=("element_not_half",)))
    assert list(bench.state.alarms) == ["half-power"]
    bench.look(facts_with("heating"))
    assert bench.state.alarms == {}


def test_a_cause_without_latch_that_is_no_longer_asked_about_returns() -> None:
    bench = Looks()
    bench.look(facts_with("heating", lost=("element_not_half",)))
    bench.look(facts_with(lost=("element_not_half",)))
    assert not bench.state.alarms["half-power"].present
    bench = Looks()
    bench.state.latches = ["half-power"]  # of another table: this row latches nothing
    bench.look(facts_with("heating", lost=("element_not_half",)))
    bench.look(facts_with(lost=("element_not_half",)))
    assert not bench.state.alarms["half-power"].present


class Latched(Looks):
    """Tripped for a code; everything is proven again unless a test says otherwise."""

    def __init__(self, *lost: str) -> None:
        super().__init__()
        self.look(facts_with("heard", "heating", "energised", lost=lost))

    def blue(self, facts: SafetyFacts | None = None) -> str:
        return gate.ask_reset(self.state, facts or facts_with(), self.log)


def test_a_reset_drops_the_latch_once_its_event_is_on_disk_and_not_before() -> None:
    bench = Latched("sump_ok")
    bench.look(facts_with())
    bench.state.reasons_age_s = {"sump": 3.0, "e-stop": 3.0}
    assert bench.blue() == "" and bench.said("latch_reset") == ["sump"]
    number = bench.log.last
    assert (bench.state.pending_reset, bench.state.pending_number) == ("sump", number)
    gate.finish_reset(bench.state, number - 1)
    assert bench.state.latches == ["sump"] and bench.look(facts_with()) == "-"
    gate.finish_reset(bench.state, number)
    assert (bench.state.latches, bench.state.alarms, bench.state.pending_reset) == ([], {}, "")
    assert bench.state.reasons_age_s == {"e-stop": 3.0}, "a typed reason serves one reset"
    assert bench.look(facts_with()) == "HMA"


def test_a_reset_on_its_way_to_the_disk_is_not_asked_twice() -> None:
    bench = Latched("sump_ok")
    bench.look(facts_with())
    assert [bench.blue(), bench.blue()] == ["", ""]
    assert bench.state.resets == {"sump": 1} and bench.said("latch_reset") == ["sump"]


def test_without_a_latch_a_reset_does_nothing() -> None:
    bench = Latched()
    before = replace(bench.state)
    assert bench.blue() == ""
    gate.finish_reset(bench.state, 10**9)
    assert bench.state == before and bench.log.events == []


def test_a_cause_that_is_still_there_is_not_reset_and_that_is_said() -> None:
    bench = Latched("sump_ok")
    bench.look(facts_with(lost=("sump_ok",)))
    assert bench.blue(facts_with(lost=("sump_ok",))) == "sump: its cause is still there"
    bench.state.alarms.clear()
    assert bench.blue(facts_with(lost=("sump_ok",))), "whether or not it is told"
    assert (bench.state.resets, bench.state.pending_reset) == ({}, "")


@pytest.mark.parametrize(("lost", "later"), [
    ("level_now", "level_wet"), ("probes_together", "probes_agree"),
    ("mixer_starts", "mixer_or_melt")])
def test_a_row_that_latches_nothing_keeps_no_latch_of_its_code(lost: str, later: str) -> None:
    """The float must have been wet for 10 s for heat, and only now for a reset."""
    bench = Looks()
    for _ in range(121):
        bench.look(facts_with("heating", "mixing", "energised", "energised_flag", lost=(lost,)))
    assert len(bench.state.latches) == 1
    bench.look(facts_with(lost=(later,)))
    assert gate.ask_reset(bench.state, facts_with(lost=(later,)), bench.log) == ""


def test_another_codes_row_and_another_codes_alarm_keep_no_latch() -> None:
    bench = Latched("sump_ok", "element_not_half")
    bench.look(facts_with("heating", lost=("element_not_half", "drain_ok")))
    assert bench.state.alarms["half-power"].present
    assert bench.blue(facts_with(lost=("drain_ok",))) == ""


def test_a_latch_whose_alarm_is_still_present_is_not_reset() -> None:
    """A code of an older table may have no row any more: then only its alarm can tell."""
    bench = Looks(())
    bench.state.latches, bench.state.alarms = ["sump"], {"sump": AlarmEntry()}
    assert gate.ask_reset(bench.state, facts_with(), bench.log, ()).endswith("still there")
    bench.state.alarms["sump"].present = False
    assert gate.ask_reset(bench.state, facts_with(), bench.log, ()) == ""


def test_a_cause_that_came_back_while_its_reset_was_being_stored_stays_listed() -> None:
    bench = Latched("sump_ok")
    bench.look(facts_with())
    bench.blue()
    bench.look(facts_with("heard", lost=("sump_ok",)))
    gate.finish_reset(bench.state, bench.log.last)
    assert bench.state.alarms["sump"].present and bench.state.latches == []
    bench.look(facts_with("heard", lost=("sump_ok",)))
    assert bench.state.latches == ["sump"], "and latches again in the same tick"


def test_a_reset_found_on_disk_after_a_start_with_no_latch_left_only_ends() -> None:
    bench = Looks()
    bench.state.pending_reset, bench.state.pending_number = "sump", 7
    gate.finish_reset(bench.state, 7)
    assert (bench.state.pending_reset, bench.state.latches) == ("", [])


def test_resets_go_one_at_a_time_the_first_cause_first() -> None:
    bench = Latched("sump_ok", "drain_ok")
    bench.look(facts_with())
    assert bench.state.latches == ["sump", "drain"]
    bench.blue()
    gate.finish_reset(bench.state, bench.log.last)
    assert bench.state.latches == ["drain"]


@pytest.mark.parametrize(("lost", "code", "before"), [
    ("cutout_closed", "cut-out", 0), ("sump_ok", "sump", 3), ("sump_ok", "sump", 4)])
def test_what_is_for_service_and_the_fourth_reset_of_one_cause_need_a_typed_reason(
    lost: str, code: str, before: int,
) -> None:
    bench = Latched(lost)
    bench.look(facts_with())
    bench.state.resets[code] = before
    assert bench.blue() == (
        f"{code}: type `esterward record reset {code} --why TEXT` on the machine first")
    assert (bench.state.resets, bench.state.pending_reset) == ({code: before}, "")
    bench.state.reasons_age_s["e-stop"] = 1.0
    assert bench.blue() != "", "one for another cause is none"
    bench.state.reasons_age_s[code] = 1.0
    assert bench.blue() == "" and bench.state.resets == {code: before + 1}


def test_a_reset_outside_a_batch_ends_what_the_last_one_counted() -> None:
    bench = Latched("sump_ok")
    bench.look(facts_with())
    bench.state.resets.update({"sump": 2, "e-stop": 3})
    assert gate.ask_reset(bench.state, facts_with(), bench.log, counts=False) == ""
    assert bench.state.resets == {"e-stop": 3} and bench.state.pending_reset == "sump"
    assert bench.log.events[-1].data == {"code": "sump", "resets": 0}


@pytest.mark.parametrize("before", [0, 2])
def test_the_first_three_resets_of_a_cause_in_a_batch_need_hands_only(before: int) -> None:
    bench = Latched("sump_ok")
    bench.look(facts_with())
    bench.state.resets["sump"] = before
    assert bench.blue() == "" and bench.state.resets == {"sump": before + 1}
    event = bench.log.events[-1]
    assert event.data == {"code": "sump", "resets": before + 1}
