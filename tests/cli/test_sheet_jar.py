"""esterward sheet --jar: three jars around the planned amount."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from samples import JSON_KEYS, SMALLEST_BATCH

CONFIG = Path(__file__).parents[2] / "firmware" / "config"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with batch.toml, and the place we stand in."""
    (tmp_path / "batch.toml").write_text(SMALLEST_BATCH)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_jar_is_worked_out_without_depth_and_drying(
    folder: Path, run: Callable[..., Any]
) -> None:
    out = run("sheet", "--jar", "400 mL", "--working", "--scale", "0.01 g").out
    assert "= 63.3 g" in out and "step of 0.01 g" in " ".join(out.split())
    assert "settling" not in out and "drying" not in out and "0.0 kg" not in out
    plain = json.loads(run("sheet", "--jar", "400 mL", "--scale", "0.01 g", "--json").out)
    wide = json.loads(run("sheet", "--jar", "400 mL", "--json").out)
    assert plain["catalyst"]["mass_high_g"] - wide["catalyst"]["mass_high_g"] == pytest.approx(
        0.01)


def test_a_jar_needs_no_reactor_and_gives_three(folder: Path, run: Callable[..., Any]) -> None:
    shutil.copy(CONFIG / "reactor.toml", folder)  # beside it, with a scale too coarse for jars
    ran = run("sheet", "--jar", "400 mL", "--json")
    plain = json.loads(ran.out)
    assert ran.code == 0 and set(plain) >= JSON_KEYS
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


@pytest.mark.parametrize(("jar", "part"), [
    ("400", 'write "400 mL" if mL is meant'), ("0 mL", 'for example "400 mL"'),
    ("1000 L", "0.05 L to 5 L"), ("-1 L", "negative"), ("400 g", "unit of mass"),
    ("nan mL", "not a number"), ("1 gal", "two gallons"), ("", "empty"),
])
def test_a_jar_of_a_silly_size_is_one_sentence(
    folder: Path, run: Callable[..., Any], jar: str, part: str
) -> None:
    ran = run("sheet", "--jar", jar)
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1) and part in ran.err


def test_the_coarsest_step_on_the_page_is_one_that_is_taken(
    folder: Path, run: Callable[..., Any]
) -> None:
    for jar in ("400 mL", "350 mL", "1 L"):
        named = re.search(r"scale +(\S+ g)", run("sheet", "--jar", jar).out)
        assert named is not None
        assert run("sheet", "--jar", jar, "--scale", named[1]).code == 0


@pytest.mark.parametrize(("asked", "example"), [
    (("--jar", "400 mL", "--scale", "0 g"), 'write for example "0.01 g"'),
    (("--check", "conversion: layer 5 mL"), 'write for example "0.2 mL"'),
    (("--check", "acid value: titrant 1 mL; strength 1 g/L; sample 0 g; base KOH"),
     'write for example "20 g"'),
])
def test_what_to_write_instead_is_what_a_person_would_read_off(
    folder: Path, run: Callable[..., Any], asked: tuple[str, ...], example: str
) -> None:
    ran = run("sheet", *asked)
    assert ran.code == 2 and example in ran.err
