"""The faults a person is told of, and the life of an alarm (IEC 62682) by itself.

FAULTS_KEPT is kept by hand: code, how bad, how it is reset. Who changes a row says so here too.
"""

from __future__ import annotations

import pytest

from esterward.safety import alarms, limits
from esterward.safety.alarms import AlarmEntry
from esterward.safety.faults import FAULTS, HELD_WORDS
from esterward.safety.interlocks import INTERLOCKS
from esterward.values.events import EventLog

FAULTS_KEPT = """
e-stop           trip   local
cut-out          trip   service
guard-silent     trip   local
guard-refuses    fault  local
guard-disagrees  trip   service
over-trip        trip   local
over-alarm       alarm  auto
probe-a          trip   local
probe-b          trip   local
probe-a-slow     alarm  auto
probe-b-slow     alarm  auto
probes-apart     trip   local
probe-stuck      trip   local
level            trip   local
mixer            trip   local
mixer-runs-on    trip   service
k1-welded        trip   service
k1-open          fault  auto
k2-welded        trip   service
k1-chatter       trip   service
k2-chatter       trip   service
k2-open          fault  auto
no-response      trip   local
over-response    trip   service
half-power       alarm  auto
unsteady         alarm  auto
warming-off      trip   service
presence         fault  auto
methanol         note   auto
lid              trip   local
vent             trip   local
vapour           trip   service
sump             trip   local
drain            fault  local
cut-out-2        trip   service
record           fault  local
supply-low       alarm  auto
supply           trip   local
limits           fault  auto
restarts         trip   service
record-lost      trip   service
guard-resets     trip   service
slow             fault  auto
controller-late  alarm  auto
"""


def test_every_fault_is_as_bad_and_is_reset_as_the_hand_kept_table_says() -> None:
    assert {(row.code, row.severity, row.reset) for row in FAULTS.values()} == {
        tuple(line.split()) for line in FAULTS_KEPT.split("\n") if line}


def test_every_fault_has_a_sentence_and_says_what_to_do() -> None:
    for code, row in FAULTS.items():
        assert row.code == code and row.sentence.endswith(".") and row.action.endswith("."), code
    assert len({row.sentence for row in FAULTS.values()}) == len(FAULTS)


def test_no_service_reset_is_told_as_blue_before_a_reason_is_typed() -> None:
    for code, row in FAULTS.items():
        before, blue, _ = row.action.partition("hold blue")
        assert row.reset != "service" or not blue or "Type what it was, then " in before, code


def test_every_fault_that_stops_a_batch_has_the_words_of_what_it_was_held_for() -> None:
    assert set(HELD_WORDS) == {row.code for row in INTERLOCKS if row.reaction}
    assert HELD_WORDS["slow"] == "the controller stood still"


def test_an_alarm_that_stands_for_a_while_after_its_cause_says_for_how_long() -> None:
    minutes = f"{limits.ALARM_REST_S / 60.0:.0f} minutes"
    assert f"or was within the last {minutes}" in FAULTS["over-alarm"].sentence


def test_what_is_to_be_restarted_and_where_to_look_is_named() -> None:
    assert "restart the board when its sensor hangs" in FAULTS["supply"].action
    assert "The line `waits` names what for" in FAULTS["unsteady"].action
    for code in ("probe-a-slow", "probe-b-slow"):
        assert "two probes at most on one bus" in FAULTS[code].action, code
    assert "a press may go unseen" in FAULTS["controller-late"].action


class Alarms:
    """A list of alarms and the log of what was noted of them."""

    def __init__(self, *raised: str, latches: tuple[str, ...] = ()) -> None:
        self.entries: dict[str, AlarmEntry] = {}
        self.latches, self.log = list(latches), EventLog(0, 0.0)
        for code in raised:
            alarms.raise_alarm(self.entries, code, self.log)

    def raised(self, code: str) -> None:
        alarms.raise_alarm(self.entries, code, self.log)

    def returned(self, code: str) -> None:
        alarms.return_alarm(self.entries, code, code in self.latches, self.log)

    def acknowledge(self, code: str = "") -> int:
        return alarms.acknowledge(self.entries, self.latches, self.log, code)

    def words(self) -> dict[str, str]:
        return {row.code: row.state for row in alarms.listed(self.entries, self.latches)}

    def kinds(self) -> list[str]:
        return [event.kind.removeprefix("alarm_") for event in self.log.events]


def test_an_alarm_that_is_there_is_one_entry_however_often_it_is_raised() -> None:
    world = Alarms("sump", "sump")
    assert world.words() == {"sump": "unacknowledged"} and world.kinds() == ["raised"]
    assert alarms.unacknowledged(world.entries)
    assert world.log.events[0].data == {
        "code": "sump", "severity": "trip", "sentence": FAULTS["sump"].sentence,
        "action": FAULTS["sump"].action}
    world.acknowledge()
    world.raised("sump")
    assert world.words() == {"sump": "acknowledged"} and world.kinds()[-1] == "acknowledged"
    assert not alarms.unacknowledged(world.entries)


def test_an_alarm_that_comes_back_is_not_acknowledged_any_more() -> None:
    world = Alarms("sump", latches=("sump",))
    world.acknowledge()
    world.returned("sump")
    world.raised("sump")
    assert world.words() == {"sump": "unacknowledged"}
    assert world.kinds() == ["raised", "acknowledged", "returned", "raised"]


@pytest.mark.parametrize(("latches", "seen_first", "word"), [
    ((), False, "returned"), (("sump",), False, "latched"), (("sump",), True, "latched"),
    ((), True, "")])
def test_an_alarm_whose_cause_is_gone_stays_until_it_is_seen_and_reset(
    latches: tuple[str, ...], seen_first: bool, word: str,
) -> None:
    world = Alarms("sump", latches=latches)
    if seen_first:
        world.acknowledge()
    world.returned("sump")
    world.returned("sump")
    assert world.words() == ({"sump": word} if word else {})
    assert world.kinds().count("returned") == 1
    world.acknowledge()
    assert world.words() == ({"sump": "latched"} if latches else {})


def test_what_was_never_raised_returns_without_a_word() -> None:
    world = Alarms()
    world.returned("sump")
    assert (world.entries, world.log.events) == ({}, [])


def test_one_is_acknowledged_by_its_name_and_all_without_one_and_each_once() -> None:
    world = Alarms("sump", "lid", "vent")
    assert world.acknowledge("lid") == 1
    assert world.words() == {"sump": "unacknowledged", "lid": "acknowledged",
                             "vent": "unacknowledged"}
    assert world.acknowledge("lid") == 0 and world.acknowledge("drain") == 0
    assert world.acknowledge() == 2 and world.acknowledge() == 0
    assert [event.data["code"] for event in world.log.events][3:] == ["lid", "sump", "vent"]


@pytest.mark.parametrize(("code", "sounds"), [
    ("sump", True), ("drain", True), ("half-power", True), ("methanol", False)])
def test_a_trip_a_fault_and_an_alarm_are_heard_until_seen_and_a_note_is_not(
    code: str, sounds: bool,
) -> None:
    world = Alarms(code)
    assert alarms.sounding(world.entries) is sounds
    world.acknowledge()
    assert not alarms.sounding(world.entries)


@pytest.mark.parametrize(("code", "latches", "sounds"), [
    ("sump", ("sump",), True), ("probe-a", (), True), ("k1-open", (), True),
    ("supply-low", (), False), ("over-alarm", (), False), ("half-power", (), False)])
def test_once_its_cause_is_gone_a_trip_or_a_fault_is_heard_on_and_an_alarm_is_only_listed(
    code: str, latches: tuple[str, ...], sounds: bool,
) -> None:
    world = Alarms(code, latches=latches)
    world.returned(code)
    assert alarms.sounding(world.entries) is sounds
    assert world.words() == {code: "latched" if latches else "returned"}, "listed all the same"
    world.raised(code)
    assert alarms.sounding(world.entries), "and heard again when it comes back"
    world.returned(code)
    world.acknowledge()
    assert not alarms.sounding(world.entries)


def test_whatever_latches_is_heard_until_seen_also_when_its_cause_has_gone() -> None:
    assert {FAULTS[row.code].severity for row in INTERLOCKS if row.latches} == {"trip", "fault"}


def test_of_several_one_unseen_is_enough_to_be_heard_and_none_is_silence() -> None:
    world = Alarms("sump", "methanol", "lid")
    world.acknowledge("sump")
    assert alarms.sounding(world.entries)
    world.acknowledge("lid")
    assert not alarms.sounding(world.entries) and not alarms.sounding({})


def test_the_list_begins_with_what_is_latched_in_its_order_and_names_each_once() -> None:
    world = Alarms("lid", "sump", "half-power", latches=("sump", "vent", "lid"))
    rows = alarms.listed(world.entries, world.latches)
    assert [row.code for row in rows] == ["sump", "lid", "half-power"]
    assert (rows[2].severity, rows[2].state) == ("alarm", "unacknowledged")
    assert rows[2].sentence == FAULTS["half-power"].sentence
    assert rows[2].action == FAULTS["half-power"].action
    assert alarms.listed({}, ["sump"]) == ()
