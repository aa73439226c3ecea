"""One connection to the broker, driven by hand: the only file that knows paho.

It never blocks and starts no thread. The TCP connection is made on a non-blocking socket that
is then handed to paho, because paho's own connect() waits up to its timeout; reading and
writing go through paho's loop_read, loop_write and loop_misc on that socket. Every attempt
uses a new paho client, so nothing of a broken connection is left to repeat itself.

MQTT 5 is tried first; a broker that does not answer, closes without a word, or says that it
does not know MQTT 5, is asked again at once with 3.1.1. Other failures wait 1, 2, 4 ... 60 s.

Two clocks: now_s is the caller's (virtual in a rehearsal) and rules back-off and patience;
real_s bounds them from below, since a socket does not run faster in a fast rehearsal.
"""

from __future__ import annotations

import errno
import ipaddress
import os
import select
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from esterward.telemetry.outbox import Message

AWAY, LOOKING_UP, DIALLING, GREETING, OPEN = "away", "looking up", "dialling", "greeting", "open"

KEEPALIVE_S: Final = 10
PATIENCE_S: Final = 10.0  # for one attempt, by now_s
PATIENCE_REAL_S: Final = 2.0  # and at least so long by real_s
V5_REAL_S: Final = 1.0  # an answer to MQTT 5 that takes longer is not awaited
BACK_OFF_MAX_S: Final = 60.0
BETWEEN_TRIES_REAL_S: Final = 0.2
WINDOW: Final = 50  # messages sent and not yet acknowledged
MAX_RECEIVED_BYTES: Final = 4096
READS_A_STEP: Final = 50
# What the kernel keeps for us: enough for a minute of honest requests. The default grows to
# megabytes, and behind that many messages of a flood a real request waits for minutes.
KERNEL_BYTES: Final = 32_768

Submit = Callable[[Callable[[], None]], object]
Address = tuple[int, Any]  # address family, socket address


@dataclass(frozen=True, slots=True)
class Received:
    """One message on the subscribed topic. response_topic and correlation are MQTT 5."""

    payload: bytes
    retained: bool
    response_topic: str
    correlation: bytes | None


class _Client(mqtt.Client):
    """paho's client on a socket that is already connected, with a limit on what it reads.

    Two methods of paho 2.2 are replaced that it does not call public; the version is pinned.
    """

    ready_socket: socket.socket
    too_long = False

    def _create_socket(self) -> Any:
        return self.ready_socket

    def _sock_recv(self, bufsize: int) -> bytes:
        # bufsize is what is left of the message, up to 256 MB; no request is so long.
        if bufsize > MAX_RECEIVED_BYTES:
            self.too_long = True
            raise ConnectionError("message too long")
        return super()._sock_recv(bufsize)


def _numeric(host: str, port: int) -> list[Address] | None:
    if host == "localhost":
        return [(socket.AF_INET, ("127.0.0.1", port)), (socket.AF_INET6, ("::1", port))]
    try:
        version = ipaddress.ip_address(host).version
    except ValueError:
        return None
    return [(socket.AF_INET if version == 4 else socket.AF_INET6, (host, port))]


class Connection:
    """Dials, keeps and re-makes the connection; hands over what arrives.

    phase: one of the five words above. opened counts the connections that the broker accepted.
    subscribed: the broker confirmed the subscription of this connection. behind: the last step
    ended before all that had come was read. fault: why there is
    no connection, or what went wrong last, in words; "" when all is well.
    """

    def __init__(
        self, host: str, port: int, client_id: str, will: Message, topic: str,
        arrived: Callable[[Received], None], *, credentials: tuple[str, str] | None = None,
        submit: Submit | None = None, real_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """submit runs a function elsewhere (a thread of the caller's); looking up a host name
        blocks for seconds, so a name without submit is refused with ValueError."""
        self._fixed = _numeric(host, port)
        if self._fixed is None and submit is None:
            raise ValueError(f"{host!r} is a name; give submit= to look it up, or an IP address")
        self._host, self._port, self._client_id = host, port, client_id
        self._will, self._topic, self._arrived = will, topic, arrived
        self._credentials, self._submit, self._real_s = credentials, submit, real_s
        self._found: list[Address] | OSError | None = None
        self._looking = False
        self._attempt = 0
        self._address = 0
        self._try_at_s = float("-inf")
        self._try_at_real_s = float("-inf")
        self._since_s = self._since_real_s = self._greeted_real_s = 0.0
        self._v5 = True
        self._socket: socket.socket | None = None
        self._client: _Client | None = None
        self._why_gone = ""
        self._retry_as_311 = False
        self._heard = 0
        self._misc_at_s = self._read_at_s = float("-inf")
        self._window = WINDOW
        self._sent: dict[int, Message] = {}
        self.phase = AWAY
        self.opened = 0
        self.subscribed = self.behind = False
        self.fault = ""
        self.callback_faults = 0

    @property
    def protocol(self) -> str:
        return "MQTT 5" if self._v5 else "MQTT 3.1.1"

    @property
    def unacknowledged(self) -> int:
        return len(self._sent)

    def take_unacknowledged(self) -> list[Message]:
        """What was handed to a connection that is gone and never acknowledged, oldest first."""
        messages = list(self._sent.values())
        self._sent.clear()
        return messages

    def can_send(self) -> bool:
        """True while the broker keeps up; False once its socket or window is full."""
        return (self.phase == OPEN and self._client is not None and not self._why_gone
                and len(self._sent) < self._window and not self._client.want_write())

    def send(self, message: Message) -> None:
        """Hand one message over. Only when can_send()."""
        assert self._client is not None
        properties = None
        if self._v5 and message.correlation is not None:
            properties = _properties(PacketTypes.PUBLISH)
            properties.CorrelationData = message.correlation
        info = self._client.publish(message.topic, message.payload.encode("utf-8", "replace"),
                                    message.qos, message.retain, properties)
        if message.qos > 0:
            self._sent[info.mid] = message
        if info.rc != mqtt.MQTT_ERR_SUCCESS and not self._why_gone:
            self._why_gone = mqtt.error_string(info.rc)

    def step(self, now_s: float, busy: bool = False, until_real_s: float = float("inf")) -> None:
        """One bounded piece of work; busy: an answer is awaited, so look at the socket now.

        until_real_s: by real_s nothing more is read after this, whatever still waits.
        """
        real_s = self._real_s()
        if self.phase == OPEN:
            if busy or self._sent or real_s >= self._read_at_s:
                self._read_at_s = real_s + 0.005
                self._run_client(real_s, until_real_s)
        elif self.phase == AWAY:
            if now_s >= self._try_at_s and real_s >= self._try_at_real_s:
                self._begin(now_s, real_s)
        elif (now_s - self._since_s >= PATIENCE_S
              and real_s - self._since_real_s >= PATIENCE_REAL_S):
            # Only the name lookup cannot be abandoned; it is taken up again by the next try.
            self._why_gone = "no answer"
        elif self.phase == LOOKING_UP:
            self._dial_found()
        elif self.phase == DIALLING:
            self._try_greet(real_s)
        else:
            self._run_client(real_s, until_real_s)
            if self.phase == GREETING and self._v5 and real_s >= self._greeted_real_s + V5_REAL_S:
                # amqtt 0.12 misreads a greeting with a will and waits for ever.
                self._why_gone, self._retry_as_311 = "no answer", True
        if self._why_gone:
            self._lose(now_s, real_s)

    # -- making the connection -------------------------------------------------------------

    def _begin(self, now_s: float, real_s: float) -> None:
        self._since_s, self._since_real_s = now_s, real_s
        self._try_at_real_s = real_s + BETWEEN_TRIES_REAL_S
        if self._fixed is not None:
            self._dial(self._fixed)
            return
        self.phase = LOOKING_UP
        if not self._looking:
            self._looking, self._found = True, None
            assert self._submit is not None
            self._submit(self._look_up)
        self._dial_found()

    def _look_up(self) -> None:
        """Runs elsewhere; writes one attribute and nothing else."""
        try:
            self._found = [(family, address) for family, _, _, _, address in socket.getaddrinfo(
                self._host, self._port, type=socket.SOCK_STREAM)]
        except OSError as error:
            self._found = error

    def _dial_found(self) -> None:
        found = self._found
        if found is None:
            return
        self._looking = False
        if isinstance(found, OSError) or not found:
            self._why_gone = f"the name cannot be looked up ({found or 'no address'})"
        else:
            self._dial(found)

    def _dial(self, addresses: list[Address]) -> None:
        family, address = addresses[self._address % len(addresses)]
        try:
            self._socket = socket.socket(family, socket.SOCK_STREAM)
            self._socket.setblocking(False)
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, KERNEL_BYTES)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            code = self._socket.connect_ex(address)
        except OSError as error:
            self._why_gone = error.strerror or str(error)
            return
        self.phase = DIALLING
        if code not in (0, errno.EINPROGRESS):
            self._why_gone = os.strerror(code)
            self._address += 1

    def _try_greet(self, real_s: float) -> None:
        assert self._socket is not None
        if not _poll(self._socket, select.POLLOUT, 0.0):
            return
        code = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            self._why_gone = os.strerror(code)
            self._address += 1
            return
        self.phase, self._greeted_real_s = GREETING, real_s
        client = _Client(
            CallbackAPIVersion.VERSION2, client_id=self._client_id,
            protocol=mqtt.MQTTv5 if self._v5 else mqtt.MQTTv311,
            clean_session=None if self._v5 else True, reconnect_on_failure=False)
        client.ready_socket = self._socket
        client.suppress_exceptions = True
        client.max_inflight_messages_set(0)  # no limit of its own: the window here is the limit
        if self._credentials is not None:
            client.username_pw_set(*self._credentials)
        client.will_set(self._will.topic, self._will.payload, self._will.qos, self._will.retain)
        client.on_connect = self._guarded(client, self._on_connect)
        client.on_disconnect = self._guarded(client, self._on_disconnect)
        client.on_message = self._guarded(client, self._on_message)
        client.on_publish = self._guarded(client, self._on_publish)
        client.on_subscribe = self._guarded(client, self._on_subscribe)
        # No MQTT 5 properties: "no session" is the default, and they confuse old brokers.
        client.connect_async(self._host, self._port, KEEPALIVE_S, clean_start=True)
        self._client = client
        client.reconnect()

    # -- keeping it ------------------------------------------------------------------------

    def _run_client(self, real_s: float, until_real_s: float) -> None:
        client = self._client
        assert client is not None
        self.behind = True
        for _ in range(READS_A_STEP):
            heard = self._heard
            code = client.loop_read()
            if code != mqtt.MQTT_ERR_SUCCESS:
                self._why_gone = self._why_gone or mqtt.error_string(code)
            if client.too_long:
                self._why_gone = "somebody sent more than a request can be"
            if self._why_gone or heard == self._heard:
                self.behind = False
                break
            if self._real_s() >= until_real_s:
                break
        if client.want_write() and not self._why_gone:
            client.loop_write()
        if real_s >= self._misc_at_s and not self._why_gone:
            self._misc_at_s = real_s + 1.0
            client.loop_misc()

    def _lose(self, now_s: float, real_s: float) -> None:
        greeting = self.phase == GREETING
        why, self._why_gone = self._why_gone, ""
        if self._socket is not None:
            self._socket.close()
        self._socket = self._client = None
        self.phase, self.subscribed, self.behind = AWAY, False, False
        if self._v5 and greeting and self._retry_as_311:
            self._v5 = False
            self._try_at_s = self._try_at_real_s = float("-inf")
            return
        self._v5, self._retry_as_311 = True, False
        delay_s = min(BACK_OFF_MAX_S, 2.0 ** min(self._attempt, 6))
        self._attempt += 1
        self._try_at_s = now_s + delay_s
        self.fault = f"no broker at {self._host}:{self._port} ({why})"

    def shed(self, now_s: float, why: str) -> None:
        """Give this connection up, with all that waits on it, and make a new one."""
        if self.phase == OPEN:
            self._why_gone = why
            self._lose(now_s, self._real_s())

    def hang_up(self) -> None:
        """Say goodbye, so that the broker does not publish the will, and close."""
        if self._client is not None and self.phase == OPEN:
            self._client.disconnect()
        if self._socket is not None:
            self._socket.close()
        self._socket = self._client = None
        self.phase, self.subscribed = AWAY, False

    def wait(self, seconds: float) -> bool:
        """Wait for the socket at most so long (end of a rehearsal only). False: no socket."""
        if self._socket is None:
            return False
        wanted = select.POLLIN
        if self.phase == DIALLING or (self._client is not None and self._client.want_write()):
            wanted |= select.POLLOUT
        _poll(self._socket, wanted, seconds)
        return True

    # -- what paho calls -------------------------------------------------------------------

    def _guarded(self, client: _Client, callback: Callable[..., None]) -> Callable[..., None]:
        """paho stops delivering for ever after an exception in a callback: let none out."""

        def call(_client: Any, _userdata: Any, *arguments: Any) -> None:
            if client is not self._client:
                return
            self._heard += 1
            try:
                callback(*arguments)
            except Exception as error:
                self.callback_faults += 1
                self.fault = f"{callback.__name__}: {type(error).__name__}: {error}"

        return call

    def _on_connect(self, _flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._retry_as_311 = reason.getName() == "Unsupported protocol version"
            self._why_gone = f"refused: {reason}"
            return
        assert self._client is not None
        self.phase = OPEN
        self.opened += 1
        self._attempt = 0
        self.fault = ""
        self._window = min(WINDOW, getattr(properties, "ReceiveMaximum", WINDOW))
        if self._v5:
            # Retained requests are wanted here, with their flag: they are refused by name.
            self._client.subscribe(self._topic, options=SubscribeOptions(
                qos=1, retainAsPublished=True, retainHandling=0))
        else:
            self._client.subscribe(self._topic, 1)

    def _on_disconnect(self, _flags: Any, reason: Any, _properties: Any) -> None:
        if self.phase == GREETING and not self._why_gone:
            # Closed without a word: that is how a broker that knows only 3.1.1 may answer.
            self._retry_as_311 = True
        self._why_gone = self._why_gone or f"connection lost: {reason}"

    def _on_message(self, message: mqtt.MQTTMessage) -> None:
        properties = message.properties
        self._arrived(Received(
            bytes(message.payload), bool(message.retain),
            str(getattr(properties, "ResponseTopic", "")),
            getattr(properties, "CorrelationData", None)))

    def _on_publish(self, mid: int, reason: Any, _properties: Any) -> None:
        message = self._sent.pop(mid, None)
        if message is not None and reason.is_failure:
            self.fault = f"the broker did not take {message.topic}: {reason}"

    def _on_subscribe(self, _mid: int, reasons: list[Any], _properties: Any) -> None:
        self.subscribed = True
        if any(reason.is_failure for reason in reasons):
            self.fault = f"the broker refused the requests from afar: {reasons[0]}"


def _properties(packet: int) -> Any:
    return Properties(packet)  # type: ignore[no-untyped-call]


def _poll(sock: socket.socket, wanted: int, seconds: float) -> bool:
    poller = select.poll()
    poller.register(sock, wanted)
    return bool(poller.poll(max(0.0, seconds) * 1000.0))
