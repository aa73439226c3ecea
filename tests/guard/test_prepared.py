"""guard.json: round trip, and everything doubtful refused in one sentence."""

from __future__ import annotations

import hashlib
import json
import math
import shlex
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from esterward.cli.guard import guard
from esterward.guard import prepared
from esterward.guard.process import Guard
from esterward.hardware import pins
from esterward.values.reactor import Reactor

REACTOR = Reactor(name="bench", altitude_m=1120.0, barometer=True, probe_a_id="28-a",
                  probe_b_id="28-b", probe_b_correction_k=-0.5, fitted=("lid_closed",),
                  rig_level="full", digest="d1", pins=(("beat", 18), ("lamp", 12)))
LONG = "/".join(["l" * 60] * 2)
SHIPPED = Path(__file__).parents[2] / "firmware/config/reactor.toml"


def test_the_file_comes_back_as_it_was_made() -> None:
    made = prepared.prepare(REACTOR)
    assert prepared.from_text(prepared.to_text(made), "guard.json") == made
    assert (made.beat_bcm, made.enable_bcm, made.probe_b, made.rule.hash) == (18, 13, "28-b", "d1")
    assert made.rule.probe_correction_k == 0.0, "a correction may only lower the limits"
    assert "lid_closed" in made.inputs and "sump_dry" not in made.inputs


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "{}", '{"checksum": 1}', "NaN",
                                  '{"version": 1, "checksum": ""}', "[" * 5000])
def test_what_is_no_file_of_the_guard_is_refused(text: str) -> None:
    with pytest.raises(prepared.PreparedWrong, match=r"guard\.json: .*--prepare"):
        prepared.from_text(text, "guard.json")


@pytest.mark.parametrize(("key", "value"), [("altitude_m", -400.0), ("warm_hold", True),
                                            ("hash", "d2")])
def test_a_value_changed_by_hand_is_refused(key: str, value: object) -> None:
    plain = json.loads(prepared.to_text(prepared.prepare(REACTOR)))
    plain["rule"][key] = value
    with pytest.raises(prepared.PreparedWrong, match="changed by hand"):
        prepared.from_text(json.dumps(plain), "guard.json")


def test_a_file_with_what_is_no_number_is_refused_even_with_its_checksum() -> None:
    plain = json.loads(prepared.to_text(prepared.prepare(REACTOR)))
    plain.pop("checksum")
    plain["rule"]["altitude_m"] = math.nan
    text = json.dumps(plain, sort_keys=True)
    plain["checksum"] = hashlib.sha256(text.encode()).hexdigest()
    with pytest.raises(prepared.PreparedWrong):
        prepared.from_text(json.dumps(plain), "guard.json")


def test_a_reactor_without_contactors_has_nothing_to_guard() -> None:
    with pytest.raises(prepared.PreparedWrong, match="no contactor to guard"):
        prepared.prepare(replace(REACTOR, rig_level="watch", pins=()))


def test_lines_that_clash_are_refused_before_anything_is_written() -> None:
    with pytest.raises(pins.PinMistake):
        prepared.prepare(replace(REACTOR, pins=(("beat", 13),)))


# -- the command ----------------------------------------------------------------------------------


def test_prepare_turns_the_shipped_example_into_a_file_the_guard_reads(tmp_path: Path) -> None:
    target = tmp_path / "guard.json"
    done = CliRunner().invoke(guard, ["--prepare", "--reactor", str(SHIPPED), "--config",
                                      str(target)])
    assert done.exit_code == 0 and str(target) in done.output
    made = prepared.from_text(target.read_text("utf-8"), "x")
    assert made.rule.altitude_m == 1120.0


def test_prepare_tells_every_mistake_and_leaves_the_old_file(tmp_path: Path) -> None:
    target, bad = tmp_path / "guard.json", tmp_path / "reactor.toml"
    old = prepared.to_text(prepared.prepare(REACTOR))
    target.write_text(old, "ascii")
    text = SHIPPED.read_text("utf-8").replace("# lamp = 24", "lamp = 14\nbeat = 2")
    assert "lamp = 14" in text
    bad.write_text(text, "utf-8")
    done = CliRunner().invoke(guard, ["--prepare", "--reactor", str(bad), "--config",
                                      str(target)])
    assert done.exit_code == 2
    assert len(done.output.strip().splitlines()) == 2
    assert "lamp = 14" in done.output and "beat = 2" in done.output
    assert target.read_text("ascii") == old


def test_an_altitude_with_a_point_for_thousands_makes_no_guards_file(tmp_path: Path) -> None:
    target, bad = tmp_path / "guard.json", tmp_path / "reactor.toml"
    bad.write_text(SHIPPED.read_text("utf-8").replace('"1120 m"', '"1.120 m"'), "utf-8")
    done = CliRunner().invoke(guard, ["--prepare", "--reactor", str(bad), "--config",
                                      str(target)])
    assert done.exit_code == 2 and not target.exists()
    (only,) = done.output.strip().splitlines()
    assert '[site] altitude = "1.120 m"' in only and 'write "1120 m", or "1.12 m"' in only


def test_prepare_replaces_a_guards_file_of_any_version_and_no_file_of_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("reactor.toml").write_bytes(SHIPPED.read_bytes())
    Path("mine.json").write_text('{"oil": 120}', "ascii")
    Path("record.sqlite").write_bytes(b"SQLite format 3\0\xff")
    Path("folder.json").mkdir()
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    for name, words in (("reactor.toml", "ends in .json"), ("record.sqlite", "ends in .json"),
                        (".", "ends in .json"), ("", "the path is empty"),
                        ("folder.json", "not an ordinary file"),
                        ("mine.json", "not a guard's file")):
        done = CliRunner().invoke(guard, ["--prepare", "--config", name])
        assert done.exit_code == 2 and words in done.output, name
        assert len(done.output.strip().splitlines()) == 1
    assert before == {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()}
    older = prepared.to_text(prepared.prepare(REACTOR)).replace('"version": 1', '"version": 0')
    for old in (older, ""):
        Path("guard.json").write_text(old, "ascii")
        assert CliRunner().invoke(guard, ["--prepare", "--config", "guard.json"]).exit_code == 0
        prepared.from_text(Path("guard.json").read_text("utf-8"), "x")


@pytest.mark.parametrize(("args", "word"), [
    (["--config", "nowhere.json"], "there is no such file"),
    (["--config", "bad.json"], "not a file of this guard"),
    (["--config", ""], "--config: the path is empty"),
    (["--config", "reactor.toml"], "the guard's file ends in .json"),
    (["--config", "nowhere/guard.json"], "nowhere; name a file in one that is there"),
    (["--config", "good.json", "--runtime", "nowhere"], "--runtime"),
    (["--config", "good.json", "--runtime", ".", "--state", "nowhere"],
     "/nowhere: there is no such folder; make it, or name another."),
    (["--config", "good.json", "--runtime", ".", "--state", "/dev/full"],
     "--state /dev/full: this is no folder; name one."),
    (["--config", "good.json", "--runtime", LONG, "--state", "."], "too long for a socket"),
    (["--prepare", "--reactor", "nowhere.toml"], "nowhere.toml"),
    (["--prepare", "--reactor", "reactor.toml", "--config", "nowhere/guard.json"],
     "no folder"),
])
def test_bad_input_is_one_sentence_and_exit_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, args: list[str], word: str,
) -> None:
    _refused(tmp_path, monkeypatch, args, word, 2)


@pytest.mark.parametrize(("name", "word", "moved"), [
    ("no such one.json", "there is no such file", False),
    ("bad.json", "this is not a file of this guard; move it away", True),
    ("a caf\u00e9.json", "this is not a file of this guard; move it away", True),
    ("older.json", "by another version", False),
    ("a folder", "this is a folder", False),
])
def test_the_advice_about_the_file_can_be_pasted_and_makes_that_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, word: str, moved: bool,
) -> None:
    older = prepared.to_text(prepared.prepare(REACTOR)).replace('"version": 1', '"version": 0')
    (tmp_path / "older.json").write_text(older, "ascii")
    (tmp_path / "a caf\u00e9.json").write_bytes(b"caf\xe9\x00")
    (tmp_path / "a folder").mkdir()
    said = _refused(tmp_path, monkeypatch, ["--config", name], word, 2)
    assert "codec" not in said and "Errno" not in said
    if moved:
        Path(name).unlink()
    advice = said.partition("make it again: ")[2].strip()
    program, command, *args = shlex.split(advice)
    assert (program, command) == ("esterward", "guard")
    done = CliRunner().invoke(guard, args)
    assert done.exit_code == 0, done.output
    there = tmp_path / name
    made = there / "guard.json" if there.is_dir() else there
    assert prepared.from_text(made.read_text("utf-8"), "x").rule.altitude_m == 1120.0


@pytest.mark.parametrize(("runtime", "word"), [("locked", "the lock"), ("taken", "--runtime")])
def test_a_machine_that_is_not_ready_is_one_sentence_and_exit_75(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, runtime: str, word: str,
) -> None:
    args = ["--config", "good.json", "--runtime", runtime, "--state", "."]
    _refused(tmp_path, monkeypatch, args, word, 75)


def _refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, args: list[str], word: str,
             code: int) -> str:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "esterward-bench")  # as if there were pins
    monkeypatch.setattr(Guard, "run", lambda guard, go_on: 1 / 0)  # it would run for ever
    for name in ("locked/guard.lock", "taken/guard.sock", LONG):
        Path(name).mkdir(parents=True)
    Path("bad.json").write_text("{", "ascii")
    Path("good.json").write_text(prepared.to_text(prepared.prepare(replace(
        REACTOR, barometer=False))), "ascii")
    Path("reactor.toml").write_bytes(SHIPPED.read_bytes())
    done = CliRunner().invoke(guard, args)
    assert done.exit_code == code and len(done.output.strip().splitlines()) == 1
    assert word in done.output
    return done.output
