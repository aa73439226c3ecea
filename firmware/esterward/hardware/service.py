"""What a program of ours needs of the operating system: clock, lock, supervisor, signals."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import socket
import time
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import IO, Final

BOOT_ID: Final = "/proc/sys/kernel/random/boot_id"
# systemd-timesyncd(8) makes this file once the clock was set from the network.
CLOCK_SET: Final = "/run/systemd/timesync/synchronized"
CLOCK_CHIPS: Final = "/sys/class/rtc"  # Linux ABI sysfs-class-rtc: since_epoch in UTC seconds
CHIP_AGREES_S: Final = 60.0            # both may have drifted apart for a week


class LockFailed(RuntimeError):
    """The lock cannot be had; the text is one sentence."""


class MonotonicClock:
    """The Clock port: CLOCK_MONOTONIC of this boot. wait() ends early when stop() was called.

    signal: the number of the signal that stopped it, 0 for none. The clock chip is asked
    once, by the first wall_s(): reading one may block, and the guard has no need of it.
    """

    def __init__(self) -> None:
        self.boot = Path(BOOT_ID).read_text("ascii").strip()
        self.stopped = False
        self.signal = 0
        # A pipe and no lock: stop() runs inside a signal handler, between any two instructions.
        self._wake, self._waker = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)

    def now_s(self) -> float:
        return time.monotonic()

    @cached_property
    def set_by_chip(self) -> bool:
        return chip_agrees(Path(CLOCK_CHIPS), time.time())

    def wall_s(self) -> float | None:
        """Unix time as a label; None while nothing has set this machine's clock."""
        if self.set_by_chip or Path(CLOCK_SET).exists():
            return time.time()
        return None

    def wait(self, until_s: float) -> None:
        left_s = until_s - time.monotonic()
        if left_s > 0.0 and not self.stopped:
            select.select([self._wake], [], [], left_s)

    def stop(self, number: int = 0) -> None:
        self.stopped = True
        self.signal = self.signal or number
        with suppress(BlockingIOError):
            os.write(self._waker, b".")


def chip_agrees(chips: Path, wall_s: float) -> bool:
    """Whether a clock chip of the board tells the same time as the system's clock, Unix time.

    That there is a chip says nothing: one without a battery begins anew (1970, 2000) when the power
    comes, while systemd sets the system's clock to what it kept in a file, so the two differ by
    decades. Nobody copies that kept time into the chip: the kernel does so only with a clock that
    is synchronised (NTP), and timedatectl(1) when a person sets the time.
    """
    for chip in chips.glob("rtc*/since_epoch"):
        with suppress(OSError, ValueError):  # a chip that lost its time may refuse to be read
            if abs(int(chip.read_text("ascii")) - wall_s) <= CHIP_AGREES_S:
                return True
    return False


def stop_on_signals(clock: MonotonicClock) -> None:
    """Every signal that asks a program to end ends the loop, which drives its outputs low."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT):
        signal.signal(number, lambda got, _: clock.stop(got))


def only_one(path: str | Path, what: str) -> IO[str]:
    """Hold a lock file as long as the returned file is open; LockFailed otherwise."""
    try:
        lock = Path(path).open("a", encoding="ascii")  # noqa: SIM115 - held until the process ends
    except OSError as error:
        raise LockFailed(f"the lock {path} cannot be opened ({error.strerror}); remove it if "
                         "another user left it (by sudo, say), or name a --runtime folder you "
                         "may write.") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise LockFailed(f"{what} is already running here (lock {path}); stop that one "
                         "first.") from None
    return lock


def tell_supervisor(*lines: str) -> bool:
    """sd_notify(3): READY=1, WATCHDOG=1, STOPPING=1; False when nobody asked for it."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address[0] == "@":
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX,
                           socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK) as line:
            line.sendto("\n".join(lines).encode("ascii"), address)
    except OSError:
        return False  # a deaf supervisor must not stop a guard
    return True
