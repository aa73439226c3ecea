"""The socket between guard and controller: real sockets, garbage, floods, second peers."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from esterward.guard.link import LOOKS, ControllerSocket, GuardSocket, _newest
from esterward.values.messages import (
    MAX_BYTES,
    ControllerReport,
    GuardReport,
    decode_controller,
    encode_controller,
    encode_guard,
)
from esterward.values.readings import Inputs, ProbeReading

SAID = ControllerReport(1, 100.0, "b", True, True, False, 57.0, 85.0, "d1")
TOLD = GuardReport(1, 100.0, "b", Inputs(), ProbeReading(54.0, 99.5), True, (), False, 58.0, 85.0,
                   "d1")


@pytest.fixture
def guard(tmp_path: Path) -> Iterator[GuardSocket]:
    made = GuardSocket(tmp_path / "guard.sock")
    yield made
    made.close()


@pytest.fixture
def controller(guard: GuardSocket, tmp_path: Path) -> Iterator[ControllerSocket]:
    made = ControllerSocket(tmp_path / "guard.sock")
    assert made.take(0.0) is None
    guard.step()
    yield made
    made.close()


def raw(tmp_path: Path) -> socket.socket:
    peer = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    peer.connect(str(tmp_path / "guard.sock"))
    return peer


def test_each_gets_the_newest_of_what_the_other_said(guard: GuardSocket,
                                                     controller: ControllerSocket) -> None:
    for count in (1, 2, 3):
        controller.send(replace(SAID, count=count), 1.0)
        guard.send(replace(TOLD, count=count))
    assert guard.step() == replace(SAID, count=3)
    assert controller.take(1.0) == replace(TOLD, count=3)
    assert controller.take(1.0) is None, "a report is taken once"
    assert guard.step() == replace(SAID, count=3), "the rule judges how old it is"


def test_a_goodbye_is_heard_also_from_one_that_went_without_reading_what_it_was_told(
    guard: GuardSocket, controller: ControllerSocket,
) -> None:
    controller.send(SAID, 1.0)
    assert guard.step() == SAID
    guard.send(TOLD)  # not read any more: the guard's next look is answered with a reset
    controller.goodbye(1.1)
    controller.close()
    heard = guard.step()
    assert heard is not None and not heard.k2_wanted and heard.count == SAID.count + 1
    assert guard._peer is None, "and that it went"


GARBAGE = [
    b"\x00", b"hello", b"[]", b"{}", b"null", b"[" * 900, b"x" * MAX_BYTES, b"x" * (MAX_BYTES + 1),
    b"x" * 60000, encode_guard(TOLD), encode_controller(SAID)[:-1],
    encode_controller(SAID).replace(b"57.0", b"NaN"),
    encode_controller(SAID).replace(b"57.0", b"Infinity"),
    encode_controller(SAID).replace(b"true", b"1"),
    encode_controller(SAID).replace(b'"d1"', b'"d1",1'),
    encode_controller(SAID).ljust(MAX_BYTES + 1),  # good, but for its length
    json.dumps(["c", 1, 100.0, "b", True, True, False, 57.0, 85.0, "d" * 1100]).encode(),
]


@pytest.mark.parametrize("line", GARBAGE, ids=range(len(GARBAGE)))
def test_garbage_is_silence_and_the_next_good_line_is_heard(
    guard: GuardSocket, tmp_path: Path, line: bytes,
) -> None:
    with raw(tmp_path) as peer:
        peer.send(line)
        assert guard.step() is None
        peer.send(encode_controller(SAID))
        assert guard.step() == SAID
        peer.send(line)
        assert guard.step() == SAID, "what came before only grows older"


def test_who_stood_still_hears_the_newest_that_waits_in_the_first_look(
    guard: GuardSocket, tmp_path: Path,
) -> None:
    """A socket holds about 270 lines, a minute of the guard's: none of it may be heard late."""
    with raw(tmp_path) as peer:
        peer.setblocking(False)
        sent = 0
        try:
            while sent < 2000:
                peer.send(encode_controller(replace(SAID, count=sent)))
                sent += 1
        except BlockingIOError:
            pass
        newest = guard.step()
        assert sent > 100 and newest is not None and newest.count == sent - 1


def test_a_flood_without_end_is_read_in_bounded_looks() -> None:
    class Endless:
        reads = 0

        def recv(self, size: int) -> bytes:
            self.reads += 1
            return b"x"

    flood: Any = Endless()
    assert len(_newest(flood)[0]) == flood.reads == LOOKS


def test_a_second_peer_is_turned_away_while_the_first_is_there(
    guard: GuardSocket, controller: ControllerSocket, tmp_path: Path,
) -> None:
    controller.send(SAID, 1.0)
    with raw(tmp_path) as stranger:
        stranger.send(encode_controller(replace(SAID, count=99, k1=False)))
        assert guard.step() == SAID
        guard.send(TOLD)
        stranger.settimeout(1.0)
        with suppress(ConnectionResetError):
            assert stranger.recv(100) == b""
    assert controller.take(1.0) == TOLD


def test_a_controller_that_restarts_is_taken_in_place_of_the_one_that_went(
    guard: GuardSocket, controller: ControllerSocket, tmp_path: Path,
) -> None:
    controller.send(SAID, 1.0)
    guard.step()
    controller.close()
    again = ControllerSocket(tmp_path / "guard.sock")
    again.send(replace(SAID, count=7), 2.0)
    assert guard.step() == replace(SAID, count=7)
    again.close()


def test_a_guard_that_is_not_there_is_silence_and_found_again_when_it_comes(
    tmp_path: Path,
) -> None:
    controller = ControllerSocket(tmp_path / "guard.sock")
    controller.send(SAID, 0.0)
    assert controller.take(0.0) is None
    first = GuardSocket(tmp_path / "guard.sock")
    controller.send(SAID, 0.5)
    assert first.step() is None, "it is tried once a second"
    controller.send(SAID, 1.5)
    assert first.step() == SAID
    first.close()
    assert controller.take(2.0) is None
    second = GuardSocket(tmp_path / "guard.sock")
    controller.send(SAID, 3.5)
    assert second.step() == SAID
    second.close()
    controller.close()


def test_a_peer_that_does_not_read_never_makes_anybody_wait(
    guard: GuardSocket, controller: ControllerSocket,
) -> None:
    for count in range(2000):
        controller.send(replace(SAID, count=count), 1.0)
        guard.send(replace(TOLD, count=count))
    assert guard.step() is not None and controller.take(1.0) is not None


def test_only_owner_and_group_may_speak(guard: GuardSocket, tmp_path: Path) -> None:
    assert (tmp_path / "guard.sock").stat().st_mode & 0o777 == 0o660


def test_a_socket_left_behind_by_a_dead_guard_is_replaced(tmp_path: Path) -> None:
    first = GuardSocket(tmp_path / "guard.sock")
    second = GuardSocket(tmp_path / "guard.sock")
    second.close()
    first.close()


def test_lines_stay_within_a_kilobyte_with_every_latch_and_a_long_reason() -> None:
    from esterward.guard.rule import CAUSES

    full = replace(TOLD, latches=tuple(CAUSES), probe_b=ProbeReading(None, 1e9, "x" * 500),
                   count=10**12, hash="f" * 64)
    assert len(encode_guard(full)) <= MAX_BYTES
    assert decode_controller(encode_controller(replace(SAID, hash="f" * 64))) is not None
