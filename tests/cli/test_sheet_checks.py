"""esterward sheet --checks and --check: the page, the sums, every refusal."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from esterward.chemistry import fuel
from esterward.cli.sheet_checks import CHECKS
from esterward.process.prompts import PROMPTS

CONFIG = Path(__file__).parents[2] / "firmware" / "config"
SOAP = "soap: acid 0.35 mL; strength 0.01 mol/L; sample 100 g; base KOH"


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with no batch file."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_page_names_every_check_every_limit_and_the_dangers(run: Callable[..., Any]) -> None:
    ran = run("sheet", "--checks")
    flat = " ".join(ran.out.split())
    assert (ran.code, ran.err) == (0, "")
    assert max(map(len, ran.out.splitlines())) <= 80
    for name, check in CHECKS.items():
        assert f'--check "{name}: {check.example}"' in flat
    for row in fuel.FUEL_LIMITS:
        assert row.property in flat and row.at_home in flat
    for part in ("poison by breath", "outdoors", "860 to 900 kg/m3", "at 40 degC",
                 "ASTM 1.9 to 6 mm2/s", "none of them certifies"):
        assert part in flat


def test_the_page_and_the_question_at_the_reactor_are_one_conversion_check(
    run: Callable[..., Any]
) -> None:
    page = " ".join(run("sheet", "--checks").out.partition("--check")[0].split())
    numbers = r"[\d.]+ (?:mL|degC|min)\b"
    asked = re.findall(numbers, PROMPTS["check"].text)
    assert len(asked) == 4 and re.findall(numbers, page) == asked


def test_the_page_follows_the_preferred_unit_and_goes_to_the_wall(
    run: Callable[..., Any], elsewhere: Path
) -> None:
    ran = run("sheet", "--checks", "--temperature", "degF", "--html", "checks.html")
    assert ran.code == 0 and "degC" not in ran.out
    assert "at least 213.8 degF" in ran.out                 # 101 degC
    assert "68 degF" in (elsewhere / "checks.html").read_text()
    plain = json.loads(run("sheet", "--checks", "--json").out)
    assert len(plain["limits"]) == len(fuel.FUEL_LIMITS) and set(plain["checks"]) == set(CHECKS)


@pytest.mark.parametrize("name", CHECKS)
def test_every_example_on_the_page_can_be_typed(name: str, run: Callable[..., Any]) -> None:
    ran = run("sheet", "--check", f"{name}: {CHECKS[name].example}")
    assert ran.code == (1 if name == "conversion" else 0) and ran.err == ""
    for part in ("it shows", "it cannot", "result"):
        assert part in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80


def test_soap_is_the_sum_of_its_readings(run: Callable[..., Any]) -> None:
    plain = json.loads(run("sheet", "--check", SOAP, "--json").out)
    (one,) = plain["checks"]
    # 0.35 mL x 0.01 mol/L x 320.55 g/mol (potassium oleate) on 100 g: 11.2 mg/kg.
    assert one["value"] == pytest.approx(11.22, abs=0.01) and one["unit"] == "mg/kg soap"
    assert one["good"] is True and one["second_dose"] is None
    assert one["readings"] == {"acid_ml": 0.35, "strength_mol_per_l": 0.01, "sample_g": 100.0,
                               "base": "KOH"}
    assert one["proves"] and one["cannot"]


def test_units_are_converted_and_several_checks_go_at_once(run: Callable[..., Any]) -> None:
    ran = run("sheet", "--json", "--check",
              "Acid  Value: titrant 0.0102 L; blank 0.2 mL; strength 1 g/L; sample 0.02 kg; "
              "base KOH",
              "--check", "water: before 500 g; after 499.9 g; scale 10 g")
    acid, water = json.loads(ran.out)["checks"]
    # EN 14104: 10 mL x 1 g/L on 20 g is 0.50 mg KOH/g, just within the limit.
    assert acid["value"] == pytest.approx(0.5) and acid["good"]
    assert water["value"] == pytest.approx(200.0) and not water["good"]
    assert ran.code == 1


def test_a_failed_conversion_check_gives_the_second_dose_of_the_batch(
    run: Callable[..., Any], elsewhere: Path
) -> None:
    alone = run("sheet", "--check", "conversion: layer 0.3 mL")
    assert alone.code == 1 and "needs the batch file" in " ".join(alone.out.split())
    batch = str(CONFIG / "batch.toml")
    plain = json.loads(run("sheet", batch, "--check", "conversion: layer 0.3 mL", "--json").out)
    # 10 % of 7 / 0.90 g/L x 120 L, and of 24 L.
    assert plain["checks"][0]["second_dose"]["mass_g"] == pytest.approx(93.33, abs=0.01)
    assert plain["checks"][0]["second_dose"]["methanol_l"] == pytest.approx(2.4)
    said = run("sheet", batch, "--check", "conversion: layer 0.3 mL").out
    assert "93.3 g" in said and "jar first" in " ".join(said.split()) and "poison" in said
    clear = run("sheet", batch, "--check", "conversion: layer 0 mL")
    assert clear.code == 0 and "second dose" not in clear.out


def test_the_base_comes_from_the_batch_file_when_there_is_one(
    run: Callable[..., Any], elsewhere: Path
) -> None:
    head, tail = (CONFIG / "batch.toml").read_text().split("\n[catalyst]\n")
    tail = tail.replace('"KOH"', '"NaOH"', 1).replace('base = "7 g/L"', 'base = "5 g/L"')
    (elsewhere / "batch.toml").write_text(f"{head}\n[catalyst]\n{tail}")
    plain = json.loads(run("sheet", "--check", SOAP.replace("; base KOH", ""), "--json").out)
    assert plain["checks"][0]["readings"]["base"] == "NaOH"


@pytest.mark.parametrize(("text", "parts"), [
    ("sope: acid 1 mL", ['did you mean "soap"?']),
    ("", ["there are conversion, soap"]),
    ("conversion", ["layer (what lies at the bottom) missing"]),
    ("conversion: 0.2 mL", ['"0.2" is not a reading of it; its readings are layer', "missing"]),
    ("conversion: layer 0.2", ["the unit is missing", ]),
    ("conversion: layer 0,2 mL", ["point, not a comma"]),
    ("conversion: layer nan mL", ["not a number"]),
    ("conversion: layer -1 mL", ["negative"]),
    ("conversion: layer 4 mL", ["0 mL to 3 mL"]),
    ("conversion: layer 0.2 mL; layer 0.3 mL", ["twice"]),
    ("soap: acid 1 mL; strength 0.01 g/L; sample 100 g; base KOH", ["unit of strength"]),
    ("soap: acid 1 mL; strength 0.01 mol/L; sample 100 g", ["base (the catalyst of the batch)"]),
    ("soap: acid 1 mL; strength 0.01 mol/L; sample 100 g; base koh", ["write base KOH or NaOH"]),
    ("soap: acid 1 C; strength 1; sampel 1 g",
     ['"C" is not a unit', "the unit is missing", 'did you mean "sample"?', "missing"]),
    ("water: before 100 g; after 101 g; scale 0.1 g", ["weight after must be a number from 0"]),
    ("acid value: titrant 1 mL; blank 2 mL; strength 1 g/L; sample 20 g; base KOH",
     ["titration blank must be a number from 0 to 1 mL"]),
])
def test_bad_readings_are_one_sentence_each_and_nothing_is_printed(
    text: str, parts: list[str], run: Callable[..., Any]
) -> None:
    for more in ((), ("--json",), ("--html", "x.html")):
        ran = run("sheet", "--check", text, *more)
        lines = ran.err.splitlines()
        assert (ran.code, ran.out, len(lines)) == (2, "", len(parts)), ran.err
        assert all(part in line for part, line in zip(parts, lines, strict=True)), ran.err
        assert all(line.startswith("--check ") for line in lines)
    assert not Path("x.html").exists()


def test_the_mistakes_of_all_checks_come_at_once(run: Callable[..., Any]) -> None:
    ran = run("sheet", "--check", "conversion: layer 1", "--check", "water: before 1")
    assert ran.code == 2 and len(ran.err.splitlines()) == 3


@pytest.mark.parametrize("args", [
    ("--checks", "--check", SOAP), ("--checks", "--working"), ("--check", SOAP, "--jar", "1 L"),
    ("--check", SOAP, "--scale", "1 g"), ("none.toml", "--check", SOAP),
    ("--checks", "--reactor", "none.toml"),
])
def test_what_does_not_go_together_is_refused(
    args: tuple[str, ...], run: Callable[..., Any]
) -> None:
    ran = run("sheet", *args)
    assert ran.code == 2 and ran.out == "" and ran.err.count("\n") == 1
