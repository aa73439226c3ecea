"""MqttLink: shows the controller to the outside and takes requests from there.

It stands beside the batch and can never hold it up: show() writes into a bounded outbox,
step() does a bounded piece of network work that never blocks, and whatever goes wrong in
either is counted and put into words (fault), never raised. Losing the broker changes nothing
but what is shown.

show(), take_requests() and step() may be called from different threads; a lock keeps them
apart, and is never held while waiting. Only drain() and close() wait, for a bounded time:
they are for the end of a rehearsal or of the program.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from operator import attrgetter
from typing import Final

from esterward.telemetry import lines, topics
from esterward.telemetry.connection import AWAY, OPEN, Connection, Received, Submit
from esterward.telemetry.discovery import discovery, discovery_topic
from esterward.telemetry.outbox import Message, Outbox
from esterward.telemetry.requests import Refusal, Requests, answer, room_for
from esterward.values.events import Event
from esterward.values.requests import HOLD, OBSERVE, Request
from esterward.values.status import Status

MAX_WAITING: Final = 32  # requests not yet taken by the loop
MAX_UNANSWERED: Final = 64
# However many messages are sent, the loop loses no more than this to them: what one step reads
# and writes, which requests it looks at and how many a tick gets besides the holds. An observation
# may reckon the whole batch sheet anew.
STEP_REAL_S: Final = 0.03
ROUNDS_A_STEP: Final = 10
JUDGED_A_STEP: Final = 16
# So many steps in a row with more than they could read, and a new connection leaves behind what
# waits.
FLOODED_STEPS: Final = 5
TAKEN_A_TICK: Final = 4
# A reading that is not on the disk by then is answered: its sender should not have to guess.
STORED_S: Final = 10.0
NOT_STORED: Final = (
    f"it is noted, but was not stored within {STORED_S:g} s and a power cut would lose it; look at "
    "the reactor before you send it again")
# Values that change all the time are looked at no oftener than this in real time, so that a
# fast rehearsal does not drown its broker; at real speed it changes nothing.
PICTURE_REAL_S: Final = 0.2

_Reply = tuple[str, bytes | None]  # MQTT 5: response topic and correlation data

_AT_ONCE = attrgetter(
    "state", "stage", "step", "title", "flag", "mixer", "air", "prompt", "prompt_text",
    "answers", "presence_wanted", "alarms", "first_out", "latches", "repeat", "batch")


class MqttLink:
    """Implements values.ports.Telemetry over one MQTT connection, as a Homie 5 device.

    ready: the broker has everything and requests are heard. fault: what is wrong with the
    link in words, "" when all is well. dropped: lines and samples lost to a full outbox.
    unheard: messages neither taken nor answered, because too many came at once.
    """

    def __init__(
        self, host: str, port: int, device_id: str, name: str, boot: str, *,
        version: str = "", alarm_codes: tuple[str, ...] = (),
        credentials: tuple[str, str] | None = None, submit: Submit | None = None,
        real_s: Callable[[], float] = time.monotonic,
        new_nonce: Callable[[], str] = lambda: secrets.token_hex(8),
    ) -> None:
        """device_id: a Homie id (a-z, 0-9, '-'), else ValueError. boot: id of this start.
        alarm_codes: every code of the fault table, so that alerts left behind by a controller
        that was killed are taken away. submit: runs a function in a thread of the caller's,
        needed only when host is a name. credentials: user and password."""
        self._id = topics.check_device_id(device_id)
        self._boot = boot
        self._real_s, self._new_nonce = real_s, new_nonce
        self._lock = threading.Lock()
        self._outbox = Outbox()
        self._requests = Requests()
        self._waiting: deque[Request] = deque()
        self._unanswered: dict[str, tuple[str, _Reply]] = {}  # id: kind, where to answer
        self._unstored: deque[tuple[int, float, str, _Reply]] = deque()  # event, until, id, where
        self._alerts: set[str] = set()
        self._finished = ""
        self._shown: tuple[object, ...] | None = None
        self._sample_at_s = self._minute_at_s = self._nonce_at_s = float("-inf")
        self._picture_at_real_s = float("-inf")
        self._generation = 0
        self._ready = False
        self._closed = False
        self._fault = ""
        self.faults = self.unheard = self._judged = self._flooded = 0
        # The broker publishes the will when the connection breaks. The suffix keeps a second
        # process from throwing this one off the broker by sharing its client id.
        self._connection = Connection(
            host, port, f"esterward-{device_id}-{secrets.token_hex(4)}",
            Message(topics.state_topic(device_id), topics.STATE_LOST, 1, True),
            topics.request_topic(device_id), self._arrived,
            credentials=credentials, submit=submit, real_s=real_s)
        show = self._outbox.show
        show(topics.description_topic(device_id), topics.description(device_id, name))
        show(discovery_topic(device_id), discovery(device_id, name, version))
        show(self._topic("stream", "boot"), boot or topics.EMPTY_TEXT)
        show(self._topic("stream", "dropped"), "0")
        for alert in (*lines.FIXED_ALERTS, *map(lines.alert_id_of, alarm_codes)):
            show(topics.alert_topic(device_id, alert), topics.DELETED)

    @property
    def ready(self) -> bool:
        return self._ready

    @property
    def fault(self) -> str:
        return self._connection.fault or self._fault  # a word not shown hides no broker

    @property
    def protocol(self) -> str:
        """'MQTT 5' or 'MQTT 3.1.1'."""
        return self._connection.protocol

    @property
    def dropped(self) -> int:
        return self._outbox.dropped

    @property
    def waiting(self) -> int:
        """Messages not yet handed to the broker or not yet acknowledged by it."""
        return len(self._outbox) + self._connection.unacknowledged

    # -- the port --------------------------------------------------------------------------

    def take_requests(self) -> tuple[Request, ...]:
        """The next few requests, holds first, each to be answered by an event."""
        if not self._waiting:
            return ()
        with self._lock:
            ordered = sorted(self._waiting, key=lambda request: request.kind != HOLD)
            count = TAKEN_A_TICK + sum(request.kind == HOLD for request in ordered)
            self._waiting = deque(ordered[count:])
        return tuple(ordered[:count])

    def show(self, status: Status, events: tuple[Event, ...], now_s: float,
             wall_s: float | None, stored: int = 0) -> None:
        """Show this picture and these events. Cheap when nothing changed; never raises."""
        with self._lock:
            try:
                self._show(status, events, now_s, wall_s)
                self._answer_stored(stored, now_s)
            except Exception as error:  # a word that cannot be shown must not end the batch
                self._note(error)

    def step(self, now_s: float) -> None:
        """One bounded piece of network work; never blocks, never raises."""
        with self._lock:
            if self._closed:
                return
            try:
                self._step(now_s)
            except Exception as error:
                self._note(error)

    def drain(self, now_s: float, within_s: float = 2.0) -> bool:
        """Wait at most within_s real seconds until the broker has everything. True if so.

        Before the first show() that is a standing connection: there is nothing to tell yet."""
        ends_s = self._real_s() + within_s
        away = 0
        while True:
            self.step(now_s)
            told = self._ready or (self._shown is None and self._connection.subscribed)
            if told and not self.waiting:
                return True
            left_s = ends_s - self._real_s()
            away = away + 1 if self._connection.phase == AWAY else 0
            if left_s <= 0.0 or away > 1 or self._closed:
                return False
            self._connection.wait(min(left_s, 0.02))

    def close(self, within_s: float = 1.0) -> None:
        """Hand over what is left, say `disconnected` and hang up; at most within_s seconds."""
        if self._closed:
            return
        now_s = float("-inf")  # no attempt is due for what is not connected now
        if self._connection.phase == OPEN:
            self.drain(now_s, within_s / 2)
            with self._lock:
                if self._connection.can_send():
                    self._tell_state(topics.STATE_DISCONNECTED)
            self.drain(now_s, within_s / 2)
        with self._lock:
            self._closed, self._ready = True, False
            self._connection.hang_up()

    # -- showing ---------------------------------------------------------------------------

    def _topic(self, node: str, property_id: str) -> str:
        return topics.property_topic(self._id, node, property_id)

    def _show(self, status: Status, events: tuple[Event, ...], now_s: float,
              wall_s: float | None) -> None:
        for event in events:
            self._take_event(event, status, now_s, wall_s)
        shown = _AT_ONCE(status)
        changed = shown != self._shown
        if changed:
            self._shown = shown
            self._show_properties(topics.AT_ONCE, status)
        if changed or events:
            self._show_alerts(status)
        if now_s < self._sample_at_s and not changed:
            return
        real_s = self._real_s()
        if changed or real_s >= self._picture_at_real_s:
            self._picture_at_real_s = real_s + PICTURE_REAL_S
            self._show_properties(topics.EACH_SAMPLE, status)
            if changed or now_s >= self._minute_at_s:
                self._minute_at_s = now_s + topics.MINUTE_S
                self._show_properties(topics.EACH_MINUTE, status)
            self._outbox.show(self._topic("stream", "dropped"), str(self._outbox.dropped))
        if now_s >= self._sample_at_s:
            # Keep to the grid of 5 s unless ticks were missed.
            next_s = self._sample_at_s + topics.SAMPLE_S
            self._sample_at_s = next_s if next_s > now_s else now_s + topics.SAMPLE_S
            self._outbox.add_sample(Message(
                self._topic("stream", "sample"),
                topics.sample(status, now_s, wall_s, self._boot), 0))

    def _show_properties(self, pace: str, status: Status) -> None:
        for prop in topics.BY_PACE[pace]:
            self._outbox.show(self._topic(prop.node, prop.id), topics.payload(prop, status))

    def _show_alerts(self, status: Status) -> None:
        standing = lines.alerts(status, self._finished)
        for alert, text in standing.items():
            self._outbox.show(topics.alert_topic(self._id, alert), text)
        for alert in self._alerts.difference(standing):
            self._outbox.show(topics.alert_topic(self._id, alert), topics.DELETED)
        self._alerts = set(standing)

    def _take_event(self, event: Event, status: Status, now_s: float,
                    wall_s: float | None) -> None:
        self._outbox.add_line(Message(
            self._topic("stream", "event"), lines.event_line(event, wall_s, self._boot),
            minor=lines.is_minor(event)))
        if event.kind == "stage_ended":
            self._finished = lines.finished_words(event, status.title)
        elif event.kind in lines.ENDS_FINISHED:
            self._finished = ""
        elif event.kind in ("request_accepted", "request_refused"):
            request_id, accepted = str(event.data.get("id", "")), event.kind == "request_accepted"
            kind, reply = self._unanswered.pop(request_id, ("", None))
            if reply is None:
                return
            if accepted and kind == OBSERVE:  # the others are done once they are taken
                self._unstored.append((event.number, now_s + STORED_S, request_id, reply))
            else:
                self._answer(request_id, accepted, str(event.data.get("why", "")), reply)

    def _answer_stored(self, stored: int, now_s: float) -> None:
        """Answer the readings that are on the disk, and those that should have been by now."""
        while self._unstored:
            number, until_s, request_id, reply = self._unstored[0]
            if number > stored and now_s < until_s:
                return
            self._unstored.popleft()
            self._answer(request_id, number <= stored, "" if number <= stored else NOT_STORED,
                         reply)

    # -- requests --------------------------------------------------------------------------

    def _arrived(self, received: Received) -> None:
        """Called by the connection inside step(), so the lock is held."""
        self._judged += 1
        many = self._judged > JUDGED_A_STEP
        if many and b'"hold"' not in received.payload:
            self.unheard += 1
            return
        reply = (received.response_topic, received.correlation)
        judged = self._requests.judge(received.payload, received.retained)
        if isinstance(judged, Request):
            if (len(self._waiting) < room_for(judged.kind, MAX_WAITING)
                    and len(self._unanswered) + len(self._unstored)
                    < room_for(judged.kind, MAX_UNANSWERED)):
                self._unanswered[judged.id] = (judged.kind, reply)
                self._waiting.append(judged)
                return
            judged = Refusal(judged.id, "too many requests are waiting; send it again with "
                             "a new id")
        if many:
            self.unheard += 1  # a flood: not even an answer, which would double it
        else:
            self._answer(judged.id, False, judged.why, reply,
                         self._requests.nonce if judged.stale else "")

    def _answer(self, request_id: str, accepted: bool, why: str,
                reply: tuple[str, bytes | None], nonce: str = "") -> None:
        text = answer(request_id, accepted, why, nonce)
        self._outbox.add_line(Message(self._topic("remote", "answer"), text, minor=True))
        response_topic, correlation = reply
        if reply_allowed(response_topic):
            self._outbox.add_line(Message(response_topic, text, minor=True,
                                          correlation=correlation))

    # -- the network -----------------------------------------------------------------------

    def _step(self, now_s: float) -> None:
        if now_s >= self._nonce_at_s:
            self._nonce_at_s = now_s + topics.MINUTE_S
            nonce = self._new_nonce()
            self._requests.renew(nonce)
            self._outbox.show(self._topic("remote", "nonce"), nonce)
        connection = self._connection
        self._judged = 0
        until_real_s = self._real_s() + STEP_REAL_S
        for _ in range(ROUNDS_A_STEP):
            connection.step(now_s, bool(self._outbox.dirty or self._outbox.lines), until_real_s)
            if connection.phase == AWAY and self._generation:
                self._forget_connection()
            elif connection.opened != self._generation:
                self._generation = connection.opened
                self._outbox.show_all_again()
                self._tell_state(topics.STATE_INIT)
            if not self._pump() or self._real_s() >= until_real_s:
                break
        flooded = connection.behind and self._judged > JUDGED_A_STEP
        self._flooded = self._flooded + 1 if flooded else 0
        if self._flooded >= FLOODED_STEPS:
            # Broker and kernel keep thousands of messages for us, and a real request behind them.
            self._flooded = 0
            connection.shed(now_s, "flooded with requests")
            # Now: the next step may dial at once, and what is unanswered would fill the window.
            self._forget_connection()

    def _forget_connection(self) -> None:
        self._ready = False
        self._outbox.put_back(
            [m for m in self._connection.take_unacknowledged() if not m.retain])

    def _pump(self) -> bool:
        """Send while the broker keeps up; True when something went that will be answered."""
        sent = False
        connection = self._connection
        while connection.can_send():
            if self._ready or self._outbox.dirty:
                message = self._outbox.take()
                if message is None:
                    break
                connection.send(message)
                sent = sent or message.qos > 0
            elif connection.subscribed and self._shown is not None:
                self._tell_state(topics.STATE_READY)
                self._ready = sent = True
            else:
                break
        return sent

    def _tell_state(self, state: str) -> None:
        self._connection.send(Message(topics.state_topic(self._id), state, 1, True))

    def _note(self, error: Exception) -> None:
        self.faults += 1
        self._fault = f"{type(error).__name__}: {error}"


def reply_allowed(topic: str) -> bool:
    """Whether an answer may go to this response topic.

    The sender chooses it, so it must not make the controller speak on a topic where others
    would believe it: no device tree, no discovery, nothing of the broker's own.
    """
    return (0 < len(topic) <= 200 and not any(mark in topic for mark in "#+\x00")
            and not topic.startswith(("$", "homie/", "homeassistant/")))
