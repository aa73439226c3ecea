"""The command `esterward rehearse` as a person runs it: real process, files, exit codes."""

from __future__ import annotations

import json
import shlex
import socket
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from esterward import cli
from esterward.settings.files import load_pair, load_reactor, reactor_beside
from esterward_sim import publish, rehearsal
from esterward_sim.broker import EmbeddedBroker
from esterward_sim.rehearse_end import last_lines
from samples import SMALLEST_BATCH as SMALLEST

TOP = Path(__file__).parents[2]
REACTOR = TOP / "firmware/config/reactor.toml"


def esterward(*arguments: str, cwd: Path, timeout_s: float = 500.0) -> subprocess.CompletedProcess[
        str]:
    return subprocess.run([sys.executable, "-c", "from esterward.cli import main; main()",
                           *arguments], cwd=cwd, capture_output=True, text=True,
                          timeout=timeout_s)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "batch.toml").write_text(SMALLEST)
    return tmp_path


Inside = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def inside(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str],
) -> Inside:
    """The command in the folder and in this process: a refusal needs no start of a Python."""
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        monkeypatch.chdir(folder)
        monkeypatch.setattr("sys.argv", ["esterward", *arguments])
        with pytest.raises(SystemExit) as left:
            cli.main()
        assert isinstance(left.value.code, int)
        return subprocess.CompletedProcess(arguments, left.value.code, *capfd.readouterr())
    return run


def test_the_smallest_batch_file_ends_complete_with_the_promised_keys(folder: Path) -> None:
    done = esterward("rehearse", "batch.toml", "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "shipped example" in done.stderr
    plain = json.loads(done.stdout)
    assert set(plain) >= {"state", "stages", "peak_oil_c", "ceiling_c", "overshoot_k", "trips",
                          "alarms", "simulated_s", "wall_s"}
    assert plain["state"] == "complete"
    for row in plain["stages"]:
        assert set(row) >= {"stage", "started_s", "ended_s", "outcome"}
        assert row["started_s"] <= row["ended_s"]
    names = [row["stage"] for row in plain["stages"]]
    assert {"heat", "methoxide", "dose", "mix", "check", "settle", "drain", "wash", "dry",
            "store"} <= set(names)
    assert plain["stages"][1]["stage"] == "dewater", "the default"
    assert plain["overshoot_k"] <= 1.0 and plain["peak_oil_c"] < plain["ceiling_c"]
    assert plain["warnings"] == []
    # the plant's truth: nothing boiled; the night passes through the flammable range
    assert plain["boiled_off_l"] == plain["local_boiling_s"] == 0.0
    assert 3600.0 < plain["headspace_flammable_s"] < plain["simulated_s"]
    left = [path.name for path in (folder / "rehearsals").iterdir()]
    assert len(left) == 1 and left[0].endswith(".sqlite"), "nothing lies beside the record"


def briefly(folder: Path, monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    """The command in this process, given up after a quarter of an hour of the batch."""
    monkeypatch.setattr(rehearsal, "AT_MOST_S", 900.0)
    monkeypatch.chdir(folder)
    monkeypatch.setattr("sys.argv", ["esterward", "rehearse", "batch.toml", "--reactor",
                                     str(REACTOR), *arguments])
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert isinstance(left.value.code, int)
    return left.value.code


def test_the_ending_tells_what_boiled_and_how_long_the_headspace_could_burn() -> None:
    rig = SimpleNamespace(plant=SimpleNamespace(faults=()))
    quiet, told = rehearsal.Result(state="complete"), rehearsal.Result(
        state="complete", boiled_off_l=1.234, local_boiling_s=75.0, flammable_s=9000.0)
    assert not any("boil" in line or "flammable" in line
                   for line in last_lines(quiet, Path("r.sqlite"), rig))
    told_short = last_lines(rehearsal.Result(flammable_s=40.0), Path("r.sqlite"), rig)
    assert any("flammable range of methanol for 40 s." in line for line in told_short)
    lines = last_lines(told, Path("r.sqlite"), rig)
    assert ("Methanol boiled: 1.23 L of it off, and for 75 s at the element's surface." in lines
            and "The headspace was within the flammable range of methanol for 2 h 30 min."
            in lines)


@pytest.mark.parametrize(("result", "said"), [
    (rehearsal.Result(simulated_s=10800.0),
     ["The batch did not end complete: waiting for a start (given up 3 h 00 min after switching "
      "on)."]),
    (rehearsal.Result(state="running", why="green held in idle, every start check seen",
                      stages=[{"stage": "dewater"}], simulated_s=54000.0,
                      withheld=("heat: probes-apart",)),
     ["The batch did not end complete: running in dewater (given up 15 h 00 min after switching "
      "on).", "Withheld: heat: Probes A and B differ too much."]),
    (rehearsal.Result(state="running", why="the record failed: the disk is full"),
     ["The batch did not end complete: running (the record failed: the disk is full)."]),
    (rehearsal.Result(state="held", why="black pressed", stages=[{"stage": "dose"}]),
     ["The batch did not end complete: held in add methoxide (black pressed)."]),
])
def test_the_ending_gives_a_reason_that_explains_or_none(
    result: rehearsal.Result, said: list[str],
) -> None:
    rig = SimpleNamespace(plant=SimpleNamespace(faults=()))
    assert last_lines(result, Path("r.sqlite"), rig)[1:1 + len(said)] == said


@pytest.mark.parametrize("name", ["x y2.sqlite", "it's $HOME.sqlite"])
def test_the_last_line_can_be_pasted(name: str) -> None:
    rig = SimpleNamespace(plant=SimpleNamespace(faults=()))
    path = Path("a folder") / name
    last = last_lines(rehearsal.Result(state="complete"), path, rig)[-1]
    assert shlex.split(last)[-3:] == ["record", "show", str(path)]


def test_a_probe_check_that_is_missing_is_said_first_and_ends_the_rehearsal_where_it_waits(
    folder: Path, inside: Inside,
) -> None:
    (folder / "batch.toml").write_text(SMALLEST.replace(
        '[titration]\nreadings = ["2.9 mL", "3.1 mL", "3.0 mL"]', '[dewater]\nmethod = "none"'))
    (folder / "reactor.toml").write_text(REACTOR.read_text().replace(
        "checked = true", "checked = false"))
    done = inside("rehearse", "batch.toml")
    first, note = done.stderr.splitlines()[:2]
    assert first.startswith("still missing: Batch sheet not complete: [titration] readings are")
    assert "two-point check of the probes is not on record" in first
    assert note.startswith("note: the rehearsal ends where it waits for the probe check")
    assert done.returncode == 1 and "running in methoxide" in done.stdout
    assert "It shows: Batch sheet not complete" in done.stdout
    assert done.stdout.count("Is somebody there?") <= 4, "two hours, not four days"


def test_an_unwise_sheet_is_warned_of_before_the_batch_starts(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:
    (folder / "batch.toml").write_text(
        SMALLEST.replace("3.1 mL", "4.1 mL") + '[dewater]\nmethod = "none"\n')
    briefly(folder, monkeypatch, "--json")
    out, err = capsys.readouterr()
    warnings = [line.removeprefix("warning: ") for line in err.splitlines()]
    assert len(warnings) == 2 and json.loads(out)["warnings"] == warnings
    assert "titrate once more" in warnings[0].lower() and "[dewater]" in warnings[1]

    def nothing_runs(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(rehearsal.Rehearsal, "run", nothing_runs)
    assert briefly(folder, monkeypatch) == 130
    assert "warning: " + warnings[0] in capsys.readouterr().err, "told before, not after"


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Given up after a quarter of an hour in which nothing moved, not after hours."""
    monkeypatch.setattr(rehearsal, "STUCK_S", 900.0)
    monkeypatch.setattr(rehearsal, "STOOD_S", 900.0)


@pytest.mark.usefixtures("impatient")
def test_a_trip_ends_with_exit_code_one_and_names_it(inside: Inside) -> None:
    done = inside("rehearse", "batch.toml", "--fault", "cutout_open@dewater+300",
                  "--reactor", str(REACTOR))
    assert done.returncode == 1
    assert "TRIP cut-out" in done.stdout and "did not end complete" in done.stdout


@pytest.mark.usefixtures("impatient")
def test_the_ending_of_a_hung_controller_says_so_and_names_no_start_check(inside: Inside) -> None:
    done = inside("rehearse", "batch.toml", "--fault", "controller_hangs@dewater+300",
                  "--reactor", str(REACTOR))
    said = " ".join(done.stdout.split())
    assert done.returncode == 1 and "running in dewater" in said
    assert ("The controller still hangs: what stands above is its last word. The guard has "
            "latched: it did not hear the controller for 2 s; the element is off.") in said
    assert "Last trip" not in said, "the e-stop of the start checks ended nothing"


@pytest.mark.parametrize(("arguments", "words"), [
    (("missing.toml",), "missing.toml"),
    (("",), "BATCH: the path is empty"),
    (("batch.toml", "--record", ""), "--record: the path is empty"),
    (("--fit", "r.sqlite", "--plot", "x.svg"), "--fit: nothing is rehearsed; leave out --plot."),
    (("--fit", "r.sqlite", "--faults"), "--faults: it only lists them; leave out --fit."),
    (("--fit", "r.sqlite", "--fault", "k1_welded@3", "--seed", "2"), "leave out --seed, --fault."),
    (("--faults", "--scenario", "story.toml"), "leave out --scenario."),
    (("batch.toml", "--speed", "fast"), "--speed"),
    (("batch.toml", "--speed", "nan"), "--speed"),
    (("batch.toml", "--fault", "mixer_staled@mix+600"), "did you mean mixer_stalled"),
    (("batch.toml", "--fault", "mixer_stalled@mixing+600"), "did you mean mix"),
    (("batch.toml", "--fault", "mixer_stalled@nan"), "seconds"),
    (("batch.toml", "--fault", "mixer_stalled"), "NAME@SECONDS"),
    (("batch.toml", "--broker", "1883"), "HOST:PORT"),
    (("batch.toml", "--broker", "localhost:99999"), "1 to 65535"),
    (("batch.toml", "--person", "robot"), "person"),
    (("batch.toml", "--record", "nowhere/at/all.sqlite"), "folder"),
    (("batch.toml", "--record", "/proc/self/one.sqlite"), "no record can be kept here"),
    (("batch.toml", "--record", "long" * 100), "File name too long"),
    (("batch.toml", "--broker", "127.0.0.1:1"), "no broker answers there"),
    (("batch.toml", "--broker", "localhost:1"), "no broker answers there"),
    (("batch.toml", "--broker", "nowhere.invalid:1883"), "no broker answers there"),
    (("batch.toml", "--record", "batch.toml"), "exists already"),
    (("batch.toml", "--record", "new.toml"), "--record new.toml: this writes a .sqlite file"),
])
def test_bad_input_is_one_sentence_exit_2_and_nothing_started(
    arguments: tuple[str, ...], words: str, folder: Path, inside: Inside,
) -> None:
    before = sorted(p.name for p in folder.iterdir())
    done = inside("rehearse", *arguments)
    assert done.returncode == 2
    assert words in done.stderr and "Traceback" not in done.stderr
    assert len([line for line in done.stderr.splitlines() if not line.startswith("note:")]) == 1
    assert sorted(p.name for p in folder.iterdir()) == before


def test_without_a_name_the_batch_is_batch_toml_of_this_folder(
    folder: Path, inside: Inside,
) -> None:
    (folder / "batch.toml").write_text(SMALLEST.replace("120 L", "190 L"))
    done = inside("rehearse", "--reactor", str(REACTOR))
    assert done.returncode == 2 and done.stderr.startswith("batch.toml: ")
    (folder / "batch.toml").unlink()
    done = inside("rehearse")
    assert done.returncode == 2
    assert done.stderr == "batch.toml: there is no such file; give the path of one.\n"


def test_of_a_batch_that_is_not_there_nothing_is_said_but_that(
    folder: Path, inside: Inside,
) -> None:
    done = inside("rehearse", "missing.toml")
    assert done.returncode == 2
    assert done.stderr == "missing.toml: there is no such file; give the path of one.\n"


@pytest.mark.parametrize(("fitted", "fault", "noted"), [
    ("", "vapour_high@10", "note: --fault vapour_high@10: vapour_low is not fitted on this "
                           "reactor, so nothing shows there."),
    ('fitted = ["vapour_low"]', "vapour_high@10", ""), ("", "cutout_open@10", ""),
])
def test_a_fault_of_a_part_that_is_not_fitted_is_noted(
    fitted: str, fault: str, noted: str, folder: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    reactor = folder / "mine.toml"
    level = 'level = "full"\n' + fitted if fitted else 'level = "small"'
    reactor.write_text(REACTOR.read_text().replace('level = "small"', level))
    briefly(folder, monkeypatch, "--fault", fault, "--reactor", str(reactor))
    assert [line for line in capsys.readouterr().err.splitlines()
            if line.startswith("note:")] == ([noted] if noted else [])


def test_all_mistakes_of_both_files_come_at_once(folder: Path, inside: Inside) -> None:
    (folder / "batch.toml").write_text(SMALLEST.replace("120 L", "190 L").replace(
        "3.1 mL", "3,1 mL"))
    (folder / "reactor.toml").write_text(REACTOR.read_text().replace('"3000 W"', '"3000"'))
    done = inside("rehearse", "batch.toml")
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert "3,1 mL" in done.stderr and "power" in done.stderr
    assert not (folder / "rehearsals").exists()


def test_mistakes_in_options_come_at_once_with_those_of_the_files(folder: Path) -> None:
    (folder / "batch.toml").write_text(SMALLEST.replace("120 L", "55,5 L"))
    done = esterward("rehearse", "batch.toml", "--reactor", str(REACTOR), "--speed", "fast",
                     "--broker", "nonsense", "--fault", "nope@5", "--plot", "x.png",
                     "--record", "nowhere/x.sqlite", cwd=folder)
    assert done.returncode == 2 and len(done.stderr.splitlines()) == 6
    for words in ("55.5 L", "--speed", "--broker", "--fault", "--plot", "--record"):
        assert words in done.stderr


def test_a_rig_that_only_watches_is_refused_and_not_pretended(folder: Path, inside: Inside) -> None:
    (folder / "reactor.toml").write_text(REACTOR.read_text().replace(
        'level = "small"', 'level = "watch"'))
    done = inside("rehearse", "batch.toml")
    assert done.returncode == 2 and len(done.stderr.splitlines()) == 1
    assert "watch" in done.stderr and '"small" or "full"' in done.stderr
    assert not (folder / "rehearsals").exists()


def test_oil_plus_methanol_above_the_vessel_is_refused(folder: Path, inside: Inside) -> None:
    (folder / "batch.toml").write_text(SMALLEST.replace("120 L", "190 L"))
    done = inside("rehearse", "batch.toml", "--reactor", str(REACTOR))
    assert done.returncode == 2
    assert "vessel" in done.stderr and not (folder / "rehearsals").exists()


def test_a_broker_may_be_given_by_name_and_must_speak_mqtt(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str],
) -> None:
    with EmbeddedBroker() as broker, socket.socket() as mute:
        briefly(folder, monkeypatch, "--broker", f"LOCALHOST:{broker.port}")
        out, err = capfd.readouterr()
        assert "mqtt" in out and "the reactor is connected" in out, err
        before = sorted((folder / "rehearsals").iterdir())
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        monkeypatch.setattr(publish, "CONNECT_S", 0.5)
        where = f"127.0.0.1:{mute.getsockname()[1]}"
        assert briefly(folder, monkeypatch, "--broker", where) == 2
        assert "no broker answers there" in capfd.readouterr().err
        assert sorted((folder / "rehearsals").iterdir()) == before


def test_the_demo_has_its_reactor_beside_its_batch_and_it_is_that_of_the_example() -> None:
    batch = TOP / "sim/scenarios/demo/batch.toml"
    beside = reactor_beside(batch)
    assert beside is not None, "the demo says no note about a file that is not there"
    _, demo = load_pair(batch, beside)
    assert demo == replace(load_reactor(REACTOR), digest=demo.digest)


def test_the_faults_and_every_row_of_what_can_go_wrong_are_listed() -> None:
    done = esterward("rehearse", "--faults", "--json", cwd=TOP)
    plain = json.loads(done.stdout)
    assert done.returncode == 0 and len(plain["faults"]) > 100 and len(plain["catalogue"]) == 108
    assert all(row["name"] and row["sentence"] for row in plain["faults"])
    text = esterward("rehearse", "--faults", cwd=TOP)
    assert text.returncode == 0
    for row in plain["catalogue"]:
        assert f"\n{row['code']:6} {row['sentence']}\n" in text.stdout


def test_every_wrong_fault_and_the_files_mistakes_are_one_sentence_each_at_once(
    folder: Path, inside: Inside,
) -> None:
    (folder / "batch.toml").write_text(SMALLEST.replace("120 L", "190 L"))
    done = inside("rehearse", "batch.toml", "--reactor", str(REACTOR), "--fault", "lid@dose+1",
                     "--fault", "weather=99@mix+1", "--fault", "lid_open@dose+9-3",
                     "--fault", "broker_gone@mix+1")
    lines = done.stderr.splitlines()
    assert done.returncode == 2 and len(lines) == 5 and "Traceback" not in done.stderr
    for words in ("did you mean lid_open", "-12 to 6", "end at 3 s", "--broker embedded",
                  "vessel"):
        assert len([line for line in lines if words in line]) == 1, words


def test_a_scenario_tells_its_story_and_ends_with_0_or_with_1_when_it_differs(
    folder: Path,
) -> None:
    text = (TOP / "sim/scenarios/float-stuck-at-the-start.toml").read_text(encoding="utf-8")
    text = text.replace("demo/batch.toml", "batch.toml")
    (folder / "story.toml").write_text(text)
    done = esterward("rehearse", "--scenario", "story.toml", cwd=folder)
    assert done.returncode == 0, done.stdout
    assert "fault level_stuck_wet begins" in done.stdout and "DIFFERS" not in done.stdout
    (folder / "story.toml").write_text(text.replace('state = "idle"', 'state = "running"'))
    done = esterward("rehearse", "--scenario", "story.toml", "--json", cwd=folder)
    plain = json.loads(done.stdout)
    assert done.returncode == 1 and plain["ending_as_it_must"] is False
    assert [row["what"] for row in plain["ending"] if not row["same"]] == ["batch state"]
    assert not (folder / "rehearsals").exists()


TOLD = 'told = ["Still to check: level: let the level float hang dry"]'


@pytest.mark.parametrize(("change", "words"), [
    (("seed = 1", "seed = 1\nmood = 2"), "mood"),
    (("seed = 1", 'person = "robot"'), "wrong-order"),
    (('"idle+1800"', '"mixing+3"'), "did you mean mix"),
    (("level_stuck_wet@idle+0", "level_stuck@idle+0"), "did you mean level_stuck_wet"),
    (("seed = 1", 'seed = "one"'), "integer"),
    (("stages = []", 'stages = ["heat long"]'), "peak_oil_c is needed"),
    (("stages = []", 'stages = ["heating 5 min +-1"]'), "heat 55 min +-3"),
    ((TOLD, "[plant]\nfat_melts = 3.0"), "fat_melts"),
    ((TOLD, '[plant]\nfat_melts_c = nan\nroom_c = "5 degC"\nmixing_limited = 1'),
     "fat_melts_c = nan, room_c = '5 degC', mixing_limited = 1: write a number"),
    ((TOLD, '[reactor.site]\naltitude = "1120"'), "altitude"),
    (('state = "idle"', 'state = "hold"'), "write one of idle, running"),
    (('first_out = ""', 'first_out = "k1-weld"'), "there is no trip 'k1-weld'"),
    ((TOLD, 'trips = ["leveI"]'), "did you mean level"),
])
def test_a_bad_scenario_is_one_sentence_a_mistake(
    change: tuple[str, str], words: str, folder: Path, inside: Inside,
) -> None:
    text = (TOP / "sim/scenarios/float-stuck-at-the-start.toml").read_text(encoding="utf-8")
    text = text.replace("demo/batch.toml", "batch.toml")
    assert change[0] in text
    (folder / "story.toml").write_text(text.replace(*change))
    done = inside("rehearse", "--scenario", "story.toml")
    assert done.returncode == 2 and words in done.stderr and "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1 and not done.stdout


def test_a_file_of_another_kind_is_one_sentence(folder: Path, inside: Inside) -> None:
    done = inside("rehearse", "--scenario", "batch.toml")
    assert done.returncode == 2 and not done.stdout
    (line,) = done.stderr.splitlines()
    assert "this is no scenario" in line and "without --scenario" in line


def test_wires_play_no_blackout_alone_or_in_a_story(folder: Path, inside: Inside) -> None:
    done = inside("rehearse", "batch.toml", "--wires", "--fault", "blackout@heat+60-300")
    assert done.returncode == 2
    assert "blackout cannot be played with --wires" in done.stderr
    done = inside("rehearse", "--wires", "--scenario",
                     str(TOP / "sim/scenarios/blackout-in-heat.toml"))
    assert done.returncode == 2 and "leave out --wires" in done.stderr
    assert not (folder / "rehearsals").exists()


def test_a_scenario_stands_alone(folder: Path) -> None:
    done = esterward("rehearse", "batch.toml", "--scenario", "story.toml", "--seed", "3", "--fault",
                     "k1_welded@3", cwd=folder)
    assert done.returncode == 2
    assert "leave out BATCH, --seed, --fault." in done.stderr
