"""5,000 messages a second on the request topic of a real Mosquitto: nobody at the reactor notices.

Real controller, guard, broker and publisher, each a process. Ticks and beats are judged on the
bench's stamps: a tick drives its lines again, a beat is an edge. Half of the time the rig dries
with element, mixer and air on; then black is pressed, and nothing may come on any more. A round
that misses is repeated, twice at most, since other work of the machine holds up processes too;
what the flood itself does would be there each time. Ticks and beats at which the bench itself
stood still are not judged; a round with many of them, or in which the rate was not reached,
measures nothing: only such rounds is a skip, with its numbers. A long run sets ESTERWARD_FLOOD_S
(see docs).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from bench_rig import LOADS, REACTOR_TEXT, Rig, until
from esterward.record.read import read_rows
from esterward.record.resume import last_state
from telemetry.mqtt_rig import DEVICE, ROOT, Mosquitto, Watcher

SECONDS = float(os.environ.get("ESTERWARD_FLOOD_S", "5"))
RATE = 5000
TICK_S, TICK_LATE_S = 1.0, 0.25
BEAT_S, BEAT_LATE_S = 0.25, 0.05
REACHED = 0.95         # of RATE; less is no flood of 5,000
GROWS_MB = 16.0        # what a flood may add to the controller, however long it lasts
JUDGED = 0.7           # of ticks and of beats, the bench itself awake; fewer is no measurement
ROUNDS, MISSES = 6, 3
FLOODER = Path(__file__).with_name("flooder.py")
# All that a flood may leave in the record while a batch dries and is then held by its button.
KINDS = {"request_accepted", "request_refused", "observation", "sheet_changed", "state_changed",
         "grant_withheld", "prompt_opened", "note"}


class Counter:
    """A second subscriber, a process of its own, that counts what the broker delivers."""

    def __init__(self, port: int, name: str) -> None:
        self.count = 0
        self._process = subprocess.Popen(
            ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-q", "0", "-t", ROOT + name,
             "-F", "%r"], stdout=subprocess.PIPE)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        while data := os.read(self._process.stdout.fileno(), 65536):
            self.count += data.count(b"\n")

    def close(self) -> int:
        self._process.terminate()
        self._process.wait(10.0)
        self._thread.join(10.0)
        assert self._process.stdout is not None
        self._process.stdout.close()
        return self.count


@dataclass
class Round:
    """One flood in numbers. ticks, beats: the share of them that could be judged; still_s: how
    long the bench itself stood still in all."""

    published: int
    delivered: int
    answered: int
    seconds: float
    tick_late_s: float
    ticks: float
    beat_late_s: float
    beats: float
    still_s: float
    grown_mb: float

    @property
    def measures(self) -> bool:
        return (min(self.ticks, self.beats) >= JUDGED
                and self.delivered >= REACHED * RATE * self.seconds)

    @property
    def good(self) -> bool:
        return (self.measures and self.tick_late_s <= TICK_LATE_S
                and self.beat_late_s <= BEAT_LATE_S)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto.begun(tmp_path)
    yield made
    made.stop()


def memory_mb(pid: int, what: str) -> float:
    status = Path(f"/proc/{pid}/status").read_text("ascii")
    return int(status.partition(what + ":")[2].split()[0]) / 1024


def stamps(rig: Rig, what: str, from_s: float, to_s: float) -> list[float]:
    return [change["at_s"] for change in list(rig.changes)
            if change["what"] == what and from_s <= change["at_s"] <= to_s]


def latest(moments: list[tuple[float, float]], stills: list[tuple[float, float]]
           ) -> tuple[float, float]:
    """Of (due, came): how late the latest was, and which share could be judged: not those in
    which the bench itself stood still."""
    judged = [came - due for due, came in moments
              if not any(begun < came + 0.01 and ended > due for begun, ended in stills)]
    return max([0.0, *judged]), len(judged) / len(moments)


def ticks_due(quiet: list[float], flooded: list[float], to_s: float) -> list[tuple[float, float]]:
    """(due, came) of each tick.

    Ticks are due each second; the quiet time says at which part of it (in its median: a changed
    input makes an extra tick between).
    """
    apart_s = sorted((at - quiet[0] + 0.5) % TICK_S - 0.5 for at in quiet)
    due_s = quiet[0] + apart_s[len(apart_s) // 2]
    moments = []
    while due_s < to_s - TICK_S:
        if due_s > flooded[0] - 0.5:
            came_s = next((at for at in flooded if at >= due_s - 0.03), to_s)
            moments.append((due_s, came_s))
        due_s += TICK_S
    return moments


def flood(rig: Rig, broker: Mosquitto, seconds: float, half_way: Any) -> Round:
    """One round; half_way is called in the middle of it."""
    assert rig.controller is not None
    quiet_s = time.monotonic()
    time.sleep(4.0)
    before_mb = memory_mb(rig.controller.pid, "VmRSS")
    requests, answers = (Counter(broker.port, name)
                         for name in ("remote/request/set", "remote/answer"))
    with subprocess.Popen(
        [sys.executable, str(FLOODER), str(broker.port), ROOT, str(seconds), str(RATE)],
        stdout=subprocess.PIPE, text=True) as flooder:
        assert flooder.stdout is not None
        assert flooder.stdout.readline() == "begun\n"
        from_s = time.monotonic()
        time.sleep(seconds / 2)
        half_way()
        time.sleep(max(0.0, from_s + seconds - time.monotonic()))
        to_s = time.monotonic()
        told = json.loads(flooder.stdout.readline())
    grown_mb = memory_mb(rig.controller.pid, "VmHWM") - before_mb
    stills = [(change["at_s"] - change["s"], change["at_s"]) for change in list(rig.changes)
              if change["what"] == "bench still" and from_s <= change["at_s"] <= to_s]
    tick_late_s, ticks = latest(ticks_due(stamps(rig, "drive k1", quiet_s, from_s),
                                          stamps(rig, "drive k1", from_s, to_s), to_s), stills)
    edges = [from_s, *stamps(rig, "drive beat", from_s, to_s), to_s]
    beat_late_s, beats = latest([(a + BEAT_S, b) for a, b in pairwise(edges)], stills)
    return Round(told["published"], requests.close(), answers.close(), told["seconds"],
                 round(tick_late_s, 3), round(ticks, 3), round(beat_late_s, 3), round(beats, 3),
                 round(sum(ended - begun for begun, ended in stills), 3), round(grown_mb, 1))


def test_five_thousand_messages_a_second_hold_up_neither_tick_nor_beat_and_energise_nothing(
    tmp_path: Path, broker: Mosquitto,
) -> None:
    # A solid-state switch needs no rest before the element may come on again.
    text = REACTOR_TEXT
    for shipped, here in (('host = ""', 'host = "127.0.0.1"'),
                          ("port = 1883", f"port = {broker.port}"),
                          ('id = "skarnmoor-shed"', f'id = "{DEVICE}"'),
                          ('switch = "contactor"', 'switch = "ssr"')):
        assert shipped in text
        text = text.replace(shipped, here)
    watcher = Watcher(broker.port, ROOT + "$state", ROOT + "remote/nonce")
    try:
        with Rig(tmp_path / "rig", text, look_s=0.005) as rig:
            rig.dry()
            until(lambda: watcher.of("$state")[-1:] == ["ready"], "ready", 30.0)
            rig.tell(stamp=["k1", "beat"])
            begun = len(list(read_rows(rig.folder / "record.sqlite")))
            seen: list[int] = []

            def stop_half_way() -> None:
                assert all(rig.level(what) for what in LOADS), "no message stopped it"
                rig.press("black")
                rig.wait("element", False, 5.0)
                rig.wait("mixer", False, 5.0)
                seen.append(len(rig.changes))

            rounds: list[Round] = []
            while not rounds or (not rounds[-1].good and len(rounds) < ROUNDS
                                 and sum(told.measures for told in rounds) < MISSES):
                if rounds:
                    rig.press("green", seconds=3.5)
                    for what in LOADS:
                        rig.wait(what, True)
                rounds.append(flood(rig, broker, SECONDS, stop_half_way))
                came_on = [change for change in rig.changes[seen[-1]:] if change["level"]
                           and change["what"] in (*LOADS, "k1", "k2", "line k1", "line mixer")]
                print(rounds[-1], flush=True)
                assert came_on == []
            if not any(told.measures for told in rounds):
                pytest.skip(f"the machine held up bench or publisher each time: {rounds}")
            assert rounds[-1].good, rounds
            heard = [row.event.kind for row in list(read_rows(rig.folder / "record.sqlite"))[begun:]
                     if row.event.kind.startswith("request_")]
            assert len(heard) > SECONDS, "the flood came as far as the controller"
            assert rounds[-1].grown_mb < GROWS_MB
            unhurt(rig, broker, watcher, begun)
    finally:
        watcher.close()


def unhurt(rig: Rig, broker: Mosquitto, watcher: Watcher, begun: int) -> None:
    """State and record are as without the flood; in the long run a request is answered again,
    once what the broker still holds of the flood has been read."""
    assert rig.controller is not None and rig.guard is not None
    until(lambda: watcher.of("$state")[-1:] == ["ready"], "ready", 60.0)
    if SECONDS > 5.0:
        answered_again(broker, watcher)
    assert rig.controller.poll() is None and rig.guard.poll() is None
    assert "Traceback" not in rig.logs()
    rig.controller.terminate()
    assert rig.controller.wait(10.0) == 0
    path = rig.folder / "record.sqlite"
    found = last_state(path)
    assert found.clean and found.checkpoint is not None and not found.renamed
    state = json.loads(found.checkpoint)
    assert state["process"]["state"] == "held" and state["process"]["step"] == "dry.run"
    assert state["safety"]["latches"] == [] and state["flag"]["set"] is False
    assert {row.event.kind for row in list(read_rows(path))[begun:]} <= KINDS


def answered_again(broker: Mosquitto, watcher: Watcher) -> None:
    """Until a request is answered, asked anew every few seconds as a person would."""
    answers = Watcher(broker.port, ROOT + "remote/answer")
    ended_s = time.monotonic()
    try:
        def asked() -> bool:
            nonce, number = watcher.of("remote/nonce")[-1], time.monotonic_ns()
            subprocess.run(
                ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-q", "1", "-t",
                 ROOT + "remote/request/set", "-m", json.dumps(
                     {"id": f"after-{number}", "nonce": nonce, "kind": "hold"})], check=True)
            time.sleep(2.0)
            return any("after-" in answer for answer in answers.of("remote/answer"))

        until(asked, "nobody answers after the flood", 120.0)
        print(f"answered {time.monotonic() - ended_s:.0f} s after the flood")
    finally:
        answers.close()
