"""The picture of a rehearsal: everything is in it, nothing overlaps, print needs no colour."""

from __future__ import annotations

import itertools
import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from click.testing import CliRunner

from esterward.chemistry import boiling
from esterward.settings.files import load_pair
from esterward_sim import batch_picture, rehearsal
from esterward_sim.batch_picture import LETTER, LINES, draw, spread
from esterward_sim.batch_series import Sampler, Series
from esterward_sim.rehearsal import FaultOrder, Rehearsal
from esterward_sim.rehearse import rehearse
from esterward_sim.virtual import NoRecord
from samples import SMALLEST_BATCH

DEMO = Path(__file__).parents[2] / "sim/scenarios/demo"
SVG = "{http://www.w3.org/2000/svg}"


def crowded() -> Series:
    """Twenty stages and twelve marks, most of them within the first minutes of ten hours."""
    series = Series(title="<lot> & 1", end_s=36_000.0, element=[0.5] * 120)
    for i in range(18):
        series.stages.append((f"stage {i}", 30.0 * i, 30.0 * (i + 1)))
    series.stages += [("settle", 540.0, 30_000.0), ("dry", 30_000.0, 36_000.0)]
    series.marks = [(10.0 * i, f"TRIP <{i}>") for i in range(12)]
    series.true_c = [(60.0 * i, 20.0 + i / 20.0) for i in range(600)]
    series.probe_c = [(t, None if 9000.0 < t < 12_000.0 else c) for t, c in series.true_c]
    series.setpoint_c = [(0.0, 55.0), (36_000.0, 55.0)]
    series.ceiling_c = [(0.0, 56.2), (36_000.0, 56.2)]
    return series


def test_places_keep_their_order_and_their_distance_inside_the_frame() -> None:
    places = spread([5.0, 5.0, 6.0, 99.0, 100.0], 10.0, 0.0, 100.0)
    assert places == sorted(places) and places[0] >= 0.0 and places[-1] <= 100.0
    assert all(b - a >= 10.0 - 1e-9 for a, b in itertools.pairwise(places))
    many = spread([50.0] * 21, 10.0, 0.0, 100.0)  # there is no room: evenly, still in order
    assert all(b - a == pytest.approx(5.0) for a, b in itertools.pairwise(many))


def test_no_name_and_no_number_lies_on_another_even_in_a_crowded_batch() -> None:
    root = ET.fromstring(draw(crowded()))
    names = [float(re.findall(r"translate\(([\d.]+)", t.get("transform", ""))[0])
             for t in root.iter(f"{SVG}text") if "stage" in (t.text or "")]
    assert len(names) == 18
    assert all(b - a >= LETTER for a, b in itertools.pairwise(names))
    circles = [float(c.get("cx", "0")) for c in root.iter(f"{SVG}circle")]
    assert len(circles) == 12
    assert all(b - a >= 16.0 for a, b in itertools.pairwise(circles))
    told = [t for t in root.iter(f"{SVG}text") if "TRIP" in (t.text or "")]
    heights = [float(t.get("y", "0")) for t in told]
    assert len(told) == 12 and all(b - a >= LETTER for a, b in itertools.pairwise(heights))
    height = float(root.get("viewBox", "").split()[3])
    assert max(heights) < height


def test_every_line_can_be_told_from_the_others_without_colour() -> None:
    looks = {(width >= 3.0, dash) for _, _, width, _, dash in LINES}
    assert len(looks) == len(LINES)
    tones = set(re.findall(r"#([0-9a-f]{3,6})\b", draw(crowded())))
    assert all(len(set(re.findall("..", tone) if len(tone) == 6 else tone)) == 1
               for tone in tones), "only greys"
    for _, words, *_ in LINES:
        assert words in draw(crowded())


def test_a_reading_that_is_missing_breaks_the_line() -> None:
    root = ET.fromstring(draw(crowded()))
    thin = [p for p in root.iter(f"{SVG}polyline") if p.get("stroke-width") == "1.2"
            and not p.get("stroke-dasharray")]
    assert len(thin) == 2


def test_a_rehearsal_gives_its_stages_limits_faults_and_trips_to_the_picture() -> None:
    batch, reactor = load_pair(DEMO / "batch.toml", DEMO / "reactor.toml")
    assert reactor is not None
    rehearsal = Rehearsal(reactor, batch, NoRecord(),  # type: ignore[arg-type]
                          faults=(FaultOrder("cutout_open", 1200.0, "heat"),))
    sampler = Sampler()
    for quarter in range(4 * 3600):
        rehearsal.step()
        if quarter % 4 == 3:
            sampler(rehearsal)
    series = sampler.series
    names = [words for words, _, _ in series.stages]
    assert names[:2] == ["fill", "heat"]
    marks = [words for _, words in series.marks]
    assert "fault given: cutout_open" in marks
    assert any(words.startswith("trip cut-out") for words in marks)
    assert series.began_s > 60.0
    told_s = [event.at_s for event in rehearsal.result.events if event.kind == "latched"][-1]
    tripped_s = next(s for s, words in series.marks if words.startswith("trip cut-out"))
    assert tripped_s - series.began_s == pytest.approx(told_s, abs=1.5), (
        "the picture tells the time that the terminal tells")
    heat_on_s = 300.0 * sum(series.element)
    assert heat_on_s == pytest.approx(1200.0, abs=5.0), "from the start of heat to the fault"
    aim_c = boiling.limits(1120.0).aim_max_c
    assert {c for _, c in series.setpoint_c} >= {aim_c} and series.mixer
    last_s, true_c = series.true_c[-1]
    assert last_s == pytest.approx(3600.0, abs=10.0)
    assert true_c == pytest.approx(rehearsal.rig.plant.oil_c, abs=0.1)
    ET.fromstring(draw(series))


def test_the_axis_and_the_marks_count_from_the_start_of_the_batch() -> None:
    series = crowded()
    series.began_s, series.marks = 240.0, [(120.0, "before"), (3840.0, "after an hour")]
    root = ET.fromstring(draw(series))
    told = [t.text for t in root.iter(f"{SVG}text")]
    assert "0:00 h  before" in told and "1:00 h  after an hour" in told
    (line,) = [one for one in root.iter(f"{SVG}line") if one.get("stroke-dasharray") == "3 2"
               and float(one.get("x1", "0")) > 150.0]
    assert "from the start of the batch" in draw(series)
    places = {t.text: float(t.get("x", "0")) for t in root.iter(f"{SVG}text")
              if t.get("text-anchor") == "middle" and t.get("font-size") is None}
    assert places["1"] == pytest.approx(float(line.get("x1", "0")), abs=0.11)


def test_an_empty_series_is_still_a_picture() -> None:
    ET.fromstring(draw(Series()))


@pytest.mark.parametrize(("name", "words"), [
    ("picture.png", "ends in .svg"), ("there.svg", "exists already"),
    ("nowhere/picture.svg", "no folder"), ("/proc/picture.svg", "cannot be written there"),
])
def test_a_picture_that_cannot_be_written_is_refused_before_the_start(
    name: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "batch.toml").write_text(SMALLEST_BATCH)
    (tmp_path / "there.svg").write_text("mine")
    done = CliRunner().invoke(rehearse, ["batch.toml", "--plot", name])
    assert done.exit_code == 2 and words in done.stderr
    assert (tmp_path / "there.svg").read_text() == "mine"
    assert not (tmp_path / "rehearsals").exists()


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_picture_that_cannot_be_kept_is_told_last_with_exit_2_and_costs_nothing_else(
    form: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    def goes_away(series: Series) -> str:
        (tmp_path / "pictures").rmdir()
        return "<svg/>"

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(rehearsal, "AT_MOST_S", 900.0)
    monkeypatch.setattr(batch_picture, "draw", goes_away)
    (tmp_path / "batch.toml").write_text(SMALLEST_BATCH)
    (tmp_path / "pictures").mkdir()
    done = CliRunner().invoke(rehearse, ["batch.toml", "--plot", "pictures/p.svg", "--record",
                                         "r.sqlite", *form])
    assert done.exit_code == 2 and done.stderr.splitlines()[-1] == (
        "--plot pictures/p.svg: it cannot be written there (No such file or directory); name a "
        "file in a folder that you may write.")
    if form:
        assert json.loads(done.stdout)["state"] == "running"
    else:
        assert done.stdout.splitlines()[-2] == "The record lies in r.sqlite; read it with:"
    assert [one.name for one in tmp_path.glob("r.sqlite*")] == ["r.sqlite"]
