"""Is this machine ready? One line for each thing, OK or FIX with what to do.

It only looks: nothing is driven, no line is claimed, no module is loaded. root stands in for
"/" in the tests.
"""

from __future__ import annotations

import grp
import os
import platform
import re
import shutil
import socket
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from esterward.hardware import pins, service, supply
from esterward.hardware.folders import HWMON_DIR, IIO_DIR, W1_DIR
from esterward.values.reactor import Reactor

DISK_MB: Final = 500          # a month of records is far below; a full card is not
BROKER_S: Final = 2.0
PYTHONS: Final = ((3, 11), (3, 13))
CONFIG_TXT: Final = ("boot/firmware/config.txt", "boot/config.txt")
SERVICE_USER: Final = "esterward-run"
PERSIST: Final = ("pinctrl_bcm2835", "pinctrl_rp1")


@dataclass(frozen=True, slots=True)
class Finding:
    """One line. ok None: it could not be told here."""

    what: str
    ok: bool | None
    text: str


def check(reactor: Reactor, root: Path = Path("/"),
          record_dir: Path = Path("/var/lib/esterward")) -> list[Finding]:
    """Everything that can be looked at without touching the reactor."""
    return [*_machine(root), *_pins(root, reactor), *_config(root, reactor),
            *_probes(root, reactor), *_around(root, reactor, record_dir)]


def _machine(root: Path) -> Iterator[Finding]:
    model = _read(root / "proc/device-tree/model").rstrip("\0")
    good = "Raspberry Pi" in model
    yield Finding("board", good, (model or "not told by the kernel") + (
        "" if good else "; a Raspberry Pi is needed"))
    name = re.search(r'^PRETTY_NAME="?([^"\n]*)', _read(root / "etc/os-release"), re.M)
    bits = platform.machine()
    good = platform.system() == "Linux" and bits == "aarch64"
    yield Finding("operating system", good, f"{name[1] if name else platform.system()}, {bits}" + (
        "" if good else "; the 64-bit Raspberry Pi OS is needed (aarch64)"))
    version = sys.version_info[:2]
    good = PYTHONS[0] <= version <= PYTHONS[1]
    yield Finding("Python", good, platform.python_version() + (
        "" if good else "; install one from 3.11 to 3.13"))


def _pins(root: Path, reactor: Reactor) -> Iterator[Finding]:
    chips = sorted((root / "dev").glob("gpiochip*"))
    if chips:
        usable = any(os.access(chip, os.R_OK | os.W_OK) for chip in chips)
        yield Finding("GPIO", usable, f"{len(chips)} chips" + (
            "" if usable else "; not yours to open: sudo usermod -aG gpio $USER, log in again"))
    else:
        yield Finding("GPIO", False, "no /dev/gpiochip: not a board with pins")
    have = "gpio" in {_group(number) for number in os.getgroups()} or os.geteuid() == 0
    yield Finding("group gpio", have, "you are in it" if have else
                  "sudo usermod -aG gpio $USER, then log in again")
    spec = find_spec("lgpio")
    size = Path(spec.origin).stat().st_size if spec is not None and spec.origin else 0
    if spec is None:
        yield Finding("lgpio", False, "missing: sudo apt install python3-lgpio, in an environment "
                      "made with --system-site-packages")
    else:
        yield Finding("lgpio", size > 0, "installed" if size > 0 else
                      "empty package: pip uninstall lgpio, then as for a missing one")
    states = {name: _read(root / f"sys/module/{name}/parameters/persist_gpio_outputs").strip()
              for name in PERSIST}
    known = {name: state for name, state in states.items() if state}
    if not known:
        yield Finding("released lines", None, "the kernel does not say whether lines of a dead "
                      "program stay driven; set dtparam=strict_gpiod and try it (bring-up)")
    else:
        kept = "Y" in known.values()
        yield Finding("released lines", not kept, "fall to their pull when a program dies" if
                      not kept else "stay driven when a program dies: add dtparam=strict_gpiod to "
                      "/boot/firmware/config.txt and restart")


def _config(root: Path, reactor: Reactor) -> Iterator[Finding]:
    """Overlays, and what the firmware drives low or pulls down a few seconds after power-on."""
    try:
        wanted = pins.config_lines(pins.board(reactor), reactor)
    except pins.PinMistake as error:
        yield Finding("lines", False, " ".join(error.mistakes))
        return
    path = next((root / name for name in CONFIG_TXT if (root / name).is_file()), None)
    if path is None:
        yield Finding("config.txt", None, f"there is no /{CONFIG_TXT[0]}")
        return
    missing = pins.config_missing(wanted, _read(path))
    yield Finding("config.txt", not missing, "overlays and levels as wired" if not missing
                  else f"add to /{path.relative_to(root)} and restart: {'; '.join(missing)}")


def _probes(root: Path, reactor: Reactor) -> Iterator[Finding]:
    devices = root / W1_DIR.lstrip("/")
    buses = sorted(path.name for path in devices.glob("w1_bus_master*"))
    seen = {path.name for path in devices.glob("28-*")}
    if not reactor.probe_a_id:
        names = ", ".join(sorted(seen))
        yield Finding("probes", None if seen else False,
                      f"there is {names}; write [probes] a and b" if seen else
                      "none is there; check plug, pull-up and the dtoverlay=w1-gpio lines")
        return
    wanted = [("probe A", reactor.probe_a_id)]
    if reactor.probe_b_id:
        wanted.append(("probe B", reactor.probe_b_id))
    enough = len(buses) >= len(wanted)
    yield Finding("1-wire buses", enough, f"{len(buses)} of {len(wanted)}" + (
        "" if enough else "; add a dtoverlay=w1-gpio,gpiopin=N line a bus to config.txt (see "
        "esterward wiring)"))
    homes = {name: [bus for bus in buses if (devices / bus / name).exists()] for name in seen}
    for what, name in wanted:
        if name not in seen:
            others = sorted(seen - {number for _, number in wanted})
            yield Finding(what, False, f"{name} is not there" + (
                f"; there is {', '.join(others)}" if others else "; check plug and pull-up"))
        elif len(homes[name]) > 1:
            yield Finding(what, False, f"{name} shows on {' and '.join(homes[name])}: the buses "
                          "are joined; separate them")
        else:
            yield Finding(what, True, name)
    if reactor.probe_b_id and reactor.probe_a_id == reactor.probe_b_id:
        yield Finding("two probes", False, "A and B are the same probe; two are needed")
    elif len(wanted) == 2 and all(homes.get(name) for _, name in wanted) and (
            homes[wanted[0][1]] == homes[wanted[1][1]]):
        yield Finding("two probes", False, f"both are on {homes[wanted[0][1]][0]}; B needs the "
                      "guard's own bus")
    strangers = sorted(seen - {name for _, name in wanted})
    if strangers:
        yield Finding("other probes", False, f"{', '.join(strangers)}: one probe a bus, or a "
                      "reading takes too long; unplug it")


def _around(root: Path, reactor: Reactor, record_dir: Path) -> Iterator[Finding]:
    if reactor.barometer:
        found = len(list((root / IIO_DIR.lstrip("/")).glob("*/in_pressure_input")))
        yield Finding("barometer", found == 1, "found" if found == 1 else
                      f"{found} pressure sensors; exactly one is needed, with its dtoverlay")
    clock_set = ((root / service.CLOCK_SET.lstrip("/")).exists()
                 or service.chip_agrees(root / service.CLOCK_CHIPS.lstrip("/"), time.time()))
    yield Finding("clock", clock_set, "set" if clock_set else
                  "nothing has set it: no network time, and no clock chip that kept it over a time "
                  "without power (that of a Pi 5 needs its battery); the batch does not mind, but "
                  "how long a blackout lasted is not known then")
    yield _disk(root, record_dir)
    if reactor.mqtt_host:
        yield _broker(reactor.mqtt_host, reactor.mqtt_port)
    dog = (root / "dev/watchdog0").exists() or (root / "dev/watchdog").exists()
    yield Finding("watchdog", dog, "the board has one" if dog else
                  "none: a kernel that hangs stays so; K2 opens all the same")
    yield _supply(root)


def _disk(root: Path, record_dir: Path) -> Finding:
    """Room for the record, in a folder that is there or that the service makes (systemd)."""
    home = next((path for path in (record_dir, *record_dir.parents) if path.is_dir()), root)
    free_mb = shutil.disk_usage(home).free // 1_000_000
    wrong = []
    if free_mb < DISK_MB:
        wrong.append(f"{DISK_MB} MB are needed")
    if home == record_dir and not os.access(home, os.W_OK) and _owner(home) != SERVICE_USER:
        wrong.append(f"it belongs to {_owner(home)}: sudo chown {SERVICE_USER} {home}")
    return Finding("disk", not wrong, "; ".join([f"{free_mb} MB free at {home}", *wrong]))


def _broker(host: str, port: int) -> Finding:
    try:
        with socket.create_connection((host, port), timeout=BROKER_S):
            return Finding("broker", True, f"{host}:{port} answers")
    except OSError as error:
        return Finding("broker", False, f"{host}:{port} does not answer "
                       f"({error.strerror or error}); the batch runs without it")


def _supply(root: Path) -> Finding:
    path = supply.find(root / HWMON_DIR.lstrip("/"))
    if path is None:
        return Finding("supply", None, "this board does not tell")
    try:
        low = supply.is_low(path)
    except (OSError, ValueError):
        return Finding("supply", False, "the board's voltage sensor cannot be read, which counts "
                       "as under-voltage; restart it")
    return Finding("supply", not low, "voltage good" if not low else "under-voltage: use the "
                   "board's own supply and a short, thick cable")


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return ""


def _owner(path: Path) -> str:
    try:
        return path.owner()
    except KeyError:
        return f"user {path.stat().st_uid}"


def _read(path: Path) -> str:
    try:
        return path.read_text("utf-8", errors="replace")
    except OSError:
        return ""
