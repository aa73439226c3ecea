"""The seeded defects of tests/tools/canaries.py can still be put in; whether they are seen is its
own command."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
CANARIES = runpy.run_path(str(TOP / "tests/tools/canaries.py"))["CANARIES"]


@pytest.mark.parametrize("canary", CANARIES, ids=lambda canary: canary.name)
def test_the_place_of_a_seeded_defect_is_there_once_and_so_is_its_test(canary: object) -> None:
    text = (TOP / "firmware/esterward" / canary.file).read_text()
    assert text.count(canary.old) == 1
    path, _, name = canary.test.partition("::")
    assert f"def {name.partition('[')[0]}(" in (TOP / path).read_text()
