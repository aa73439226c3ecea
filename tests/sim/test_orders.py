"""Fault orders as a person types them: what is read, and one sentence for what is not."""

from __future__ import annotations

import pytest

from esterward_sim.orders import FaultOrder, Moment, parse_moment, parse_orders
from esterward_sim.plant.faults import ROWS


@pytest.mark.parametrize(("text", "order"), [
    ("k1_welded@600", FaultOrder("k1_welded", 600.0)),
    ("k1_welded@heat+600", FaultOrder("k1_welded", 600.0, "heat")),
    ("lid_open@dose+700-760", FaultOrder("lid_open", 700.0, "dose", 760.0)),
    ("weather=-5@mix+0", FaultOrder("weather", 0.0, "mix", None, -5.0)),
    ("probe_a_offset=2.5@0-1.5", FaultOrder("probe_a_offset", 0.0, "", 1.5, 2.5)),
    ("level_stuck_wet@idle+0", FaultOrder("level_stuck_wet", 0.0, "idle")),
])
def test_an_order_is_read_and_reads_the_same_again(text: str, order: FaultOrder) -> None:
    assert FaultOrder.parse(text) == order
    assert FaultOrder.parse(str(order)) == order


@pytest.mark.parametrize(("text", "words"), [
    ("k1_weld@600", "did you mean k1_welded"),
    ("lid@600", "did you mean lid_open"),
    ("zzz@600", "see esterward rehearse --faults"),
    ("", "there is no fault ''"),
    ("k1_welded", "when does it start?"),
    ("k1_welded@", "when does it start?"),
    ("k1_welded@heat", "must be seconds"),
    ("k1_welded@hat+3", "did you mean heat"),
    ("k1_welded@Heat+3", "no stage 'Heat'"),
    ("k1_welded@-3", "must be seconds"),
    ("k1_welded@nan", "must be seconds"),
    ("k1_welded@1e3", "must be seconds"),
    ("k1_welded@999999999", "0 to 345600"),
    ("k1_welded@heat+60-30", "it would end at 30 s"),
    ("k1_welded@heat+60-60", "it would end at 60 s"),
    ("k1_welded@heat+60-", "must be seconds"),
    ("k1_welded=2@60", "takes no number"),
    ("weather=@60", "from -12 to 6 (kPa)"),
    ("weather=nan@60", "from -12 to 6 (kPa)"),
    ("weather=inf@60", "from -12 to 6 (kPa)"),
    ("weather=7@60", "from -12 to 6 (kPa)"),
])
def test_what_is_no_order_is_one_sentence(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        FaultOrder.parse(text)
    sentence = str(caught.value)
    assert words in sentence and repr(text) in sentence and "\n" not in sentence


@pytest.mark.parametrize(("text", "typed"), [
    ("pump_dry@-5", "'-5' must"), ("pump_dry@mix+", "'mix+' must"), ("pump_dry@5-", "'5-' must")])
def test_a_wrong_time_is_quoted_as_it_was_typed(text: str, typed: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        FaultOrder.parse(text)
    assert typed in str(caught.value) and "''" not in str(caught.value)


def test_all_mistakes_come_at_once_beside_the_good_orders() -> None:
    orders, mistakes = parse_orders(["a@1", "k1_welded@2", "k2_welded@x"])
    assert orders == (FaultOrder("k1_welded", 2.0),) and len(mistakes) == 2


@pytest.mark.parametrize("name", sorted(ROWS))
def test_every_fault_can_be_ordered_with_its_own_number(name: str) -> None:
    row = ROWS[name]
    text = f"{name}={row.value}@mix+1" if row.unit else f"{name}@mix+1"
    assert FaultOrder.parse(text).name == name


def test_a_moment_is_seconds_or_a_stage_and_seconds() -> None:
    assert parse_moment("60") == Moment(60.0)
    assert parse_moment("dose+1.5") == Moment(1.5, "dose")
    for text in ("dosing+1", "dose", "dose+", "-1", "nan"):
        with pytest.raises(ValueError, match=r"no stage|must be seconds"):
            parse_moment(text)
