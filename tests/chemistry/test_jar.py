"""Three jars around the planned base."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.chemistry.jar import ladder
from esterward.values.batch import Batch, Lot

BATCH = Batch(oil_volume_l=120.0, titration_readings_ml=(3.0,) * 3, catalyst_purity=1.0)


def test_a_jar_of_400_ml_is_the_worked_example() -> None:
    got = ladder(BATCH, 0.4)
    assert got.sheet.oil_l == 0.4
    assert [rung.base_g_per_l for rung in got.rungs] == [6.0, 7.0, 8.0]
    assert [rung.mass_g for rung in got.rungs] == pytest.approx([3.6, 4.0, 4.4])
    assert [rung.methanol_ml for rung in got.rungs] == pytest.approx([80.0] * 3)


def test_the_middle_rung_is_the_sheets_own_dose() -> None:
    got = ladder(replace(BATCH, catalyst_kind="NaOH", catalyst_purity=0.97), 0.5)
    assert got.sheet.catalyst is not None
    assert got.rungs[1].mass_g == pytest.approx(got.sheet.catalyst.mass_g)
    assert got.rungs[2].base_g_per_l - got.rungs[1].base_g_per_l == pytest.approx(0.7)


def test_a_base_as_weighed_stays_as_weighed_on_every_rung() -> None:
    got = ladder(replace(BATCH, catalyst_purity=0.9, base_g_per_l=7.8, base_as_weighed=True), 1.0)
    assert [rung.mass_g for rung in got.rungs] == pytest.approx([9.8, 10.8, 11.8])


@pytest.mark.parametrize(("step_g", "serves"), [(0.1, True), (0.108, True), (0.12, False),
                                                (1.0, False), (None, True)])
def test_the_scale_must_serve_for_the_lightest_jar(step_g: float | None, serves: bool) -> None:
    got = ladder(BATCH, 0.4, step_g)
    assert got.scale_step_max_g == pytest.approx(0.108)
    assert (got.scale_error == "") is serves
    assert serves or "allowed is at most 0.1 g" in got.scale_error


def test_without_a_titration_there_are_no_rungs_and_the_sheet_says_why() -> None:
    got = ladder(replace(BATCH, titration_readings_ml=()), 0.4)
    assert got.rungs == () and got.scale_step_max_g is None
    assert got.sheet.missing


def test_a_faulty_batch_gives_no_rungs() -> None:
    got = ladder(replace(BATCH, titration_blank_ml=4.0), 0.4)
    assert got.rungs == () and got.sheet.errors


def test_the_lots_of_the_batch_say_nothing_of_the_jar() -> None:
    got = ladder(replace(BATCH, lots=(Lot(60.0, 3.0), Lot(60.0, 3.0))), 0.4)
    assert not any("lots" in warning for warning in got.sheet.warnings)


@pytest.mark.parametrize("jar_l", [0.049, 5.1])
def test_a_jar_that_is_no_jar_is_refused(jar_l: float) -> None:
    with pytest.raises(ValueError, match=r"jar must be a number from 0\.05 to 5 L"):
        ladder(BATCH, jar_l)
