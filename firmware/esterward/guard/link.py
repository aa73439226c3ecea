"""The socket between guard and controller: one JSON line each way, nothing ever waits.

SOCK_SEQPACKET keeps the lines apart. The guard binds it and talks to one peer; a second one is
turned away while the first is there. A line that is malformed, too long or not of this boot is
not passed on, so it ages into silence. What cannot be sent at once is dropped: the next cycle
says it again.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

from esterward.values.messages import (
    MAX_BYTES,
    ControllerReport,
    GuardReport,
    decode_controller,
    decode_guard,
    encode_controller,
    encode_guard,
)

# Lines read at most in one look, so that a flood cannot hold a cycle. More than a full socket
# holds: who stood still for a minute must not hear for seconds what was said a minute ago.
LOOKS: Final = 1024
RETRY_S: Final = 1.0
MODE: Final = 0o660        # guard and controller share a group; nobody else may speak
PATH_BYTES: Final = 107    # unix(7): sun_path is 108 bytes with its end


def _checked(path: str | Path) -> Path:
    """The path; ValueError when no socket can have it, which would read as a silent guard."""
    size = len(os.fsencode(path))
    if size > PATH_BYTES:
        raise ValueError(f"{path}: {size} bytes are too long for a socket, at most {PATH_BYTES}; "
                         "name a --runtime folder with a shorter path.")
    return Path(path)


def _newest(peer: socket.socket) -> tuple[list[bytes], bool]:
    """The lines waiting, oldest first, and whether the peer is still there."""
    lines: list[bytes] = []
    for _ in range(LOOKS):
        try:
            line = peer.recv(MAX_BYTES + 1)
        except BlockingIOError:
            return lines, True
        except ConnectionResetError:
            continue  # it went before it had read all we said; its own last lines come after this
        except OSError:
            return lines, False
        if not line:
            return lines, False
        lines.append(line)
    return lines, True


def _send(peer: socket.socket, line: bytes) -> bool:
    """False when the peer is gone; a full buffer only loses this line."""
    try:
        peer.send(line)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return True


class GuardSocket:
    """The guard's end. ValueError for a path that no socket can have, OSError as bind(2)."""

    def __init__(self, path: str | Path) -> None:
        self._path = _checked(path)
        with suppress(FileNotFoundError):
            self._path.unlink()  # the lock says that no other guard is alive behind it
        self._door = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET | socket.SOCK_CLOEXEC)
        self._door.setblocking(False)
        old = os.umask(0o777 & ~MODE)
        try:
            self._door.bind(str(self._path))
        finally:
            os.umask(old)
        self._door.listen(4)
        self._peer: socket.socket | None = None
        self.message: ControllerReport | None = None

    def step(self) -> ControllerReport | None:
        """Take what came; the newest well-formed message, however old (the rule judges that)."""
        self._accept()
        if self._peer is not None:
            lines, alive = _newest(self._peer)
            for line in reversed(lines):
                report = decode_controller(line)
                if report is not None:
                    self.message = report
                    break
            if not alive:
                self._peer.close()
                self._peer = None
        return self.message

    def _accept(self) -> None:
        while True:
            try:
                peer, _ = self._door.accept()
            except OSError:  # nobody there, or gone again before we looked
                return
            if self._peer is not None and not _gone(self._peer):
                peer.close()
                continue
            if self._peer is not None:
                self._peer.close()
            peer.setblocking(False)
            self._peer = peer

    def send(self, report: GuardReport) -> None:
        if self._peer is not None and not _send(self._peer, encode_guard(report)):
            self._peer.close()
            self._peer = None

    def close(self) -> None:
        if self._peer is not None:
            self._peer.close()
        self._door.close()
        with suppress(OSError):
            self._path.unlink()


def _gone(peer: socket.socket) -> bool:
    try:
        return peer.recv(1, socket.MSG_PEEK) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


class ControllerSocket:
    """The controller's end: the GuardLink port. A guard that is not there is silence."""

    def __init__(self, path: str | Path) -> None:
        self._path = _checked(path)
        self._peer: socket.socket | None = None
        self._tried_s = float("-inf")
        self._last: ControllerReport | None = None

    def _connected(self, now_s: float) -> socket.socket | None:
        if self._peer is not None or now_s - self._tried_s < RETRY_S:
            return self._peer
        self._tried_s = now_s
        peer = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET | socket.SOCK_CLOEXEC)
        peer.setblocking(False)
        try:
            peer.connect(str(self._path))
        except OSError:
            peer.close()
            return None
        self._peer = peer
        return peer

    def _drop(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None

    def send(self, report: ControllerReport, now_s: float) -> None:
        self._last = report
        peer = self._connected(now_s)
        if peer is not None and not _send(peer, encode_controller(report)):
            self._drop()

    def take(self, now_s: float) -> GuardReport | None:
        """The newest well-formed report that came since the last take."""
        peer = self._connected(now_s)
        if peer is None:
            return None
        lines, alive = _newest(peer)
        if not alive:
            self._drop()
        for line in reversed(lines):
            report = decode_guard(line)
            if report is not None:
                return report
        return None

    def goodbye(self, now_s: float) -> None:
        """Say once more what was said last, but that no energy is wanted: K2 opens at once."""
        if self._last is not None:
            self.send(replace(self._last, count=self._last.count + 1, at_s=now_s, k1=False,
                              k2_wanted=False), now_s)

    def close(self) -> None:
        self._drop()
