"""A record kept by the service, asked for by somebody else: whose it is and what to type."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from esterward.cli.run import _closed
from esterward.record.journal import Journal
from esterward.record.lock import lock_path
from esterward.record.schema import SERVICE_RECORD

# As an ordinary user; run by root, the tests give root up first, since it may read everything.
ASKED = """
import os, pwd, sys
from pathlib import Path
from esterward.cli import main
from esterward.record import account, inbox, lock, read, report, schema
import esterward.cli.record, esterward.cli.show, esterward.process.observations
import encodings.ascii, esterward.settings.typed  # nobody may read the rest of Python everywhere
schema.SERVICE_RECORD = Path(sys.argv[1])
os.chdir(sys.argv[2])
if os.environ['CLOSING']:
    os.chmod('.', 0)
if os.geteuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
sys.argv[1:] = sys.argv[3:]
main()
"""


def asked(service: Path, here: Path, *args: str, closing: str = "") -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-c", ASKED, str(service), str(here), *args], capture_output=True,
        text=True, timeout=30, check=False,
        env={name: value for name, value in (os.environ | {"CLOSING": closing}).items()
             if name != "ESTERWARD_RECORD"})
    return done.returncode, done.stdout + done.stderr


@pytest.fixture
def kept() -> Iterator[Path]:
    """A record in a folder, and an empty folder beside it; everybody may come that far (into
    pytest's own folders they may not)."""
    with TemporaryDirectory() as name:
        top = Path(name)
        top.chmod(0o755)
        for folder in ("lib", "here"):
            (top / folder).mkdir(mode=0o755)
        path = top / "lib/record.sqlite"
        Journal(path, boot="b", now_s=1.0).close(2.0)
        yield path


def test_whose_it_is_and_what_to_type(kept: Path) -> None:
    here = kept.parents[1] / "here"
    owner = kept.owner()
    said = f"only {owner} may do that; write  sudo -u {owner}  before the command.\n"
    kept.chmod(0)
    assert asked(kept, here, "record", "show") == (2, f"{kept}: {said}")
    kept.parent.chmod(0)
    try:
        assert asked(kept, here, "record", "show") == (2, f"{kept}: {said}")
        code, told = asked(kept, here, "record", "add", "titration", "3.0 mL")
        assert code == 2 and told == f"{kept}: {said}"
    finally:
        kept.parent.chmod(0o755)


def test_who_may_only_read_is_told_who_may_write(kept: Path) -> None:
    owner, journal = kept.owner(), Journal(kept, boot="b", now_s=3.0)
    for path in kept.parent.iterdir():
        path.chmod(0o444)
    code, told = asked(kept, kept.parents[1] / "here", "record", "add", "titration", "3.0 mL")
    journal.close(4.0)
    said = f"only {owner} may do that; write  sudo -u {owner}  before the command.\n"
    assert (code, told) == (2, f"{kept}: {said}")


def test_what_is_left_to_root_in_a_folder_of_ours_is_to_be_given_back(kept: Path) -> None:
    """sudo -u root would mend it for one command; the service cannot say that of itself."""
    kept.unlink()
    kept.symlink_to("/etc/shadow")  # a file of root's that nobody else may read
    if os.geteuid() == 0:
        os.chown(kept.parent, 65534, 65534)
    code, told = asked(kept, kept.parents[1] / "here", "record", "show")
    assert (code, told) == (2, (
        f"{kept}: it was left to root (by sudo, say), its folder belongs to {kept.parent.owner()}; "
        f"write  sudo chown --reference={kept.parent} {kept}.\n"))


def test_of_a_file_of_our_own_nobody_is_told_that_somebody_else_owns_it(kept: Path) -> None:
    """As on a card that the kernel has made read-only: access(2) says no there too."""
    kept.chmod(0)
    if os.geteuid() == 0:
        os.chown(kept, 65534, 65534)
    code, told = asked(kept, kept.parents[1] / "here", "record", "show")
    assert code == 2 and "cannot be read" in told and "sudo" not in told


def test_a_start_names_the_file_of_the_record_that_is_not_ours(
    kept: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("os.access", lambda path, mode: path != lock_path(kept))
    assert _closed(kept) == "", "ours: then it is the disk"
    monkeypatch.setattr("os.geteuid", lambda: 65533)
    assert _closed(kept).startswith(f"{lock_path(kept)}: only {kept.owner()} may do that; ")


def test_from_a_folder_that_is_closed_to_the_services_user_its_record_is_found(kept: Path) -> None:
    """As with sudo -u from a home folder."""
    here = kept.parents[1] / "here"
    code, told = asked(kept, here, "record", "list", closing="1")
    here.chmod(0o755)
    assert (code, told) == (0, f"{kept}: no batch is recorded here.\n")


def test_the_services_record_is_that_of_its_unit() -> None:
    unit = (Path(__file__).parents[2] / "firmware/systemd/esterward-run.service").read_text("utf-8")
    assert f"ESTERWARD_RECORD={SERVICE_RECORD}\n" in unit
