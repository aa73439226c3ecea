"""What the table took away is back after 30 s without a reason; losing it often is told."""

from __future__ import annotations

import pytest

from esterward.safety import gate
from esterward.safety.state import SafetyState, restarted
from esterward.values.events import EventLog

LETTERS = {"H": "heat", "M": "mixer", "A": "air"}


class Grants:
    """One grant for each call, everything wished for."""

    def __init__(self) -> None:
        self.state, self.log = SafetyState(), EventLog(0, 0.0)

    def look(self, removed: str = "", *, seconds: float = 1.0, wished: str = "HMA") -> str:
        given = gate.grant(
            self.state, {LETTERS[letter]: "why" for letter in removed}, heat="H" in wished,
            mixer="M" in wished, air="A" in wished, dt_s=seconds, log=self.log)
        return "".join(letter for letter, name in LETTERS.items() if getattr(given, name))


def test_each_output_waits_for_thirty_seconds_without_a_reason_of_its_own() -> None:
    grants = Grants()
    assert grants.look() == "HMA"
    assert grants.look("HA") == "M"
    for _ in range(29):
        assert grants.look() == "M"
        assert grants.state.withheld == {"heat": "why", "air": "why"}
    assert grants.look() == "HMA"
    assert (grants.state.withheld, grants.state.waits_s) == ({}, {})
    assert [event.kind for event in grants.log.events] == ["grant_withheld"] * 2


def test_a_reason_that_comes_back_begins_the_wait_anew() -> None:
    grants = Grants()
    grants.look()
    closings = 0
    for second in range(600):
        before = bool(grants.state.granted)
        closings += grants.look("HMA" if second % 20 == 0 else "") != "" and not before
    assert closings == 0
    for _ in range(10):
        assert grants.look() == ""
    assert grants.look() == "HMA"


def test_what_never_ran_waits_for_nothing() -> None:
    grants = Grants()
    assert grants.look("HMA") == ""
    assert grants.look() == "HMA"


def test_what_is_not_wished_for_any_more_waits_no_more() -> None:
    grants = Grants()
    grants.look()
    grants.look("H")
    assert grants.look(wished="MA") == "MA" and grants.state.withheld == {}
    assert grants.look() == "HMA"


def test_a_pulse_that_ends_is_not_one_that_was_taken_away() -> None:
    grants = Grants()
    assert grants.look(wished="H") == "H"
    assert grants.look("H", wished="") == ""
    assert grants.look(wished="H") == "H"


def test_of_a_gap_one_second_counts() -> None:
    grants = Grants()
    grants.look()
    grants.look("H")
    assert [grants.look(seconds=1000.0) for _ in range(30)] == ["MA"] * 29 + ["HMA"]


def test_seconds_kept_waiting_without_a_reason_add_up_and_are_forgotten_as_fast() -> None:
    grants = Grants()
    grants.look()
    for _ in range(10):
        grants.look("H")
    assert grants.state.waited_s == 0.0, "there is a reason, and it has its own row"
    for _ in range(29):
        grants.look()
    grants.look("H")
    assert grants.state.waited_s == 29.0
    for _ in range(29):
        grants.look()
    assert grants.state.waited_s == 58.0
    for _ in range(9):
        grants.look()
    assert grants.state.waited_s == 49.0
    for _ in range(50):
        grants.look()
    assert grants.state.waited_s == 0.0


def test_a_flicker_of_hours_is_told_no_longer_than_half_a_minute_after_its_end() -> None:
    grants = Grants()
    grants.look()
    for second in range(7200):
        grants.look("H" if second % 20 == 0 else "")
    assert grants.state.waited_s == 150.0


@pytest.mark.parametrize("left_s", [float("nan"), 1e9])
def test_a_wait_that_is_no_number_or_endless_lets_nothing_through(left_s: float) -> None:
    grants = Grants()
    grants.look()
    grants.look("H")
    grants.state.waits_s["heat"] = left_s
    assert [grants.look() for _ in range(100)] == ["MA"] * 100


def test_after_a_restart_nothing_waits_but_for_a_person() -> None:
    grants = Grants()
    grants.look()
    grants.look("H")
    assert restarted(grants.state).waits_s == {}
