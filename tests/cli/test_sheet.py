"""esterward sheet: text, JSON, HTML, jars, and every refusal."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from esterward.cli import sheet_rows, sheet_working
from esterward.cli.sheet_print import NAME_WIDTH

CONFIG = Path(__file__).parents[2] / "firmware" / "config"
# design.md, section 7: the smallest file that makes a full sheet.
SMALLEST = """
[oil]
volume = "120 L"
[titration]
readings = ["2.9 mL", "3.1 mL", "3.0 mL"]
[catalyst]
kind = "KOH"
purity = "90 %"
[methanol]
share = "20 %"
"""
KEYS = {"oil_l", "titration", "acid_value_mg_koh_per_g", "ffa_percent", "catalyst", "methanol",
        "ceiling", "setpoint_c", "heating", "warnings"}
TITRATION = {"n", "readings_ml", "mean_ml", "sd_ml", "spread_ml"}
CATALYST = {"kind", "purity", "base_g_per_l", "titration_g_per_l", "total_g_per_l", "mass_g",
            "mass_low_g", "mass_high_g"}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder with batch.toml, and the place we stand in."""
    (tmp_path / "batch.toml").write_text(SMALLEST)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def with_reactor(folder: Path, old: str = "", new: str = "") -> None:
    text = (CONFIG / "reactor.toml").read_text()
    assert old in text
    (folder / "reactor.toml").write_text(text.replace(old, new, 1))


def test_json_has_the_keys_others_rely_on(folder: Path, run: Callable[..., Any]) -> None:
    with_reactor(folder)
    ran = run("sheet", "batch.toml", "--json")
    plain = json.loads(ran.out)
    assert (ran.code, ran.err) == (0, "")
    assert set(plain) >= KEYS
    assert set(plain["titration"]) >= TITRATION and set(plain["catalyst"]) >= CATALYST
    assert set(plain["methanol"]) >= {"volume_l", "mass_kg", "percent_v", "molar_ratio"}
    assert set(plain["heating"]) >= {"energy_kwh", "time_min"}
    # Worked by hand: 3.00 + 7 / 0.90 = 10.778 g/L; x 120 L = 1293.3 g; 20 % of 120 L = 24 L.
    assert plain["catalyst"]["total_g_per_l"] == pytest.approx(10.7778, abs=1e-3)
    assert plain["catalyst"]["mass_g"] == pytest.approx(1293.33, abs=0.01)
    assert plain["catalyst"]["purity"] == 0.9
    assert plain["methanol"]["volume_l"] == pytest.approx(24.0)
    assert plain["ceiling"]["altitude_m"] == 1120.0 and plain["setpoint_c"] == 55.0


def test_without_a_reactor_file_what_hangs_on_it_is_null(
    folder: Path, run: Callable[..., Any]
) -> None:
    ran = run("sheet", "batch.toml", "--json")
    plain = json.loads(ran.out)
    assert ran.code == 0
    assert plain["ceiling"] is plain["setpoint_c"] is plain["heating"] is None
    assert any("reactor" in warning for warning in plain["warnings"])
    text = run("sheet")
    assert text.code == 0 and "warning: No reactor file" in text.err
    assert "not known" in text.out


def test_the_reactor_beside_the_batch_is_taken_wherever_one_stands(
    folder: Path, run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    with_reactor(folder)
    monkeypatch.chdir("/")
    assert json.loads(run("sheet", str(folder / "batch.toml"), "--json").out)["ceiling"]


def test_a_named_reactor_goes_before_the_one_beside(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder)
    other = folder / "other.toml"
    other.write_text((folder / "reactor.toml").read_text().replace('"1120 m"', '"0 m"'))
    plain = json.loads(run("sheet", "--reactor", "other.toml", "--json").out)
    assert plain["ceiling"]["altitude_m"] == 0.0


def test_one_reading_has_no_standard_deviation(folder: Path, run: Callable[..., Any]) -> None:
    (folder / "batch.toml").write_text(SMALLEST.replace('"2.9 mL", "3.1 mL", ', ""))
    plain = json.loads(run("sheet", "--json").out)
    assert plain["titration"]["sd_ml"] is None and plain["titration"]["n"] == 1


def test_without_titration_the_sheet_says_what_is_missing(
    folder: Path, run: Callable[..., Any]
) -> None:
    (folder / "batch.toml").write_text(
        SMALLEST.replace('[titration]\nreadings = ["2.9 mL", "3.1 mL", "3.0 mL"]\n', ""))
    ran = run("sheet")
    assert ran.code == 0 and "STILL MISSING: [titration] readings are missing" in ran.out
    plain = json.loads(run("sheet", "--json").out)
    assert plain["catalyst"]["mass_g"] is None and plain["methanol"]["volume_l"] == 24.0


def test_a_reactor_without_altitude_says_what_to_add(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder, 'altitude = "1120 m"', "#")
    ran = run("sheet")
    assert ran.code == 0 and "[site] altitude is missing" in " ".join(ran.out.split())
    assert json.loads(run("sheet", "--json").out)["ceiling"] is None


def test_the_page_is_one_page_of_eighty_columns(folder: Path, run: Callable[..., Any]) -> None:
    with_reactor(folder)
    ran = run("sheet")
    lines = ran.out.splitlines()
    assert (ran.code, ran.err) == (0, "")
    assert len(lines) <= 60 and max(map(len, lines)) <= 80
    for part in ("1293 g", "24.0 L", "55.0 degC", "56.1 degC", "480 min", "manual-reset cut-out",
                 "poison by breath", "goggles"):
        assert part in ran.out
    assert "Working" not in ran.out


def test_the_working_is_a_second_page(folder: Path, run: Callable[..., Any]) -> None:
    with_reactor(folder)
    lines = run("sheet", "--working").out.splitlines()
    page = "\n".join(lines[lines.index("Working"):])
    assert max(map(len, lines)) <= 80
    for part in ("(2.9 + 3.1 + 3) / 3 = 3.000 mL", "7 g/L / 0.9 = 7.778 g/L",
                 "x 120 L = 1293 g", '"pure": 11.111 g/L', "85.08 kPa"):
        assert part in page


def test_units_follow_the_option_and_else_the_file(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder, 'temperature = "degC"', 'temperature = "degF"')
    out = run("sheet").out
    assert "131.0 degF" in out and "degC" not in out.split("Wash, dry")[0].split("Heat")[1]
    assert "55.0 degC" in run("sheet", "--temperature", "degC").out
    assert "6.34 gal_us" in run("sheet", "--volume", "gal_us").out  # 24 L / 3.785411784
    assert json.loads(run("sheet", "--json").out)["setpoint_c"] == 55.0


class Page(HTMLParser):
    """The text of a page, and whatever would be fetched for it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text, self.fetched, self.open = "", [], []  # type: ignore[var-annotated]
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [value for name, value in attrs if name in ("src", "href")]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_wall_page_is_one_whole_file_and_escapes_names(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder)
    (folder / "batch.toml").write_text('name = "<script>x</script>"\n' + SMALLEST)
    ran = run("sheet", "--html", "wall.html", "--working")
    assert ran.code == 0 and "wall.html" in ran.out
    text = (folder / "wall.html").read_text("utf-8")
    page = Page(text)
    assert page.open == [] and page.fetched == [] and "<script" not in text
    assert "@media print" in text
    for part in ("1293 g", "poison by breath", "Working", "<script>x</script>"):
        assert part in page.text


def test_the_wall_page_never_replaces_another_file(
    folder: Path, run: Callable[..., Any]
) -> None:
    before = (folder / "batch.toml").read_bytes()
    ran = run("sheet", "--html", "batch.toml")
    assert ran.code == 2 and "ends in .html" in ran.err and ran.out == ""
    assert (folder / "batch.toml").read_bytes() == before
    ran = run("sheet", "--html", "none/wall.html")
    assert ran.code == 2 and "cannot be written" in ran.err and ran.err.count("\n") == 1


def test_a_jar_needs_no_reactor_and_gives_three(folder: Path, run: Callable[..., Any]) -> None:
    with_reactor(folder)  # stands beside, with a scale far too coarse for a jar
    ran = run("sheet", "--jar", "400 mL", "--json")
    plain = json.loads(ran.out)
    assert ran.code == 0 and set(plain) >= KEYS
    # Common practice, no source: 20 % of 0.4 L is 80 mL. 10.778 g/L x 0.4 L = 4.311 g.
    assert plain["oil_l"] == 0.4 and plain["methanol"]["volume_l"] == pytest.approx(0.08)
    assert plain["catalyst"]["mass_g"] == pytest.approx(4.311, abs=1e-3)
    assert len(plain["jars"]) == 3 and plain["ceiling"] is None
    text = run("sheet", "--jar", "400 mL")
    assert (text.code, text.err) == (0, "")
    for part in ("3.87 g", "4.31 g", "4.76 g", "80 mL", "vent", "poison by breath"):
        assert part in text.out
    assert max(map(len, text.out.splitlines())) <= 80


def test_a_scale_too_coarse_for_the_jars_is_refused(
    folder: Path, run: Callable[..., Any]
) -> None:
    ran = run("sheet", "--jar", "400 mL", "--scale", "1 g")
    assert ran.code == 2 and ran.out == ""
    assert "too coarse" in ran.err and ran.err.count("\n") == 1
    assert run("sheet", "--jar", "400 mL", "--scale", "0.01 g").code == 0


def test_what_is_unwise_warns_and_ends_well(folder: Path, run: Callable[..., Any]) -> None:
    with_reactor(folder)
    (folder / "batch.toml").write_text(SMALLEST.replace("20 %", "14 %"))
    ran = run("sheet")
    assert ran.code == 0 and "methanol" in ran.err
    assert all(line.startswith("warning: ") for line in ran.err.splitlines())
    again = run("sheet", "--json")
    assert again.err == "" and json.loads(again.out)["warnings"]


@pytest.mark.parametrize(("old", "new", "part"), [
    ('"120 L"', '"170 L"', "more than the vessel's 200 L"),
    ('[catalyst]', '[heat]\nsetpoint = "56 degC"\n[catalyst]', "above the highest allowed"),
    ('"120 L"', '"120 C"', '"C" is not a unit of volume'),
    ('"120 L"', '"55,5 L"', 'write "55.5 L"'),
    ('"120 L"', '"-120 L"', "negative"),
    ('"120 L"', '"nan L"', "not a number"),
    ('"120 L"', "120", "the unit is missing"),
    ("volume", "volum", "[oil] volume is missing"),
    ("[methanol]", "[methanl]", "did you mean [methanol]?"),
])
def test_what_can_never_be_allowed_ends_with_2_and_nothing_printed(
    folder: Path, run: Callable[..., Any], old: str, new: str, part: str
) -> None:
    with_reactor(folder)
    (folder / "batch.toml").write_text(SMALLEST.replace(old, new, 1))
    for args in ((), ("--json",), ("--html", "x.html")):
        ran = run("sheet", "batch.toml", *args)
        assert ran.code == 2 and ran.out == ""
        assert any(part in line for line in ran.err.splitlines()), ran.err
        assert all(line.startswith("batch.toml: ") for line in ran.err.splitlines())
    assert not (folder / "x.html").exists()


def test_mistakes_of_both_files_and_the_options_come_at_once(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder, '"200 L"', '"200"')
    (folder / "batch.toml").write_text(SMALLEST.replace("120 L", "120"))
    lines = run("sheet", "--reactor", "reactor.toml", "--jar", "400", "--scale", "1").err
    assert len(lines.splitlines()) == 4


def test_files_that_are_none_are_one_sentence_each(
    folder: Path, run: Callable[..., Any]
) -> None:
    (folder / "image.toml").write_bytes(os.urandom(2000) + b"\0")
    for args, part in (
        (("none.toml",), "no such file"), ((".",), "directory"),
        (("image.toml",), "not a text file"), (("/dev/null",), "not an ordinary file"),
        (("batch.toml", "--reactor", "batch.toml"), "this is a batch file"),
        ((str(CONFIG / "reactor.toml"),), "this is a reactor file"),
    ):
        ran = run("sheet", *args)
        assert ran.code == 2 and part in ran.err and ran.err.count("\n") == 1, ran.err


def test_names_of_rows_leave_a_gap_to_their_values() -> None:
    text = Path(sheet_rows.__file__).read_text() + Path(sheet_working.__file__).read_text()
    names = [part.split('"')[0] for part in text.split('Row("')[1:]]
    assert names and max(map(len, names)) < NAME_WIDTH - 2
