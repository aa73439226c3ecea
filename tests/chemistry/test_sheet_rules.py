"""Sentences: what can never be allowed, and what is unwise."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from esterward.chemistry.sheet import Sheet, batch_sheet
from esterward.values.batch import Batch, Lot, Wash
from esterward.values.reactor import Reactor

BATCH = Batch(oil_volume_l=120.0, titration_readings_ml=(2.9, 3.1, 3.0), catalyst_purity=0.90)
REACTOR = Reactor(altitude_m=1120.0, vessel_l=200.0, element_w=3000.0)


def only_error(sheet: Sheet) -> str:
    (error,) = sheet.errors
    assert not sheet.complete
    return error


def warned(words: str, sheet: Sheet) -> bool:
    assert sheet.complete, sheet.why_not_complete
    return any(words in warning for warning in sheet.warnings)


def test_oil_and_methanol_above_the_vessel_are_an_error_with_the_most_that_fits() -> None:
    sheet = batch_sheet(replace(BATCH, oil_volume_l=170.0), REACTOR)
    # 170 L at 20 degC are 170 x 0.918 / 0.8955 = 174.2 L at 54.9 degC (Esteban et al. 2012).
    assert only_error(sheet) == (
        "[oil] volume = 170 L, warm 174.2 L, and 34.0 L of methanol are 208.2 L, more than the "
        "vessel's 200 L; write at most \"163.2 L\".")
    assert not batch_sheet(replace(BATCH, oil_volume_l=163.2), REACTOR).errors
    assert batch_sheet(replace(BATCH, oil_volume_l=163.4), REACTOR).errors
    # Cold where nobody knows how warm it will be.
    cold = replace(REACTOR, altitude_m=None)
    assert not batch_sheet(replace(BATCH, oil_volume_l=166.6), cold).errors
    assert batch_sheet(replace(BATCH, oil_volume_l=166.7), cold).errors


def test_a_setpoint_above_the_highest_is_an_error_with_the_highest() -> None:
    sheet = batch_sheet(replace(BATCH, setpoint_c=60.0), REACTOR)
    assert only_error(sheet) == (
        "[heat] setpoint = 60 degC is above the highest allowed at this reactor, 55.1 degC; "
        'write at most "55.1 degC", or leave it out.')
    assert not batch_sheet(replace(BATCH, setpoint_c=55.17), REACTOR).errors
    assert batch_sheet(replace(BATCH, setpoint_c=55.18), REACTOR).errors


def test_a_setpoint_above_the_reactors_own_cap_is_an_error() -> None:
    sheet = batch_sheet(replace(BATCH, setpoint_c=52.0), replace(REACTOR, setpoint_cap_c=50.0))
    assert 'write at most "50.0 degC"' in only_error(sheet)


def test_a_setpoint_that_is_never_allowed_is_an_error_even_without_a_reactor() -> None:
    assert "above 62.8 degC, which is never allowed" in only_error(
        batch_sheet(replace(BATCH, setpoint_c=63.0), None))
    assert not batch_sheet(replace(BATCH, setpoint_c=62.8), None).errors


def test_a_scale_that_is_too_coarse_is_an_error_with_the_coarsest_that_serves() -> None:
    sheet = batch_sheet(BATCH, replace(REACTOR, scale_resolution_g=50.0))
    error = only_error(sheet)
    assert error.startswith("[scale] resolution = 50 g is too coarse to weigh 1293.3 g")
    assert "at most 38 g" in error


def test_boiling_off_water_in_a_full_vessel_is_an_error() -> None:
    sheet = batch_sheet(replace(BATCH, dewater="boil", oil_volume_l=141.0), REACTOR)
    assert "at most 140 L" in only_error(sheet)
    assert not batch_sheet(replace(BATCH, dewater="boil", oil_volume_l=140.0), REACTOR).errors


def test_a_blank_above_the_readings_is_an_error_and_no_mass_is_given() -> None:
    sheet = batch_sheet(replace(BATCH, titration_blank_ml=3.5), REACTOR)
    assert only_error(sheet).startswith("[titration] blank = 3.5 mL is more than the mean")
    assert sheet.catalyst is None


def test_readings_that_no_oil_can_give_are_an_error_and_no_mass_is_given() -> None:
    sheet = batch_sheet(replace(BATCH, titrant_g_per_l=20.0), REACTOR)
    assert "check strength and sample" in only_error(sheet)
    assert sheet.catalyst is None and sheet.acid_value_mg_koh_per_g is None


def test_same_stock_cannot_be_another_base() -> None:
    sheet = batch_sheet(replace(BATCH, titrant_kind="NaOH"), REACTOR)
    assert '"same stock" cannot hold NaOH' in only_error(sheet)


def test_drying_too_hot_is_an_error() -> None:
    assert "[dry] temperature = 70 degC" in only_error(
        batch_sheet(replace(BATCH, dry_c=70.0), REACTOR))


def test_all_errors_come_at_once() -> None:
    sheet = batch_sheet(replace(BATCH, oil_volume_l=170.0, setpoint_c=60.0, dewater="boil"),
                        REACTOR)
    assert len(sheet.errors) == 3


@pytest.mark.parametrize(("words", "changes"), [
    ("stands apart from the others", {"titration_readings_ml": (2.9, 3.0, 4.0)}),
    ("spread over 0.60 mL, more than 0.38 mL", {"titration_readings_ml": (2.9, 3.2, 3.5)}),
    ("Only 1 titration reading;", {"titration_readings_ml": (3.0,)}),
    ("Only 2 titration readings;", {"titration_readings_ml": (3.0, 3.1)}),
    ("pH paper is too coarse", {"titration_indicator": "pH paper"}),
    ('"go with soap and loss"', {"titration_readings_ml": (5.0,) * 3}),
    ('"two-stage or blend"', {"titration_readings_ml": (9.0,) * 3}),
    ('"not by base alone"', {"titration_readings_ml": (15.0,) * 3}),
    ("KOH is mostly sold at 85 to 90 %", {"catalyst_purity": 1.0}),
    ("common practice is 6 to 9 g/L", {"base_g_per_l": 12.0}),
    ("common practice is 6 to 9 g/L", {"base_g_per_l": 6.5, "base_as_weighed": True}),
    ("cannot turn completely", {"methanol_share": 0.12}),
    ("leaves little to spare", {"methanol_share": 0.15}),
    ("more than common practice", {"methanol_share": 0.35}),
    ("may warm the methanol by 24 K, to 49.1 degC", {"methanol_start_c": 25.0}),
    ("enough to boil it at 61.", {"base_g_per_l": 15.0, "titration_readings_ml": (9.0,) * 3}),
    ("dewater longer", {"oil_water_mg_per_kg": 601.0}),
    ("two stages with a drain between", {"first_share": 0.8}),
    ("turns catalyst into soap", {"dewater": "none"}),
    ("leave a tenth of it free", {"oil_volume_l": 155.0}),
    ("wash with less water", {"washes": (Wash(0.9, True),)}),
    ("the reaction is slow", {"setpoint_c": 45.0}),
    ("write what was really poured in", {"lots": (Lot(60.0, 3.0), Lot(50.0, 3.0))}),
    ("stir the whole of it and titrate again", {"lots": (Lot(60.0, 6.0), Lot(60.0, 2.0))}),
])
def test_the_unwise_is_a_warning_and_no_more(words: str, changes: dict[str, object]) -> None:
    assert not warned(words, batch_sheet(BATCH, REACTOR))
    assert warned(words, batch_sheet(replace(BATCH, **changes), REACTOR))  # type: ignore[arg-type]


@pytest.mark.parametrize(("words", "changes"), [
    ("cannot bring the oil to 54.9 degC", {"element_w": 200.0}),
    ("Heating takes about 8 h", {"element_w": 300.0, "loss_w_per_k": 2.0}),
    ("the batch is expected to cool", {"loss_w_per_k": 60.0}),
])
def test_a_reactor_that_is_slow_is_a_warning(words: str, changes: dict[str, object]) -> None:
    slow = replace(REACTOR, **changes)  # type: ignore[arg-type]
    assert any(words.lower() in w.lower() for w in batch_sheet(BATCH, slow).warnings)


def test_a_plain_batch_has_no_warning_at_all() -> None:
    assert batch_sheet(BATCH, REACTOR).warnings == ()


def test_a_titration_of_nothing_is_a_warning() -> None:
    for changes in ({"titration_readings_ml": (0.0,) * 3},
                    {"titration_readings_ml": (0.4,) * 3, "titration_blank_ml": 0.4}):
        warned = batch_sheet(replace(BATCH, **changes), REACTOR).warnings  # type: ignore[arg-type]
        assert sum("comes to 0 mL" in one for one in warned) == 1


def test_every_error_names_key_value_and_what_to_write() -> None:
    sheet = batch_sheet(
        replace(BATCH, oil_volume_l=190.0, setpoint_c=64.0, dewater="boil", dry_c=80.0,
                titrant_kind="NaOH", titration_blank_ml=4.0),
        replace(REACTOR, scale_resolution_g=90.0))
    assert len(sheet.errors) == 6
    for error in sheet.errors:
        assert re.match(r"^\[[a-z]+\] [a-z]+ ", error), error
        assert "write" in error, error
