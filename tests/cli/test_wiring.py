"""esterward wiring: tables, mistakes, and the check of a machine in a folder."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from esterward.cli.wiring import wiring
from esterward.hardware import checkup, pins
from esterward.values.reactor import RIG_LEVELS, Reactor

SHIPPED = Path(__file__).parents[2] / "firmware/config/reactor.toml"
A, B = "28-0316a2794ff1", "28-0316a279c2d4"
REACTOR = Reactor(probe_a_id=A, probe_b_id=B)


def run(*args: str) -> Result:
    return CliRunner().invoke(wiring, list(args))


@pytest.mark.parametrize("level", RIG_LEVELS)
def test_the_defaults_of_each_level_are_printed_as_text_and_as_json(level: str) -> None:
    text, plain = run("--level", level), json.loads(run("--level", level, "--json").output)
    assert text.exit_code == 0
    assert all(f"{row['name']} " in text.output for row in plain["lines"])
    assert max(map(len, text.output.splitlines())) <= 100


def test_level_watch_tells_no_rules_for_stages_it_does_not_have() -> None:
    assert list(json.loads(run("--level", "watch", "--json").output)["absent"]) == ["barometer"]
    assert "as above" not in run("--level", "watch").output


def test_a_reactor_file_moves_its_lines(tmp_path: Path) -> None:
    mine = tmp_path / "reactor.toml"
    mine.write_text(SHIPPED.read_text("utf-8").replace("# lamp = 24", "lamp = 24"), "utf-8")
    plain = json.loads(run("--reactor", str(mine), "--json").output)
    lamp = next(row for row in plain["lines"] if row["name"] == "lamp")
    assert (lamp["gpio"], lamp["pin"]) == (24, 18)
    assert "gpio=24=op,dl" in plain["config_txt"]
    assert "lid_closed" in plain["absent"] and "barometer" in plain["absent"]


def test_bad_pins_are_one_sentence_each_and_exit_2(tmp_path: Path) -> None:
    mine = tmp_path / "reactor.toml"
    mine.write_text(SHIPPED.read_text("utf-8").replace("# lamp = 24", "lamp = 8\nhorn = 15"),
                    "utf-8")
    done = run("--reactor", str(mine))
    assert done.exit_code == 2 and len(done.output.splitlines()) == 2
    assert all(line.startswith(str(mine)) for line in done.output.splitlines())


def test_a_level_beside_a_reactor_file_is_refused() -> None:
    done = run("--reactor", str(SHIPPED), "--level", "full")
    assert done.exit_code == 2 and "--level is for the defaults" in done.output


def test_the_check_of_this_machine_marks_every_line_and_ends_with_one_if_something_is_to_fix(
) -> None:
    done = run("--reactor", str(SHIPPED), "--check")
    assert {line[:3] for line in done.output.splitlines()} <= {"OK ", "FIX", "?  "}
    assert (done.exit_code == 1) is ("FIX" in done.output)


# -- a machine in a folder ------------------------------------------------------------------------


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A board on which everything is right."""
    for name in ("dev/gpiochip0", "dev/watchdog0"):
        put(tmp_path, name, "")
    put(tmp_path, "sys/class/rtc/rtc0/since_epoch", f"{time.time():.0f}\n")
    put(tmp_path, "proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.4\0")
    for bus, probe in (("1", A), ("2", B)):
        put(tmp_path, f"sys/bus/w1/devices/w1_bus_master{bus}/{probe}/w1_slave", "")
        put(tmp_path, f"sys/bus/w1/devices/{probe}/w1_slave", "")
    put(tmp_path, "sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "N\n")
    put(tmp_path, "sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    put(tmp_path, "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n")
    put(tmp_path, "etc/os-release", 'ID=debian\nPRETTY_NAME="Debian GNU/Linux 12"\n')
    put(tmp_path, "boot/firmware/config.txt", "\n".join(
        pins.config_lines(pins.board(REACTOR), REACTOR)))
    (tmp_path / "record").mkdir()
    return tmp_path


def put(root: Path, name: str, text: str) -> None:
    path = root / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")


def found(root: Path, reactor: Reactor = REACTOR) -> dict[str, checkup.Finding]:
    return {row.what: row for row in checkup.check(reactor, root, root / "record")}


def test_a_board_on_which_all_is_right_has_nothing_to_fix_but_what_this_machine_lacks(
    root: Path,
) -> None:
    wrong = {what for what, row in found(root).items() if row.ok is not True}
    assert wrong <= {"lgpio", "operating system", "group gpio"}


@pytest.mark.parametrize(("name", "text", "what", "word"), [
    ("sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "Y\n", "released lines",
     "dtparam=strict_gpiod"),
    # A chip without a battery, an hour after the power came.
    ("sys/class/rtc/rtc0/since_epoch", "3600\n", "clock", "needs its battery"),
    ("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n", "supply", "under-voltage"),
    ("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "\n", "supply", "cannot be read"),
    ("sys/bus/w1/devices/28-00000000ffff/w1_slave", "", "other probes", "28-00000000ffff"),
    (f"sys/bus/w1/devices/w1_bus_master2/{A}/w1_slave", "", "probe A", "joined"),
])
def test_a_thing_that_is_wrong_is_named_with_what_to_do(
    root: Path, name: str, text: str, what: str, word: str,
) -> None:
    put(root, name, text)
    row = found(root)[what]
    assert row.ok is False and word in row.text


def test_a_missing_probe_is_named_with_the_one_that_is_there_instead(root: Path) -> None:
    row = found(root, replace(REACTOR, probe_b_id="28-0000000000aa"))["probe B"]
    assert row.ok is False and B in row.text


def test_before_there_is_a_reactor_file_the_probes_are_listed(root: Path) -> None:
    row = found(root, Reactor())["probes"]
    assert row.ok is None and A in row.text and B in row.text


def test_one_probe_named_twice_and_two_on_one_bus_are_named(root: Path) -> None:
    assert found(root, replace(REACTOR, probe_b_id=A))["two probes"].ok is False
    other = "28-0000000000aa"
    put(root, f"sys/bus/w1/devices/{other}/w1_slave", "")
    put(root, f"sys/bus/w1/devices/w1_bus_master1/{other}/w1_slave", "")
    row = found(root, replace(REACTOR, probe_b_id=other))["two probes"]
    assert row.ok is False and "w1_bus_master1" in row.text


@pytest.mark.parametrize(("name", "what"), [
    ("dev/gpiochip0", "GPIO"), ("dev/watchdog0", "watchdog"),
    ("sys/class/rtc/rtc0/since_epoch", "clock")])
def test_what_is_not_there_is_to_fix(root: Path, name: str, what: str) -> None:
    (root / name).unlink()
    assert found(root)[what].ok is False


def test_a_barometer_must_be_exactly_one(root: Path) -> None:
    wanted = replace(REACTOR, barometer=True)
    assert found(root, wanted)["barometer"].ok is False
    put(root, "sys/bus/iio/devices/iio:device0/in_pressure_input", "88.5\n")
    assert found(root, wanted)["barometer"].ok is True


def test_a_broker_that_does_not_answer_is_named_and_harmless(root: Path) -> None:
    row = found(root, replace(REACTOR, mqtt_host="127.0.0.1", mqtt_port=1))["broker"]
    assert row.ok is False and "the batch runs without it" in row.text


@pytest.mark.parametrize(("bits", "good"), [("aarch64", True), ("armv7l", False)])
def test_the_system_is_named_and_must_be_the_64_bit_one(
    root: Path, monkeypatch: pytest.MonkeyPatch, bits: str, good: bool,
) -> None:
    monkeypatch.setattr("platform.machine", lambda: bits)
    row = found(root)["operating system"]
    assert row.ok is good and row.text.startswith(f"Debian GNU/Linux 12, {bits}")


def test_a_board_without_a_voltage_sensor_is_nothing_to_fix(root: Path) -> None:
    put(root, "sys/class/hwmon/hwmon1/name", "cpu_thermal\n")
    row = found(root)["supply"]
    assert row.ok is None and "does not tell" in row.text


CONFIG_TXT = "boot/firmware/config.txt"


def test_each_line_that_config_txt_lacks_is_named(root: Path) -> None:
    lines = (root / CONFIG_TXT).read_text("utf-8").splitlines()
    assert {"gpio=17=op,dl", "gpio=6=ip,pd", "dtoverlay=w1-gpio,gpiopin=5"} <= set(lines)
    for line in lines:
        put(root, CONFIG_TXT, "\n".join(
            f"#{other}" if other == line else other for other in lines))
        row = found(root)["config.txt"]
        assert row.ok is False and row.text.endswith(f"and restart: {line}")


def test_other_spellings_of_the_same_lines_are_understood(root: Path) -> None:
    put(root, CONFIG_TXT, "dtoverlay=w1-gpio\ndtoverlay = w1-gpio,pullup=0,gpiopin=5 # B\n"
                          "gpio=9-13,16-27=dl,op\ndtparam=spi=off,strict_gpiod\nenable_uart=0\n"
                          "gpio=6-7,8=pd,ip\n")
    assert found(root)["config.txt"].ok is True
    wanted = replace(REACTOR, barometer=True)
    assert "i2c_arm=on" in found(root, wanted)["config.txt"].text
    put(root, CONFIG_TXT, (root / CONFIG_TXT).read_text("utf-8") + "dtparam=i2c=on\n")
    assert found(root, wanted)["config.txt"].ok is True


def test_lines_that_cannot_be_are_told_by_the_check_too(root: Path) -> None:
    row = found(root, replace(REACTOR, pins=(("lamp", 14),)))["lines"]
    assert row.ok is False and "lamp = 14" in row.text


def test_before_the_first_start_the_service_will_make_the_records_folder(root: Path) -> None:
    (root / "record").rmdir()
    row = found(root)["disk"]
    assert row.ok is True and f"free at {root}" in row.text


def test_a_full_disk_and_a_folder_of_somebody_else_are_to_fix(
    root: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(checkup, "DISK_MB", 10**12)
    assert found(root)["disk"].ok is False
    monkeypatch.setattr(checkup, "DISK_MB", 0)
    monkeypatch.setattr("os.access", lambda path, mode: False)
    row = found(root)["disk"]
    assert row.ok is False and "sudo chown esterward-run" in row.text
    monkeypatch.setattr("pathlib.Path.owner", lambda path: "esterward-run")
    assert found(root)["disk"].ok is True, "the service's own, whoever looks"
