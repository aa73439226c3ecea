"""The outbox stays bounded whatever happens, and drops what matters least."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from esterward.telemetry import outbox as module
from esterward.telemetry.outbox import MAX_LINES, MAX_SAMPLES, MAX_TOPICS, Message, Outbox


def line(number: int, minor: bool = False) -> Message:
    return Message("e", str(number), minor=minor)


def test_a_value_that_did_not_change_is_not_sent_again() -> None:
    box = Outbox()
    box.show("t", "1")
    assert box.take() == Message("t", "1", 1, True)
    box.show("t", "1")
    assert box.take() is None
    box.show_all_again()
    assert box.take() == Message("t", "1", 1, True)


def test_only_the_newest_value_of_a_topic_waits() -> None:
    box = Outbox()
    for value in range(1000):
        box.show("t", str(value))
    assert len(box) == 1 and box.take() == Message("t", "999", 1, True)


def test_the_oldest_samples_go_first_and_are_counted() -> None:
    box = Outbox()
    box.add_line(line(1))
    for number in range(MAX_SAMPLES + 7):
        box.add_sample(Message("s", str(number), 0))
    assert box.dropped_samples == 7 and box.dropped_lines == 0
    assert box.take() == line(1)
    assert box.take() == Message("s", "7", 0)


def test_minor_lines_go_before_stages_and_alarms() -> None:
    box = Outbox()
    for number in range(MAX_LINES):
        box.add_line(line(number, minor=number % 2 == 1))
    for number in range(MAX_LINES // 2):
        box.add_line(line(MAX_LINES + number))
    assert box.dropped_lines == MAX_LINES // 2
    assert not any(message.minor for message in box.lines)
    box.add_line(line(-1))
    assert box.lines[0] == line(2) and box.dropped == MAX_LINES // 2 + 1


def test_lines_never_acknowledged_go_to_the_front_in_their_order() -> None:
    box = Outbox()
    box.add_line(line(3))
    box.put_back([line(1), line(2)])
    assert [box.take() for _ in range(3)] == [line(1), line(2), line(3)]


work = st.lists(st.tuples(st.sampled_from(["show", "line", "minor", "sample", "take", "back"]),
                          st.integers(0, 40)), max_size=200)


@given(work)
def test_no_sequence_of_work_makes_it_grow_beyond_its_bounds(steps: list[tuple[str, int]]) -> None:
    # The same code with small bounds, so that the bounds are really reached.
    kept = module.MAX_LINES, module.MAX_SAMPLES, module.MAX_TOPICS
    module.MAX_LINES, module.MAX_SAMPLES, module.MAX_TOPICS = 5, 3, 4  # type: ignore[misc]
    try:
        box, added, taken = Outbox(), 0, 0
        for what, number in steps:
            if what == "show":
                box.show(f"t{number}", "x")
            elif what in ("line", "minor"):
                box.add_line(line(number, what == "minor"))
                added += 1
            elif what == "sample":
                box.add_sample(Message("s", str(number), 0))
            elif what == "back":
                box.put_back([line(number)])
                added += 1
            else:
                message = box.take()
                taken += message is not None and message.topic == "e"
            assert len(box.lines) <= 5 and len(box.samples) <= 3 and len(box.picture) <= 4
            assert added == taken + box.dropped_lines + len(box.lines)
    finally:
        module.MAX_LINES, module.MAX_SAMPLES, module.MAX_TOPICS = kept  # type: ignore[misc]
    assert MAX_TOPICS > 100
