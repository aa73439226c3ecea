"""Every known row of what can go wrong is listed once, with a place where it is really tried."""

from __future__ import annotations

from pathlib import Path

import pytest

from esterward_sim.fault_catalogue import BENCH, CATALOGUE, CatalogueRow, rehearsed, tried
from esterward_sim.person import KINDS
from esterward_sim.plant.faults import ROWS

TOP = Path(__file__).parents[2]
STORIES = TOP / "sim/scenarios"


def test_the_rows_are_f_01_to_f_108_each_once_and_in_order() -> None:
    assert [row.code for row in CATALOGUE] == [f"F-{n:02d}" for n in range(1, 109)]


@pytest.mark.parametrize("row", CATALOGUE, ids=lambda row: row.code)
def test_a_row_has_one_sentence_and_a_place(row: CatalogueRow) -> None:
    assert row.sentence.endswith(".") and "\n" not in row.sentence
    assert tried(row)
    assert row.tests or row.bench or row.absent
    for name in row.tests:
        place, _, what = name.partition("::")
        text = (TOP / place).read_text(encoding="utf-8")
        if place.endswith(".txt"):
            assert f"\n{what}  " in text, name
        elif place.endswith(".toml"):
            assert (TOP / place).parent == STORIES and "\n[ending]\n" in text, name
        else:
            assert (f"\ndef {what}(" if what else "\ndef test_") in text, name
    if row.bench:
        assert f"| {row.bench} |" in (TOP / BENCH).read_text(encoding="utf-8")


def test_the_persons_rows_name_can_be_asked_for_and_are_tried_where_the_row_says() -> None:
    named = {person: row for row in CATALOGUE for person in row.persons}
    assert set(named) | {"prompt", "slow"} == set(KINDS)
    for person, row in named.items():
        texts = [(TOP / name.partition("::")[0]).read_text("utf-8") for name in row.tests]
        assert any(f'"{person}"' in text for text in texts), person
        assert f"rehearsal: --person {person}" in tried(row)


def test_every_row_a_fault_names_is_in_the_catalogue() -> None:
    codes = {row.code for row in CATALOGUE}
    assert {code for fault in ROWS.values() for code in fault.rows} <= codes


def test_most_rows_can_be_rehearsed() -> None:
    assert len([row for row in CATALOGUE if rehearsed(row.code)]) >= 75
