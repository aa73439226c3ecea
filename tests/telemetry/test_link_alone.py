"""MqttLink where there is no proper broker: nothing blocks, nothing is raised."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from itertools import count, pairwise
from typing import Any

import pytest

from esterward.telemetry import connection
from esterward.telemetry.connection import Received
from esterward.telemetry.link import (
    FLOODED_STEPS,
    JUDGED_A_STEP,
    MAX_UNANSWERED,
    MAX_WAITING,
    STEP_REAL_S,
    STORED_S,
    TAKEN_A_TICK,
    MqttLink,
)
from esterward.values.events import Event
from esterward.values.status import Status
from esterward_sim.broker import AMQTT, EmbeddedBroker, free_port
from telemetry.mqtt_rig import DEVICE

Make = Callable[..., Any]


class TwoClocks:
    """now_s and real_s advanced by hand together, so that no test waits."""

    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s

    def run(self, link: MqttLink, seconds: float, each_s: float = 0.25) -> None:
        for _ in range(round(seconds / each_s)):
            self.s += each_s
            link.step(self.s)


def until_said(link: MqttLink, clock: TwoClocks, words: str) -> None:
    for _ in range(500):
        clock.run(link, 0.25)
        if words in link.fault:
            return
    pytest.fail(f"never said: {words}; last: {link.fault}")


@pytest.fixture
def black_hole() -> Iterator[socket.socket]:
    """Accepts connections (the kernel does) and never says a word."""
    with socket.socket() as hole:
        hole.bind(("127.0.0.1", 0))
        hole.listen(50)
        yield hole


def test_a_broker_that_never_answers_is_given_up_and_tried_again(
        black_hole: socket.socket, make_link: Make, status: Make) -> None:
    clock = TwoClocks()
    link = make_link(black_hole.getsockname()[1], real_s=clock)
    link.show(status(), (), clock.s, None)
    clock.run(link, 1.0)
    assert link._connection.phase == connection.GREETING and link.protocol == "MQTT 5"
    clock.run(link, 9.0)
    assert link._connection.phase == connection.GREETING and not link.ready
    assert link.protocol == "MQTT 3.1.1"  # perhaps it only knows that one
    clock.run(link, 3.0)
    assert "no answer" in link.fault and link.faults == 0
    clock.run(link, 400.0)
    # Each try is 11 s of patience, then 1 to 60 s of back-off.
    assert 7 <= link._connection._attempt <= 11


def test_a_full_backlog_that_drops_every_greeting_does_not_block_either(
        make_link: Make, status: Make) -> None:
    clock = TwoClocks()
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        fillers = [socket.socket() for _ in range(4)]
        for filler in fillers:
            filler.setblocking(False)
            filler.connect_ex(full.getsockname())
        link = make_link(full.getsockname()[1], real_s=clock)
        clock.run(link, 3.0)
        assert link._connection.phase == connection.DIALLING
        clock.run(link, 9.0)
        assert "no answer" in link.fault
        for filler in fillers:
            filler.close()


def test_the_back_off_without_a_broker_never_exceeds_a_minute(
        make_link: Make, status: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = TwoClocks()
    link = make_link(free_port(), real_s=clock)
    tries: list[float] = []
    dial = connection.Connection._dial
    monkeypatch.setattr(connection.Connection, "_dial", lambda self, found: (
        tries.append(clock.s), dial(self, found)))
    clock.run(link, 600.0)
    gaps = [b - a for a, b in pairwise(tries)]
    # Counted from the failure, which is noticed within the step after the dialling.
    assert [int(gap) for gap in gaps[:6]] == [1, 2, 4, 8, 16, 32]
    assert len(gaps) > 10 and all(60.0 <= gap <= 60.25 for gap in gaps[6:])
    assert "Connection refused" in link.fault


def test_a_fast_rehearsal_does_not_hammer_a_missing_broker(make_link: Make) -> None:
    clock = TwoClocks()
    link = make_link(free_port(), real_s=clock)
    tried = 0
    for second in range(10_000):  # virtual time runs, real time stands still
        link.step(float(second))
        tried += link._connection._attempt != tried
    assert link._connection._attempt == 1


def test_without_a_broker_close_and_drain_return_at_once(make_link: Make, status: Make) -> None:
    link = make_link(free_port())
    link.show(status(), (), 0.0, None)
    assert link.drain(0.0) is False
    link.close()
    link.step(1.0)
    assert not link.ready and link.take_requests() == ()


def test_a_host_name_is_looked_up_elsewhere_and_never_in_a_step(
        monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ValueError, match="submit"):
        MqttLink("broker.invalid", 1883, DEVICE, "x", "b")
    jobs: list[Callable[[], None]] = []
    clock = TwoClocks()
    port = free_port()
    link = MqttLink("broker.invalid", port, DEVICE, "x", "b", submit=jobs.append, real_s=clock)
    clock.run(link, 60.0)
    assert len(jobs) == 1 and link._connection.phase in (connection.LOOKING_UP, connection.AWAY)

    def unknown(*_: Any, **__: Any) -> Any:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    jobs[0]()
    until_said(link, clock, "cannot be looked up")
    clock.run(link, 70.0)
    assert len(jobs) == 2
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: [
        (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", port))])
    jobs[1]()
    until_said(link, clock, "Connection refused")
    assert link.faults == 0
    link.close()


def test_a_picture_that_cannot_be_shown_is_counted_and_the_next_is_shown(
        make_link: Make, status: Make) -> None:
    link = make_link(free_port())
    link.show(status(withheld=None), (), 0.0, None)
    assert link.faults == 1 and "TypeError" in link.fault
    link.show(status(stage="mix"), (), 1.0, None)
    assert link.faults == 1
    assert link._outbox.picture[f"homie/5/{DEVICE}/batch/stage"] == "mix"


def test_samples_keep_to_five_seconds_and_idle_pictures_add_nothing(
        make_link: Make, status: Make) -> None:
    link = make_link(free_port(), real_s=TwoClocks())
    same: Status = status()
    link.show(same, (), 0.0, None)
    before = len(link._outbox.dirty), len(link._outbox.lines)
    for second in range(1, 101):
        link.show(same, (), second + 0.01 * (second % 3), None)
    assert len(link._outbox.samples) == 21
    assert (len(link._outbox.dirty), len(link._outbox.lines)) == before


def test_a_broker_that_knows_only_3_1_1_is_spoken_to_in_3_1_1(
        make_link: Make, status: Make) -> None:
    pytest.importorskip("amqtt", reason="amqtt is not installed (pip install -e '.[sim]')")
    with EmbeddedBroker(AMQTT) as broker:
        link = make_link(broker.port)
        link.show(status(), (), 0.0, None)
        assert link.drain(0.0, 8.0), link.fault
        assert link.protocol == "MQTT 3.1.1" and link.fault == ""


def test_a_broker_that_closes_without_a_word_is_asked_again_in_3_1_1_at_once(
        make_link: Make, status: Make) -> None:
    clock = TwoClocks()
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen(5)
        server.settimeout(5.0)
        link = make_link(server.getsockname()[1], real_s=clock)
        versions = []
        for _ in range(2):
            for _ in range(4):
                link.step(clock.s)  # no time passes
            peer, _ = server.accept()
            # MQTT 3.1.1 and 5.0, section 3.1.2.2: the protocol level follows the name "MQTT".
            versions.append(peer.recv(100).partition(b"MQTT")[2][0])
            peer.close()
        assert versions == [5, 4]
        clock.run(link, 0.75)
        assert "no broker" in link.fault


def arrive(link: MqttLink, number: int, **request: Any) -> None:
    plain = {"id": f"r{number}", "nonce": "n1", **request}
    link._arrived(Received(json.dumps(plain).encode(), False, "", None))


def test_a_tick_gets_a_few_requests_and_every_hold_before_them(make_link: Make) -> None:
    link = make_link(free_port(), new_nonce=lambda: "n1")
    link.step(1.0)
    for number in range(9):
        arrive(link, number, kind="observe", name="wash_ph", value=7.0)
    arrive(link, 9, kind="hold")
    taken = link.take_requests()
    assert [request.id for request in taken] == ["r9", "r0", "r1", "r2", "r3"]
    assert len(taken) == 1 + TAKEN_A_TICK
    rest = [request.id for _ in range(3) for request in link.take_requests()]
    assert rest == ["r4", "r5", "r6", "r7", "r8"]


def told(link: MqttLink) -> list[dict[str, Any]]:
    return [json.loads(line.payload) for line in link._outbox.lines
            if line.topic.endswith("remote/answer")]


def accepted(number: int) -> Event:
    return Event(number, 1.0, "request_accepted", {"id": f"r{number}"})


def test_a_reading_is_answered_once_it_is_on_the_disk_and_its_event_at_once(
        make_link: Make, status: Make) -> None:
    link = make_link(free_port(), new_nonce=lambda: "n1")
    link.step(1.0)
    for number in (8, 9):
        arrive(link, number, kind="observe", name="wash_ph", value=7.0)
    link.take_requests()
    link.show(status(), (accepted(8), accepted(9)), 1.0, None, 7)
    events = [json.loads(line.payload) for line in link._outbox.lines
              if line.topic.endswith("stream/event")]
    assert [(event["boot"], event["number"]) for event in events] == [("boot-1", 8), ("boot-1", 9)]
    assert told(link) == []
    link.show(status(), (), 2.0, None, 8)
    assert told(link) == [{"id": "r8", "accepted": True, "why": ""}]
    link.show(status(), (), 1.0 + STORED_S - 0.1, None, 8)
    assert len(told(link)) == 1
    link.show(status(), (), 1.0 + STORED_S, None, 8)
    (_, late) = told(link)
    assert late["accepted"] is False and "a power cut would lose it" in late["why"]
    link.show(status(), (), 60.0, None, 9)
    assert len(told(link)) == 2, "one answer each"


def test_a_hold_and_a_refusal_are_answered_at_once_also_on_a_dead_disk(
        make_link: Make, status: Make) -> None:
    link = make_link(free_port(), new_nonce=lambda: "n1")
    link.step(1.0)
    arrive(link, 1, kind="hold")
    arrive(link, 2, kind="acknowledge")
    arrive(link, 3, kind="observe", name="wash_ph", value=7.0)
    link.take_requests()
    link.show(status(), (accepted(1), accepted(2), Event(
        3, 1.0, "request_refused", {"id": "r3", "why": "not now"})), 1.0, None, 0)
    assert [(answer["id"], answer["accepted"]) for answer in told(link)] == [
        ("r1", True), ("r2", True), ("r3", False)]


def test_readings_that_wait_for_the_disk_are_bounded_and_leave_room_for_a_hold(
        make_link: Make, status: Make) -> None:
    link = make_link(free_port(), new_nonce=lambda: next(nonces))
    nonces = map(str, count())
    for number in range(1, MAX_UNANSWERED + 6):
        link._nonce_at_s = float("-inf")
        link.step(1.0)
        arrive(link, number, kind="observe", name="wash_ph", value=7.0, nonce=link._requests.nonce)
        link.take_requests()
        link.show(status(), (accepted(number),), 1.0, None, 0)
    assert len(link._unstored) == MAX_UNANSWERED
    assert [answer["accepted"] for answer in told(link)] == [False] * 5
    arrive(link, 900, kind="hold", nonce=link._requests.nonce)
    assert [request.id for request in link.take_requests()] == ["r900"]


def test_a_hold_is_taken_where_nothing_else_is_any_more(make_link: Make) -> None:
    link = make_link(free_port(), new_nonce=lambda: "n1")
    for number in range(MAX_WAITING + 4):
        if number % JUDGED_A_STEP == 0:
            link.step(1.0)
        arrive(link, number, kind="acknowledge")
    assert len(link._waiting) == MAX_WAITING
    arrive(link, 90, kind="hold")
    assert [request.id for request in link.take_requests()] == ["r90", "r0", "r1", "r2", "r3"]


def test_a_step_sends_no_longer_than_its_time(
        make_link: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    looks_s = count(step=STEP_REAL_S * 0.6)
    link = make_link(free_port(), real_s=lambda: next(looks_s))
    rounds: list[object] = []
    monkeypatch.setattr(link._connection, "step", lambda *_: rounds.append(1))
    monkeypatch.setattr(link, "_pump", lambda: True)
    link.step(1.0)
    assert len(rounds) == 2


def test_only_a_flood_that_goes_on_makes_a_new_connection(
        make_link: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    link = make_link(free_port())
    shed: list[str] = []
    monkeypatch.setattr(link._connection, "shed", lambda _now_s, why: shed.append(why))

    def steps(number: int, messages: int, behind: bool = True) -> None:
        link._connection.behind = behind
        monkeypatch.setattr(link._connection, "step", lambda *_: [
            link._arrived(Received(b"x", False, "", None)) for _ in range(messages)])
        for _ in range(number):
            link.step(1.0)

    steps(FLOODED_STEPS - 1, JUDGED_A_STEP + 1)
    steps(1, JUDGED_A_STEP)  # many, but answered
    steps(FLOODED_STEPS, JUDGED_A_STEP + 1, behind=False)  # more, but all of them read
    steps(FLOODED_STEPS - 1, JUDGED_A_STEP + 1)
    assert not shed
    steps(1, JUDGED_A_STEP + 1)
    assert shed == ["flooded with requests"] and not link.faults


def test_of_a_flood_a_step_looks_at_a_few_and_answers_no_more(make_link: Make) -> None:
    link = make_link(free_port(), new_nonce=lambda: "n1")
    link.step(1.0)
    for number in range(JUDGED_A_STEP + 10):
        arrive(link, number, kind="start")
    answers = [line for line in link._outbox.lines if line.topic.endswith("remote/answer")]
    assert len(answers) == JUDGED_A_STEP and link.unheard == 10
    arrive(link, 500, kind="hold")
    arrive(link, 501, kind="hold", nonce="old")
    assert len(link._outbox.lines) == JUDGED_A_STEP and link.unheard == 11
    assert [request.id for request in link.take_requests()] == ["r500"], "a hold is heard"
