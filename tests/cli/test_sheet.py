"""esterward sheet: text, JSON, HTML, and every refusal; jars are in test_sheet_jar.py."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from esterward.cli import sheet_rows, sheet_working
from esterward.cli.sheet_print import NAME_WIDTH
from samples import JSON_KEYS as KEYS
from samples import SMALLEST_BATCH as SMALLEST

CONFIG = Path(__file__).parents[2] / "firmware" / "config"
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
    assert plain["ceiling"]["altitude_m"] == 1120.0
    assert plain["setpoint_c"] == pytest.approx(54.871, abs=1e-3)


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


def test_json_says_when_another_reading_is_wanted_and_which_stands_apart(
    folder: Path, run: Callable[..., Any]
) -> None:
    plain = json.loads(run("sheet", "--json").out)["titration"]
    assert (plain["another_wanted"], plain["apart_ml"]) == (False, None)
    (folder / "batch.toml").write_text(SMALLEST.replace('"2.9 mL"', '"2.0 mL"'))
    plain = json.loads(run("sheet", "--json").out)["titration"]
    assert (plain["another_wanted"], plain["apart_ml"]) == (True, 2.0)
    assert plain["allowed_ml"] == 0.35


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
    for part in ("1293 g", "24.0 L", "54.9 degC", "56.1 degC", "480 min", "manual-reset cut-out",
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


def test_the_working_sets_both_published_kinetics_beside_their_disagreement(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder)
    page = " ".join(run("sheet", "--working").out.split())
    first, second = page.split("by Noureddini & Zhu 1997 ")[1].split("by Darnoko & Cheryan 2000 ")
    assert first.startswith("at 48.6 degC and 4.8 mol/mol: 78 % of the oil turned, 70 % ester")
    assert second.startswith("at 50.0 degC (nothing nearer was measured)")
    assert "disagree too much to foretell a batch" in second
    assert "Only the conversion check on this batch counts" in second


def test_the_working_says_when_methanol_vapour_burns(
    folder: Path, run: Callable[..., Any]
) -> None:
    page = " ".join(run("sheet", "--working").out.split())
    # IEC 60079-20-1:2010 and NFPA 497:2008 for 6 to 36 % and 9 degC; OSHA for 200 ppm.
    for part in ("the air can be lit (6 to 36 % vapour, at 101.3 kPa)", "flash point 9.0 degC",
                 "200 ppm over 8 h"):
        assert part in page


def test_the_working_says_why_clear_is_not_dry(folder: Path, run: Callable[..., Any]) -> None:
    page = " ".join(run("sheet", "--working").out.split())
    # He et al.: 1,355 mg/kg is still clear at 20 degC; EN 14214 allows 500.
    assert "1355 at 20.0 degC" in page and "EN 14214 allows 500" in page
    assert "air below 37 % humidity" in page


def test_every_word_of_both_pages_follows_the_preferred_units(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder)
    (folder / "batch.toml").write_text(
        SMALLEST + 'start = "25 degC"\n[methoxide]\nfirst_share = "80 %"\n')
    ran = run("sheet", "--working", "--temperature", "degF", "--volume", "gal_imp")
    said = ran.out + ran.err
    assert "degC" not in said and " gal_imp" in said and " degF" in said
    # What stays in L is a sum with g/L, and is told in gallons beside it.
    assert [line for line in ran.out.splitlines() if " L " in line] == [
        "  catalyst        (3.000 + 7.778) g/L x 120 L (26.40 gal_imp) = 1293 g"]
    assert "warm the methanol by 43 degF" in ran.err
    told = json.loads(run("sheet", "--temperature", "degF", "--json").out)["warnings"]
    assert any("by 24 K" in warning for warning in told)


def test_a_two_stage_plan_names_both_shares_and_the_drain_between(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder)
    (folder / "batch.toml").write_text(SMALLEST + '[methoxide]\nfirst_share = "80 %"\n')
    ran = run("sheet")
    assert ran.code == 0 and "1035 g" in ran.out and "after the drain between" in " ".join(
        ran.out.split())
    assert "two stages with a drain between" in ran.err


def test_the_blend_and_the_dipstick_stand_on_the_page(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder, "[element]", "dipstick = [{ stick = \"0 mm\", volume = \"0 L\" }, "
                 "{ stick = \"1000 mm\", volume = \"200 L\" }]\n[element]")
    (folder / "batch.toml").write_text(SMALLEST.replace(
        'volume = "120 L"', 'volume = "120 L"\nlots = [{ volume = "20 L", titre = "6 mL" }, '
        '{ volume = "100 L", titre = "2 mL" }]'))
    out = run("sheet", "--working").out
    # (20 x 6 + 100 x 2) / 120 = 2.667 mL; 120 L stand at 600 mm, 144 L at 720 mm.
    for part in ("2.67 mL", "= 2.667 mL", "dipstick 600 mm", "dipstick 720 mm"):
        assert part in out
    assert json.loads(run("sheet", "--json").out)["dipstick"] == {
        "oil_mm": pytest.approx(600.0), "dosed_mm": pytest.approx(720.0)}


def test_units_follow_the_option_and_else_the_file(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder, 'temperature = "degC"', 'temperature = "degF"')
    out = run("sheet").out
    assert "131.0 degF" in out and "degC" not in out.split("Wash, dry")[0].split("Heat")[1]
    assert "54.9 degC" in run("sheet", "--temperature", "degC").out
    assert "6.34 gal_us" in run("sheet", "--volume", "gal_us").out  # 24 L / 3.785411784
    assert json.loads(run("sheet", "--json").out)["setpoint_c"] == pytest.approx(54.871, abs=1e-3)


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


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium to print the page for the wall")
@pytest.mark.parametrize(("args", "pages"), [((), 1), (("--working",), 2)])
def test_the_wall_page_prints_on_one_sheet_and_the_working_on_the_next(
    folder: Path, run: Callable[..., Any], args: tuple[str, ...], pages: int
) -> None:
    with_reactor(folder)
    assert run("sheet", "--html", "wall.html", *args).code == 0
    subprocess.run(
        [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={folder / 'wall.pdf'}",
         f"file://{folder / 'wall.html'}"], check=True, capture_output=True, timeout=120)
    assert len(re.findall(rb"/Type\s*/Page\b", (folder / "wall.pdf").read_bytes())) == pages


def test_oil_that_comes_hotter_than_the_setpoint_is_to_cool(
    folder: Path, run: Callable[..., Any]
) -> None:
    with_reactor(folder)
    (folder / "batch.toml").write_text(SMALLEST.replace('"120 L"', '"120 L"\nstart = "90 degC"'))
    page = " ".join(run("sheet").out.split())
    assert "heating none the oil comes at 90.0 degC; let it cool to 54.9 degC" in page
    assert "0 min 0.0 kWh" not in page


@pytest.mark.parametrize(("loss", "room", "says", "hours"), [
    ("lagging = \"40 mm\"", "15 degC", "melting 6 to 19 h set fat", (6.2, 18.7)),
    ("loss = \"20 W/K\"", "15 degC", "melting from 10 h set fat, in pulses; a hard one (tallow) "
     "hardly ever", (10.4, None)),
    ("loss = \"20 W/K\"", "-5 degC", "melting hardly ever set fat", (None, None)),
])
def test_the_sheet_says_how_long_set_fat_melts_before_it_is_heated(
    folder: Path, run: Callable[..., Any], loss: str, room: str, says: str,
    hours: tuple[float | None, float | None],
) -> None:
    with_reactor(folder)
    text = (folder / "reactor.toml").read_text()
    text = text.replace('lagging = "40 mm"', "#").replace('loss = "8 W/K"', loss)
    (folder / "reactor.toml").write_text(text.replace('room = "15 degC"', f'room = "{room}"'))
    assert "melting" not in run("sheet", "--working").out
    oil = '"120 L"\nstart = "15 degC"\n'
    (folder / "batch.toml").write_text(SMALLEST.replace('"120 L"\n', oil + "set = true\n", 1))
    assert says in " ".join(run("sheet").out.split())
    assert "until it flows at 82.4 degF" in " ".join(
        run("sheet", "--working", "--temperature", "degF").out.split())
    told = json.loads(run("sheet", "--json").out)["melting_h"]
    assert [told["soft"], told["hard"]] == [
        None if h is None else pytest.approx(h, abs=0.5) for h in hours]
    watched = (folder / "reactor.toml").read_text().replace('"small"', '"watch"', 1)
    (folder / "reactor.toml").write_text(watched)
    assert "melting" not in run("sheet").out, "a thermostat of its maker gives no pulses"


def test_the_wall_page_never_replaces_another_file(
    folder: Path, run: Callable[..., Any]
) -> None:
    before = (folder / "batch.toml").read_bytes()
    ran = run("sheet", "--html", "batch.toml")
    assert ran.code == 2 and "ends in .html" in ran.err and ran.out == ""
    assert (folder / "batch.toml").read_bytes() == before
    ran = run("sheet", "--html", "none/wall.html")
    assert ran.code == 2 and "there is no folder none" in ran.err and ran.err.count("\n") == 1


def test_an_older_wall_page_is_replaced_and_the_help_says_so(
    folder: Path, run: Callable[..., Any]
) -> None:
    for args in (("--working",), ()):
        assert run("sheet", "--html", "wall.html", *args).code == 0
    assert "Working" not in (folder / "wall.html").read_text()
    assert "older page of that name is replaced" in " ".join(run("sheet", "--help").out.split())


@pytest.mark.parametrize(("old", "new", "part"), [
    ("checked = true ", "checked = false", "STILL MISSING: [probes] checked is not true"),
    ('level = "small"', 'level = "watch"', 'STILL MISSING: [rig] level = "watch"'),
])
def test_a_rig_that_will_refuse_the_dose_stands_among_what_is_missing(
    folder: Path, run: Callable[..., Any], old: str, new: str, part: str
) -> None:
    with_reactor(folder)
    assert "STILL MISSING" not in run("sheet").out and json.loads(run("sheet", "--json").out)[
        "complete"]
    with_reactor(folder, old, new)
    assert part in run("sheet", "--html", "wall.html").out
    assert "Still missing: [" in (folder / "wall.html").read_text()
    plain = json.loads(run("sheet", "--json").out)
    assert plain["complete"] is False and len(plain["missing"]) == 1
    assert "STILL MISSING" not in run("sheet", "--jar", "400 mL").out


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
    ('"120 L"', '"120"', 'write "120 L" if L is meant'),
    ('"120 L"', '"\u2212120 L"', "minus sign"),
    ('"120 L"', '"' + "9" * 400 + ' L"', "too long"),
    ('"120 L"', '"120 gal"', "two gallons"),
    ('"90 %"', '"0.9"', 'write "90 %" if that share is meant'),
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
        (("",), "the name of the file is empty"), (("batch.toml\0",), "not a path"),
    ):
        ran = run("sheet", *args)
        assert ran.code == 2 and part in ran.err and ran.err.count("\n") == 1, ran.err


def test_a_value_wider_than_its_column_leaves_a_gap_to_its_note(run: Callable[..., Any]) -> None:
    out = run("sheet", "--check", "conversion: layer 0.2 mL").out
    assert "6.67 % unreacted at least  NOT PASSED" in out


def test_names_of_rows_leave_a_gap_to_their_values() -> None:
    text = Path(sheet_rows.__file__).read_text() + Path(sheet_working.__file__).read_text()
    names = [part.split('"')[0] for part in text.split('Row("')[1:]]
    assert names and max(map(len, names)) < NAME_WIDTH - 2
