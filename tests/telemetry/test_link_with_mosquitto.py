"""MqttLink against a real Mosquitto, seen through Mosquitto's own command-line client."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from esterward.telemetry import outbox, topics
from esterward.telemetry.connection import AWAY, KERNEL_BYTES, Received
from esterward.telemetry.link import FLOODED_STEPS, JUDGED_A_STEP, STEP_REAL_S, MqttLink
from esterward.values.events import Event
from esterward.values.requests import Request
from esterward.values.status import Status
from telemetry.mqtt_rig import ALARM, DEVICE, ROOT, Mosquitto, Watcher, until

Make = Callable[..., Any]


def pump(link: MqttLink, true: Callable[[], Any], what: str, now_s: float = 1.0) -> None:
    until(true, what, meanwhile=lambda: link.step(now_s))


def ended(number: int, stage: str = "heat") -> Event:
    return Event(number, 3600.0, "stage_ended",
                 {"stage": stage, "repeat": 1, "started_s": 0.0, "outcome": "done"})


def connected(make_link: Make, port: int, status: Status, **more: Any) -> MqttLink:
    link: MqttLink = make_link(port, **more)
    link.show(status, (), 0.0, None)
    assert link.drain(0.0), link.fault
    return link


def request(nonce: str, request_id: str = "a1", **more: Any) -> str:
    return json.dumps({"id": request_id, "nonce": nonce, "kind": "hold", **more})


def test_state_goes_init_ready_and_lost_when_the_process_is_killed(
        mosquitto: Mosquitto, watch: Make) -> None:
    watcher: Watcher = watch()
    here = Path(__file__).parent
    environment = {**os.environ, "PYTHONPATH": str(here.parent)}
    with subprocess.Popen([sys.executable, str(here / "link_process.py"), str(mosquitto.port)],
                          stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdout and process.stdout.readline() == b"ready\n"
        until(lambda: watcher.of("$state") == ["init", "ready"], "ready is seen")
        assert watcher.of("person/prompt") == ["No grains left? (green = yes)"]
        process.send_signal(signal.SIGKILL)
    until(lambda: watcher.of("$state") == ["init", "ready", "lost"], "lost is seen")
    late: Watcher = watch(ROOT + "$state")
    until(lambda: late.messages == [(True, ROOT + "$state", "lost")], "lost is retained")


def test_before_the_first_picture_the_link_stays_in_init(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make) -> None:
    watcher: Watcher = watch()
    link: MqttLink = make_link(mosquitto.port)
    assert link.drain(0.0) and not link.ready
    until(lambda: watcher.of("remote/nonce"), "the nonce")
    assert watcher.of("$state") == ["init"]
    link.show(status(), (), 1.0, None)
    assert link.drain(1.0) and link.ready
    until(lambda: watcher.of("$state") == ["init", "ready"], "ready is seen")
    early: MqttLink = make_link(mosquitto.port)
    assert early.drain(0.0)
    early.close()
    until(lambda: watcher.of("$state")[2:] == ["init", "disconnected"], "goodbye from init")


def test_closing_says_disconnected_and_the_will_stays_silent(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make) -> None:
    watcher: Watcher = watch()
    link = connected(make_link, mosquitto.port, status())
    link.close()
    until(lambda: "disconnected" in watcher.of("$state"), "disconnected is seen")
    late: Watcher = watch(ROOT + "$state")
    until(lambda: late.of("$state") == ["disconnected"], "disconnected is retained")
    assert watcher.of("$state") == ["init", "ready", "disconnected"]


def test_everything_published_stands_in_the_description_with_its_datatype_and_retain_flag(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make, send: Make) -> None:
    watcher: Watcher = watch()
    link = connected(make_link, mosquitto.port, status())
    link.show(status(prompt="grains", prompt_text="No grains?", alarms=(ALARM,), oil_c=None),
              (ended(1),), 5.0, 1e9)
    send("nonsense")
    pump(link, lambda: watcher.of("remote/answer"), "an answer")
    assert link.drain(5.0)
    until(lambda: watcher.of("stream/sample"), "a sample")
    document = json.loads(watcher.of("$description")[0])
    late: Watcher = watch()
    until(lambda: late.of("remote/nonce"), "the retained picture")
    kept = {topic for retained, topic, _ in late.messages if retained}
    seen = set()
    for _, topic, payload in watcher.messages:
        if not topic.startswith(ROOT) or topic.endswith("/set"):
            continue
        node, _, name = topic.removeprefix(ROOT).partition("/")
        if node.startswith("$"):
            assert node in ("$state", "$description", "$alert")
            continue
        told = document["nodes"][node]["properties"][name]
        seen.add((node, name))
        if payload:
            assert (topic in kept) == (told.get("retained", True) and watcher.of(
                topic.removeprefix(ROOT))[-1] != ""), topic
            if told["datatype"] in ("float", "integer"):
                float(payload)
            elif told["datatype"] == "enum":
                assert payload in told["format"].split(",")
            elif told["datatype"] == "boolean":
                assert payload in ("true", "false")
            elif told["datatype"] == "json":
                json.loads(payload)
        else:
            assert told.get("retained", True)
    every = {(p.node, p.id) for p in topics.PROPERTIES}
    assert seen == every - {("remote", "request")}
    assert f"homeassistant/device/{DEVICE}/config" in kept
    assert link.faults == 0 and link.fault == ""


def test_a_finished_stage_is_one_line_and_an_alert_until_somebody_answers(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make) -> None:
    watcher: Watcher = watch()
    link = connected(make_link, mosquitto.port, status())
    link.show(status(title="make methoxide"), (ended(4),), 1.0, None)
    for now_s in range(2, 40):
        link.show(status(title="make methoxide"), (), float(now_s), None)
    assert link.drain(40.0)
    until(lambda: watcher.of("$alert/stage-finished")[-1:] == [
        "heat finished: done, after 1 h 0 min. Now: make methoxide."], "the alert")
    events = [json.loads(line) for line in watcher.of("stream/event")]
    assert [event["number"] for event in events] == [4]
    answered = Event(5, 3700.0, "prompt_answered", {"prompt": "grains", "answer": "yes"})
    link.show(status(title="make methoxide"), (answered,), 41.0, None)
    assert link.drain(41.0)
    until(lambda: watcher.of("$alert/stage-finished")[-1] == "", "the alert is taken away")
    late: Watcher = watch(ROOT + "$alert/#", ROOT + "stream/event", ROOT + "$state")
    until(lambda: late.of("$state"), "the retained picture")
    assert [topic for _, topic, _ in late.messages] == [ROOT + "$state"]


def test_alerts_left_by_a_killed_controller_are_taken_away(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make, send: Make) -> None:
    for alert in ("alarm-f-12", "person-wanted"):
        send("old news", "-r", topic=f"$alert/{alert}")
    connected(make_link, mosquitto.port, status(), alarm_codes=("F-12",))
    late: Watcher = watch(ROOT + "$alert/#", ROOT + "$state")
    until(lambda: late.of("$state"), "the retained picture")
    assert late.of("$alert/alarm-f-12") == late.of("$alert/person-wanted") == []


def test_a_request_is_taken_and_answered_also_on_its_response_topic(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make, send: Make) -> None:
    watcher: Watcher = watch(ROOT + "#", "phone/answers")
    link = connected(make_link, mosquitto.port, status(), new_nonce=lambda: "n1")
    send(request("n1", "a1", kind="observe", name="methanol_l", value=20.5), "-D", "publish",
         "response-topic", "phone/answers", "-D", "publish", "correlation-data", "c7")
    taken: list[Request] = []
    pump(link, lambda: taken.extend(link.take_requests()) or taken, "the request arrives")
    assert taken == [Request("a1", "observe", "mqtt", "methanol_l", 20.5)]
    assert watcher.of("remote/answer") == []  # the controller decides, not the link
    link.show(status(), (Event(2, 1.0, "request_accepted", {"id": "a1"}),), 1.0, None, 2)
    answers = lambda: [p for _, topic, p in watcher.messages if topic == "phone/answers"]  # noqa: E731
    pump(link, answers, "the answer")
    assert json.loads(answers()[0]) == {"id": "a1", "accepted": True, "why": ""}
    until(lambda: watcher.of("remote/answer") == answers(), "the answer property")


def test_retained_replayed_and_stale_requests_are_refused_with_the_reason(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make, send: Make) -> None:
    nonces = iter(["n1", "n2", "n3", "n4"])
    send(request("n1", "r1"), "-r")  # waits at the broker before the controller comes
    watcher: Watcher = watch()
    link = connected(make_link, mosquitto.port, status(), new_nonce=lambda: next(nonces))

    def answers() -> list[tuple[str, str]]:
        return [(a["id"], a["why"]) for a in map(json.loads, watcher.of("remote/answer"))]

    pump(link, lambda: len(answers()) == 1, "the retained one is answered")
    assert "retained" in answers()[0][1] and link.take_requests() == ()
    send(request("n1", "a1"))
    taken: list[Request] = []
    pump(link, lambda: taken.extend(link.take_requests()) or taken, "a fresh one is taken")
    send(request("n1", "a1"))
    pump(link, lambda: len(answers()) == 2, "the replay is answered")
    assert answers()[1][0] == "a1" and "used before" in answers()[1][1]
    link.step(61.0)
    link.step(122.0)
    assert link.drain(122.0)
    until(lambda: watcher.of("remote/nonce")[-1] == "n3", "the third nonce")
    send(request("n1", "a2"))
    pump(link, lambda: len(answers()) == 3, "the old nonce is answered", 122.0)
    assert "too old" in answers()[2][1]
    assert json.loads(watcher.of("remote/answer")[-1])["nonce"] == "n3"
    assert taken == [Request("a1", "hold", "mqtt")] and link.take_requests() == ()


def test_an_exception_in_a_callback_does_not_end_delivery(
        mosquitto: Mosquitto, make_link: Make, status: Make, send: Make,
        monkeypatch: pytest.MonkeyPatch) -> None:
    link = connected(make_link, mosquitto.port, status(), new_nonce=lambda: "n1")
    good = link._requests.judge
    calls: list[bytes] = []

    def bad_once(payload: bytes, retained: bool) -> Any:
        calls.append(payload)
        if len(calls) == 1:
            raise RuntimeError("a mistake of ours")
        return good(payload, retained)

    monkeypatch.setattr(type(link._requests), "judge", lambda _self, *rest: bad_once(*rest))
    send(request("n1", "a1"))
    pump(link, lambda: len(calls) == 1, "the first arrives")
    send(request("n1", "a2"))
    taken: list[Request] = []
    pump(link, lambda: taken.extend(link.take_requests()) or taken, "the second is delivered")
    assert [r.id for r in taken] == ["a2"] and link.ready
    assert "a mistake of ours" in link.fault


def test_after_a_broker_restart_everything_is_published_again_and_no_line_is_lost(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make) -> None:
    link = connected(make_link, mosquitto.port, status())
    mosquitto.stop()
    pump(link, lambda: not link.ready, "the loss is noticed")
    assert "no broker" in link.fault
    link.show(status(stage="dose", title="add methoxide"), (ended(1), ended(2, "dose")), 2.0, None)
    mosquitto.start()  # without a store: it has forgotten everything
    watcher: Watcher = watch()
    now_s = [2.0]

    def later() -> None:
        now_s[0] += 1.0
        link.step(now_s[0])

    until(lambda: link.ready and not link.waiting, "ready again", meanwhile=later)
    until(lambda: len(watcher.of("stream/event")) == 2, "both lines")
    assert watcher.of("$state") == ["init", "ready"]
    assert watcher.of("batch/title") == ["add methoxide"]
    kept = {p.id for p in topics.PROPERTIES if p.retained}
    assert kept <= {topic.rpartition("/")[2] for _, topic, _ in watcher.messages}
    assert watcher.of("$description") and link.fault == ""


def test_a_frozen_broker_never_holds_a_step_up_and_the_outbox_stays_bounded(
        mosquitto: Mosquitto, make_link: Make, status: Make) -> None:
    link = connected(make_link, mosquitto.port, status())
    mosquitto.freeze()
    steps = 0
    long = "x" * 400  # fills the socket's buffers within the test
    for number in range(1, 12_000):
        now_s = 5.0 * number
        note = Event(number, now_s, "note", {"text": long})
        link.show(status(step=f"step {number}", elapsed_s=now_s), (note,), now_s, None)
        link.step(now_s)
        steps += 1
    assert steps == 11_999
    box = link._outbox
    assert len(box.lines) <= outbox.MAX_LINES and len(box.samples) <= outbox.MAX_SAMPLES
    assert len(box.dirty) <= outbox.MAX_TOPICS and link._connection.unacknowledged <= 100
    assert box.dropped_samples > 0 and box.dropped_lines > 0
    assert link.drain(now_s, 0.1) is False
    link.show(status(), (ended(20_000),), now_s + 1.0, None)
    assert json.loads(box.lines[-1].payload)["kind"] == "stage_ended"


def test_a_frozen_broker_does_not_fill_the_library_with_samples(
        mosquitto: Mosquitto, make_link: Make, status: Make, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(topics, "sample", lambda *_: "x" * 4000)
    link = connected(make_link, mosquitto.port, status())
    mosquitto.freeze()
    same = status()
    for number in range(1, 4000):  # 16 MB, more than the socket's buffers take
        link.show(same, (), 5.0 * number, None)
        link.step(1.0)
    client = link._connection._client
    assert client and len(client._out_packet) <= 2
    assert link._outbox.dropped_samples > 0 and link._outbox.dropped_lines == 0


def test_lines_on_their_way_when_the_broker_dies_arrive_after_its_restart(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make) -> None:
    link = connected(make_link, mosquitto.port, status())
    mosquitto.freeze()
    link.show(status(), (ended(1), ended(2, "dose")), 2.0, None)
    link.step(2.0)
    assert link._connection.unacknowledged >= 2 and not link._outbox.lines
    mosquitto.stop()
    pump(link, lambda: not link.ready, "the loss is noticed", 2.0)
    mosquitto.start()
    watcher: Watcher = watch()
    now_s = [2.0]

    def later() -> None:
        now_s[0] += 1.0
        link.step(now_s[0])

    until(lambda: len(watcher.of("stream/event")) == 2, "both lines", meanwhile=later)
    assert [json.loads(line)["number"] for line in watcher.of("stream/event")] == [1, 2]


def test_requests_beyond_what_the_loop_takes_are_refused_not_stored(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make, send: Make) -> None:
    watcher: Watcher = watch(ROOT + "remote/answer")
    link = connected(make_link, mosquitto.port, status(), new_nonce=lambda: "n1")
    for end in range(10, 51, 10):
        lines = "\n".join(request("n1", f"f{number}", kind="acknowledge")
                          for number in range(end - 10, end))
        subprocess.run(["mosquitto_pub", "-h", "127.0.0.1", "-p", str(mosquitto.port), "-l", "-t",
                        ROOT + "remote/request/set"], input=lines.encode(), check=True)
        pump(link, lambda end=end: len(watcher.of("remote/answer")) == max(0, end - 32)  # type: ignore[misc]
             and len(link._waiting) == min(32, end), "those beyond are refused")
    assert all("waiting" in json.loads(a)["why"] for a in watcher.of("remote/answer"))
    taken = [request for _ in range(9) for request in link.take_requests()]
    assert len(taken) == 32 and link.take_requests() == ()


def test_a_flood_that_goes_on_is_left_behind_by_a_new_connection(
        mosquitto: Mosquitto, make_link: Make, status: Make, send: Make,
        monkeypatch: pytest.MonkeyPatch) -> None:
    link = connected(make_link, mosquitto.port, status(), new_nonce=lambda: "n1")
    with monkeypatch.context() as flooded:
        flooded.setattr(link._connection, "behind", True)
        flooded.setattr(link._connection, "step", lambda *_: [
            link._arrived(Received(b"x", False, "", None)) for _ in range(JUDGED_A_STEP + 1)])
        for turn in range(FLOODED_STEPS):
            assert link.ready
            link.step(1.0 + turn)
        assert "flooded with requests" in link.fault and link._connection.phase == AWAY
    pump(link, lambda: link._connection.opened == 2 and link.ready, "ready again", 10.0)
    send(request("n1"))
    pump(link, lambda: link.take_requests(), "a request is heard", 11.0)


def test_what_was_unanswered_at_a_flood_is_told_again_over_the_new_connection(
        mosquitto: Mosquitto, watch: Make, make_link: Make, status: Make,
        monkeypatch: pytest.MonkeyPatch) -> None:
    watcher: Watcher = watch()
    link = connected(make_link, mosquitto.port, status())
    until(lambda: watcher.of("$state") == ["init", "ready"], "ready is seen")
    with monkeypatch.context() as flooded:
        # All that the broker says lies behind the flood, so no answer of it is read.
        flooded.setattr(link._connection, "behind", True)
        flooded.setattr(link._connection, "step", lambda *_: [
            link._arrived(Received(b"x", False, "", None)) for _ in range(JUDGED_A_STEP + 1)])
        link.show(status(), tuple(ended(number) for number in range(1, 121)), 1.0, None)
        for turn in range(FLOODED_STEPS):
            link.step(1.0 + turn)
    assert link._connection.phase == AWAY and not link.waiting - len(link._outbox)
    until(lambda: link._real_s() >= link._connection._try_at_real_s, "it may dial at once")
    pump(link, lambda: watcher.of("$state") == ["init", "ready", "lost", "init", "ready"],
         "gone and ready again are seen", 10.0)
    pump(link, lambda: not link.waiting, "all is told", 11.0)
    until(lambda: {json.loads(line)["number"] for line in watcher.of("stream/event")}
          == set(range(1, 121)), "each event is heard")


def test_a_step_ends_after_its_time_however_many_messages_wait(
        mosquitto: Mosquitto, make_link: Make, status: Make) -> None:
    slow_s = [0.0]

    def real_s() -> float:  # a machine on which every look at the clock takes 5 ms, later on
        slow_s[0] += 0.005 if slow_s[0] else 0.0
        return time.monotonic() + slow_s[0]

    link = connected(make_link, mosquitto.port, status(), real_s=real_s)
    assert link._connection._socket is not None  # the kernel doubles what it is asked for
    assert link._connection._socket.getsockopt(
        socket.SOL_SOCKET, socket.SO_RCVBUF) <= 2 * KERNEL_BYTES
    arrived: list[object] = []
    link._connection._arrived = arrived.append
    subprocess.run(["mosquitto_pub", "-h", "127.0.0.1", "-p", str(mosquitto.port), "-l", "-t",
                    ROOT + "remote/request/set"], input=b"x\n" * 400, check=True)
    slow_s[0], behind = 0.005, False
    for _ in range(20):
        before = len(arrived)
        link.step(1.0)
        assert len(arrived) - before <= STEP_REAL_S / 0.005
        behind = behind or link._connection.behind
    assert arrived and behind
    slow_s[0] = 0.0
    pump(link, lambda: len(arrived) == 400, "all come in the end")
    pump(link, lambda: not link._connection.behind, "nothing more waits")


def test_a_huge_message_on_the_request_topic_is_not_read_into_memory(
        mosquitto: Mosquitto, make_link: Make, status: Make, tmp_path: Path) -> None:
    link = connected(make_link, mosquitto.port, status())
    big = tmp_path / "big"
    big.write_bytes(b"x" * 30_000_000)
    subprocess.run(["mosquitto_pub", "-h", "127.0.0.1", "-p", str(mosquitto.port), "-t",
                    ROOT + "remote/request/set", "-f", str(big)], check=True)
    most = 0

    def look() -> None:
        nonlocal most
        link.step(1.0)
        client = link._connection._client
        most = max(most, len(client._in_packet["packet"]) if client else 0)

    until(lambda: "more than a request" in link.fault, "the connection is dropped", meanwhile=look)
    assert most < 10_000_000 and link.take_requests() == ()
    now_s = [1.0]

    def later() -> None:
        now_s[0] += 1.0
        link.step(now_s[0])

    until(lambda: link.ready, "connected again", meanwhile=later)
