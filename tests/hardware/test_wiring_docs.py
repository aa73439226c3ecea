"""Everything generated under wiring/ is what the tables say now."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

WIRING = Path(__file__).parents[2] / "wiring"


@pytest.mark.parametrize("name", ["pins.md", "parts.md", "chain.svg"])
def test_a_generated_file_is_not_stale(name: str) -> None:
    made = runpy.run_path(str(WIRING / "make.py"))["texts"]()
    assert (WIRING / name).read_text("utf-8") == made[name], "run: .venv/bin/python wiring/make.py"


def test_the_drawing_names_every_contact_that_must_work_unplugged() -> None:
    drawn = (WIRING / "chain.svg").read_text("utf-8")
    for word in ("e-stop", "cut-out, by hand", "2nd cut-out", "float", "coil K1", "coil K2",
                 "fed by beat", "mirror"):
        assert word in drawn
