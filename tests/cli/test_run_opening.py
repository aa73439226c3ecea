"""The first lines of `esterward run`: what a person checks before anything is heated."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from esterward.cli.run import run
from esterward.loop import Loop
from esterward_sim.bench_pins import SharedBoard

CONFIG = Path(__file__).parents[2] / "firmware/config"
MISSING = "still missing: "


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Where it may start, and ends at its first look."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "esterward-bench")
    monkeypatch.setenv("ESTERWARD_BENCH", str(tmp_path / "board"))
    monkeypatch.delenv("ESTERWARD_BATCH", raising=False)
    monkeypatch.setattr(Loop, "run", lambda loop, go_on: None)
    SharedBoard(tmp_path / "board", create=True)
    Path("rt").mkdir()
    for name in ("reactor.toml", "batch.toml"):
        Path(name).write_bytes((CONFIG / name).read_bytes())
    yield tmp_path


def change(name: str, old: str, new: str) -> None:
    text = Path(name).read_text("utf-8")
    assert old in text
    Path(name).write_text(text.replace(old, new), "utf-8")


def opening(*arguments: str) -> list[str]:
    done = CliRunner().invoke(run, ["--runtime", "rt", "--record", "r.sqlite", *arguments])
    assert done.exit_code == 0, done.output
    return done.output.splitlines()


def one(lines: list[str], begins: str) -> str:
    (found,) = [line for line in lines if line.startswith(begins)]
    return found


@pytest.mark.parametrize("batch", [(), ("--batch", "batch.toml")])
def test_the_altitude_and_the_hottest_that_follows_stand_in_one_line(
    folder: Path, batch: tuple[str, ...],
) -> None:
    # As `esterward ceiling --altitude "1120 m"` has it.
    assert one(opening(*batch), "altitude") == (
        "altitude 1120 m: with methanol in it the oil may never get hotter than 56.1 degC "
        "(by the altitude alone, no barometer).")


def test_it_speaks_the_units_of_display_and_says_that_a_barometer_moves_it(folder: Path) -> None:
    change("reactor.toml", "barometer = false", "barometer = true")
    change("reactor.toml", 'temperature = "degC"', 'temperature = "degF"')
    assert one(opening(), "altitude") == (
        "altitude 1120 m (3675 ft): with methanol in it the oil may never get hotter than "
        "133.1 degF (the barometer's reading moves it).")


def test_a_reactor_without_an_altitude_says_so(folder: Path) -> None:
    change("reactor.toml", 'altitude = "1120 m"', "")
    assert one(opening(), "no altitude") == (
        "no altitude in the reactor file: no limit for methanol, so none may go in.")


def test_what_the_methoxide_will_wait_for_is_said_at_the_start(folder: Path) -> None:
    assert not any(MISSING in line for line in opening("--batch", "batch.toml"))
    change("reactor.toml", "checked = true", "checked = false")
    assert "two-point check of the probes is not on record" in one(
        opening("--batch", "batch.toml"), MISSING)
    lines = Path("batch.toml").read_text("utf-8").splitlines()
    Path("batch.toml").write_text("\n".join(
        "readings = []" if line.startswith("readings") else line for line in lines), "utf-8")
    both = one(opening("--batch", "batch.toml"), MISSING)
    assert "readings are missing" in both and "two-point check" in both
    assert not any(MISSING in line for line in opening()), "without a batch nothing is wanted"
