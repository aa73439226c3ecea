"""The service files and the install script, as far as they can be tried without a board.

systemd.exec(5), systemd.service(5), sysusers.d(5) and tmpfiles.d(5) say what the keys mean.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from esterward.cli.errors import AGAIN_S, NotNow, Refused
from esterward.cli.guard import RUNTIME, STATE, guard
from esterward.cli.run import run
from esterward.settings.files import load_reactor

TOP = Path(__file__).parents[2]
HERE = TOP / "firmware/systemd"
GUARD, RUN = HERE / "esterward-guard.service", HERE / "esterward-run.service"


def keys(path: Path) -> dict[str, list[str]]:
    """Every key of a unit with its values; systemd allows a key twice, configparser does not."""
    found: dict[str, list[str]] = {}
    for line in path.read_text("utf-8").splitlines():
        if line and line[0] not in "#[":
            name, _, value = line.partition("=")
            found.setdefault(name, []).append(value)
    return found


@pytest.mark.parametrize("unit", [GUARD, RUN], ids=lambda path: path.stem)
def test_systemd_itself_finds_nothing_wrong_with_a_unit(unit: Path, tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd-analyze to verify the units")
    for path in (GUARD, RUN):
        text = re.sub("ExecStart=[^ ]+", "ExecStart=/bin/true", path.read_text("utf-8"))
        (tmp_path / path.name).write_text(text, "utf-8")
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", str(tmp_path / unit.name)],
                          capture_output=True, text=True, timeout=60, check=False)
    about = [line for line in done.stderr.splitlines() if "esterward" in line]
    assert about == [] and done.returncode == 0


def test_verifying_notices_a_misspelt_key(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd-analyze to verify the units")
    bad = tmp_path / GUARD.name
    bad.write_text(re.sub("ExecStart=[^ ]+", "ExecStart=/bin/true", GUARD.read_text("utf-8"))
                   .replace("PrivateNetwork", "PrivatNetwork"), "utf-8")
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", str(bad)],
                          capture_output=True, text=True, timeout=60, check=False)
    assert "PrivatNetwork" in done.stderr


def test_the_guard_has_no_network_and_a_user_of_its_own() -> None:
    found, other = keys(GUARD), keys(RUN)
    assert found["PrivateNetwork"] == ["yes"] and found["IPAddressDeny"] == ["any"]
    assert found["RestrictAddressFamilies"] == ["AF_UNIX"]
    assert found["User"] != other["User"] and found["Group"] == other["Group"]
    declared = (HERE / "esterward.sysusers").read_text("utf-8")
    for unit in (found, other):
        assert f"u {unit['User'][0]} " in declared and f"g {unit['Group'][0]} " in declared


@pytest.mark.parametrize("unit", [GUARD, RUN], ids=lambda path: path.stem)
def test_a_unit_may_touch_its_lines_and_folders_and_little_else(unit: Path) -> None:
    found = keys(unit)
    assert found["DevicePolicy"] == ["closed"] and found["DeviceAllow"] == ["char-gpiochip rw"]
    assert found["ProtectSystem"] == ["strict"] and found["ReadWritePaths"] == [RUNTIME]
    assert found["CapabilityBoundingSet"] == [""] and found["NoNewPrivileges"] == ["yes"]
    assert found["Type"] == ["notify"] and float(found["WatchdogSec"][0]) >= 3.0
    # A stop must give the program its own way out: the outputs go low in our order.
    assert "KillSignal" not in found and float(found["TimeoutStopSec"][0]) >= 5.0


@pytest.mark.parametrize(("unit", "never"), [(GUARD, {2}), (RUN, {2, 130})])
def test_only_bad_input_and_a_persons_stop_end_a_service_for_good(
    unit: Path, never: set[int],
) -> None:
    """systemd.service(5): Restart=, RestartPreventExitStatus=; systemd.unit(5): limits."""
    found = keys(unit)
    assert {int(code) for code in found["RestartPreventExitStatus"][0].split()} == never
    assert Refused.exit_code in never and NotNow.exit_code not in never
    assert found["Restart"][0] in ("always", "on-failure")
    assert found["StartLimitIntervalSec"] == ["0"]
    # The program's own wait must fit in the time systemd gives it to get ready (90 s by default).
    assert "TimeoutStartSec" not in found and AGAIN_S < 60.0


def test_folders_and_options_of_the_units_are_those_of_the_commands() -> None:
    guarded, ran = keys(GUARD), keys(RUN)
    assert f"/var/lib/{guarded['StateDirectory'][0]}" == STATE
    assert ran["Environment"] == [
        f"ESTERWARD_RECORD=/var/lib/{ran['StateDirectory'][0]}/record.sqlite"]
    assert f"d {RUNTIME} " in (HERE / "esterward.tmpfiles").read_text("utf-8")
    for command, unit in ((guard, guarded), (run, ran)):
        program, name, *options = unit["ExecStart"][0].split()
        assert program == "/opt/esterward/bin/esterward" and name == command.name
        shown = CliRunner().invoke(command, ["--help"]).output
        assert all(option in shown for option in options if option.startswith("--"))
    named = re.findall(r"^#?(ESTERWARD_\w+)=", (HERE / "run.env").read_text("utf-8"), re.M)
    shown = " ".join(CliRunner().invoke(run, ["--help"]).output.split())
    assert named and all(f"${name}" in shown for name in named)


STUBS = {
    "apt-get": 'echo "apt-get $*" >> "$LOG"',
    "uname": "echo aarch64",
    "python3": f'exec {sys.executable} "$@"',
    "systemctl": 'echo inactive; exit 3',
}
VENV_PYTHON = '#!/bin/sh\necho "python $*" >> "$LOG"\n'
VENV_ESTERWARD = '#!/bin/sh\necho "esterward $*" >> "$LOG"\n'


def install(tmp_path: Path, **more: str) -> subprocess.CompletedProcess[str]:
    """The script against a folder, with stand-ins for apt-get and the environment's programs."""
    bin_dir, root = tmp_path / "bin", tmp_path / "root"
    bin_dir.mkdir(exist_ok=True)
    for name, text in (STUBS | more).items():
        path = bin_dir / name
        path.write_text(f"#!/bin/sh\n{text}\n")
        path.chmod(0o755)
    venv = root / "opt/esterward/bin"
    if not venv.exists():
        venv.mkdir(parents=True)
        for name, text in (("python", VENV_PYTHON), ("esterward", VENV_ESTERWARD)):
            (venv / name).write_text(text)
            (venv / name).chmod(0o755)
    return subprocess.run(
        ["sh", str(HERE / "install.sh")], capture_output=True, text=True, timeout=60, check=False,
        env={"PATH": f"{bin_dir}:{os.environ['PATH']}", "DESTDIR": str(root),
             "LOG": str(tmp_path / "log")})


def test_the_script_puts_every_file_in_its_place_and_starts_nothing(tmp_path: Path) -> None:
    done = install(tmp_path)
    assert done.returncode == 0, done.stderr
    root = tmp_path / "root"
    for name in ("etc/systemd/system/esterward-guard.service",
                 "etc/systemd/system/esterward-run.service", "etc/sysusers.d/esterward.conf",
                 "etc/tmpfiles.d/esterward.conf", "etc/esterward/reactor.toml",
                 "etc/esterward/batch.toml", "etc/esterward/run.env",
                 "opt/esterward/share/wiring/bring-up.md"):
        assert (root / name).is_file(), name
    assert stat.S_IMODE((root / "etc/esterward/run.env").stat().st_mode) == 0o600
    log = (tmp_path / "log").read_text().splitlines()
    assert log[0] == "apt-get install -y -q python3-lgpio python3-venv"
    assert any("pip install" in line for line in log)
    assert log[-1].startswith("esterward guard --prepare")
    assert "nothing was started" in done.stdout and "bring-up.md" in done.stdout


def test_the_installed_example_claims_no_probe_check_that_was_not_made(tmp_path: Path) -> None:
    assert install(tmp_path).returncode == 0
    assert load_reactor(TOP / "firmware/config/reactor.toml").probes_checked
    assert not load_reactor(tmp_path / "root/etc/esterward/reactor.toml").probes_checked
    mine = tmp_path / "root/etc/esterward/reactor.toml"
    text = mine.read_text("utf-8").replace("checked = false", "checked = true ", 1)
    mine.write_text(text, "utf-8")
    assert install(tmp_path).returncode == 0
    assert mine.read_text("utf-8") == text, "what a person wrote stays"


@pytest.mark.parametrize("state", ["active", "activating", "reloading", "deactivating"])
@pytest.mark.parametrize("unit", ["esterward-run", "esterward-guard"])
def test_the_script_changes_nothing_under_a_running_program_and_says_what_comes_first(
    unit: str, state: str, tmp_path: Path,
) -> None:
    """systemctl(1), is-active: prints the state, exits 0 only when it is active."""
    asked = f'[ "$2" = {unit} ] && {{ echo {state}; exit {0 if state == "active" else 3}; }}'
    done = install(tmp_path, systemctl=f"{asked}\necho inactive; exit 3")
    assert done.returncode == 2 and done.stdout == "" and done.stderr.count("\n") == 1
    assert f"{unit} is running" in done.stderr
    assert "sudo systemctl stop esterward-run esterward-guard" in done.stderr
    assert not (tmp_path / "root/etc").exists() and not (tmp_path / "log").exists()


def test_run_again_it_keeps_the_files_a_person_wrote(tmp_path: Path) -> None:
    assert install(tmp_path).returncode == 0
    mine = tmp_path / "root/etc/esterward/reactor.toml"
    mine.write_text("mine")
    assert install(tmp_path).returncode == 0
    assert mine.read_text() == "mine"


def test_the_script_names_no_address_and_never_starts_a_service() -> None:
    text = (HERE / "install.sh").read_text("utf-8")
    assert "http" not in text and "index-url" not in text
    commands = [line for line in text.partition('say "\nInstalled')[0].splitlines()
                if "systemctl" in line]
    assert [line.strip() for line in commands if not line.strip().startswith("stop ")] == [
        "case $(systemctl is-active $unit 2>/dev/null || :) in", "systemctl daemon-reload"]
