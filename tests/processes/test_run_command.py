"""`esterward run` and `esterward guard` as a person meets them: real processes on the bench."""

from __future__ import annotations

import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench_rig import BATCH_TEXT, CONFIG, Rig, until
from esterward.record.read import read_documents, read_marks, read_rows
from telemetry.mqtt_rig import DEVICE, ROOT, Mosquitto, Watcher

# The shipped example with a broker that nobody answers at, and a solid-state switch, which needs
# no rest before it may close again.
SMALL = (CONFIG / "reactor.toml").read_text("utf-8").replace('host = ""', 'host = "127.0.0.1"')
SMALL = SMALL.replace("port = 1883", "port = 9").replace('switch = "contactor"', 'switch = "ssr"')
OUTPUTS = ("k1", "ssr", "mixer", "air", "vent", "horn", "lamp", "enable")


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path / "rig", SMALL) as made:
        yield made


def lines_low(rig: Rig) -> bool:
    return not any(rig.level(f"line {name}") for name in OUTPUTS)


def kinds(rig: Rig) -> list[str]:
    return [row.event.kind for row in read_rows(rig.folder / "record.sqlite")]


def test_a_batch_is_started_heats_a_minute_is_held_goes_on_and_stops_with_every_output_off(
    rig: Rig,
) -> None:
    rig.start_guard()
    controller = rig.start_controller("--batch", str(rig.folder / "batch.toml"))
    rig.said("Is all methanol out of the vessel?")
    rig.as_installed()
    assert not any(rig.level(what) for what in ("line k1", "line mixer", "line air", "k2"))
    time.sleep(1.5)
    rig.press_until("methanol flag cleared", "green", "blue", seconds=6.6)
    rig.said("Still to check: e-stop")
    for hand in ("estop_pressed", "float_lifted"):
        rig.tell(set=[hand, True])
        time.sleep(1.5)
        rig.tell(set=[hand, False])
        time.sleep(1.5)
    rig.press_until("Ready to start", "blue", seconds=6.6)
    rig.press_until("batch skarnmoor lot 1 started", "green", seconds=3.5)
    rig.tell(hands=["pour_oil", 120.0, 15.0, 1.0])
    time.sleep(2.0)
    rig.press_until("The pump is off.", "blue", seconds=0.5)
    rig.press_until("heat started", "green", seconds=3.5)
    began_s = rig.wait("element", True)
    assert rig.level("k1") and rig.level("k2") and rig.level("mixer")
    rig.tell(fault="supply_low")
    rig.said("under-voltage")
    rig.tell(end="supply_low")
    time.sleep(60.0 - min(50.0, time.monotonic() - began_s))
    news = [change for change in rig.changes if change["at_s"] > began_s + 0.1]
    assert not any(change["what"] in ("element", "mixer", "k2") for change in news), news
    assert rig.level("line ssr")
    rig.press_until("held: contactors and mixer read back open", "black", seconds=0.5)
    assert not any(rig.level(what) for what in ("element", "mixer", "k1", "k2"))
    rig.press_until("what the step needs is good again", "green", seconds=3.5)
    rig.wait("mixer", True)
    rig.wait("element", True)
    at_s = time.monotonic()
    controller.send_signal(signal.SIGTERM)
    off_s = max(rig.wait(what, False) for what in ("element", "mixer", "k1", "line k1"))
    k2_s = rig.wait("k2", False)
    assert controller.wait(10.0) == 0
    assert off_s - at_s <= 0.5 and k2_s - at_s <= 1.0, "K2 is let go, it need not time out"
    until(lambda: lines_low(rig), "every output low")
    assert "stopped; every output is off." in rig.logs() and "Traceback" not in rig.logs()
    path = rig.folder / "record.sqlite"
    assert [mark.kind for mark in read_marks(path)] == ["start", "stop"]
    assert {document.name for document in read_documents(path)} == {
        "batch.toml", "reactor.toml", "sheet"}


def test_after_a_kill_the_batch_is_held_and_nothing_comes_on_by_itself(tmp_path: Path) -> None:
    with Rig(tmp_path / "rig") as rig:
        rig.dry()
        assert rig.controller is not None
        rig.controller.kill()
        rig.wait("k2", False)
        rig.controller.wait(10.0)
        seen = len(rig.changes)
        again = rig.start_controller()
        rig.said("Held (the controller ended without a clean stop: power, crash or kill)")
        time.sleep(4.0)
        assert not any(change["level"] and change["what"] in ("element", "mixer", "air", "k2", "k1")
                       for change in rig.changes[seen:])
        refused = rig.command("run", "--reactor", str(rig.folder / "reactor.toml"), "--record",
                              str(rig.folder / "record.sqlite"), "--runtime",
                              str(rig.folder / "run"))
        assert refused.returncode == 75 and "already running" in refused.stderr
        assert again.poll() is None
        again.send_signal(signal.SIGTERM)
        assert again.wait(10.0) == 0
        (rig.folder / "other.toml").write_text(BATCH_TEXT.replace('"120 L"', '"100 L"'))
        other = rig.command(
            "run", "--reactor", str(rig.folder / "reactor.toml"), "--batch",
            str(rig.folder / "other.toml"), "--record", str(rig.folder / "record.sqlite"),
            "--runtime", str(rig.folder / "run"))
        assert other.returncode == 2 and other.stderr.count("\n") == 1
        assert "is not finished (held in dry)" in other.stderr


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_start_that_ends_with_its_first_words_loses_nothing(rig: Rig, number: int) -> None:
    """Its first tick is stored before probe A has given anything."""
    rig.leave_unfinished("mix.run")
    log = rig.folder / "run.log"
    for _ in range(3):
        log.write_text("", "utf-8")
        controller = rig.start_controller()
        until(lambda: "  ? " in log.read_text("utf-8"), "asks")
        assert "held in mix" in log.read_text("utf-8"), rig.logs()
        controller.send_signal(number)
        controller.wait(10.0)


def test_an_exception_inside_ends_it_with_every_output_low_and_code_1(tmp_path: Path) -> None:
    with Rig(tmp_path / "rig") as rig:
        rig.dry()
        assert rig.controller is not None
        at_s = time.monotonic()
        rig.controller.send_signal(signal.SIGUSR2)
        off_s = max(rig.wait(what, False) for what in ("element", "mixer", "air"))
        assert rig.controller.wait(10.0) == 1
        assert off_s - at_s <= 0.5
        assert "a mistake made on purpose" in rig.logs()
        assert "every output is off" in rig.logs()


def test_without_a_batch_it_shows_itself_and_refuses_everything(rig: Rig) -> None:
    rig.start_guard()
    rig.start_controller()
    rig.said("no batch: nothing can be started")
    rig.said("Is all methanol out of the vessel?")
    time.sleep(1.5)
    rig.press_until("methanol flag cleared", "green", "blue", seconds=6.6)
    rig.said("Still to check: a batch: none is loaded")
    rig.press_until("start refused: a batch: none is loaded", "green", seconds=3.5)
    told = rig.command("record", "add", "--file", str(rig.folder / "record.sqlite"),
                       "titration 3.0 mL")
    assert told.returncode == 1 and "no batch is loaded" in told.stdout
    assert "batch_started" not in kinds(rig)
    assert not any(change["level"] and change["what"] in ("element", "mixer", "k2", "k1")
                   for change in rig.changes)


def test_a_real_broker_sees_it_come_be_killed_and_leave_and_the_supervisor_hears_each_tick(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    broker = Mosquitto.begun(tmp_path)
    watcher = Watcher(broker.port, ROOT + "#")
    text = SMALL.replace("port = 9", f"port = {broker.port}")
    text = text.replace('id = "skarnmoor-shed"', f'id = "{DEVICE}"')
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as supervisor:
            supervisor.bind(str(tmp_path / "notify"))
            supervisor.settimeout(60.0)
            monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
            with Rig(tmp_path / "rig", text) as rig:
                first = rig.start_controller()
                until(lambda: watcher.of("$state")[-1:] == ["ready"], "ready", 60.0)
                until(lambda: watcher.of("vessel/oil"), "the oil is published", 60.0)
                assert supervisor.recv(200) == b"WATCHDOG=1\nREADY=1"
                assert [supervisor.recv(200) for _ in range(2)] == [b"WATCHDOG=1"] * 2
                first.kill()
                until(lambda: watcher.of("$state")[-1:] == ["lost"], "the broker tells of it")
                again = rig.start_controller()
                until(lambda: watcher.of("$state")[-1:] == ["ready"], "ready again", 60.0)
                again.send_signal(signal.SIGTERM)
                assert again.wait(10.0) == 0
                until(lambda: watcher.of("$state")[-1:] == ["disconnected"], "a clean end")
    finally:
        watcher.close()
        broker.stop()
