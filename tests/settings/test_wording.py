"""Temperatures and volumes in the units a person prefers; factors: NIST SP 811."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from esterward.chemistry import boiling
from esterward.chemistry.sheet import batch_sheet
from esterward.chemistry.wording import METRIC, Wording
from esterward.settings.quantity import bounded, wording
from esterward.settings.units import TEMPERATURE, VOLUME
from esterward.values.batch import Batch, Lot, Wash
from esterward.values.reactor import Reactor

US = wording("degF", "gal_us")
BATCH = Batch(oil_volume_l=120.0, titration_readings_ml=(2.9, 3.1, 3.0), catalyst_purity=0.90)
REACTOR = Reactor(altitude_m=1120.0, vessel_l=200.0, element_w=3000.0)


@pytest.mark.parametrize(("got", "expected"), [
    (US.deg(55.0), "131.0 degF"), (US.limit(62.8), "145.0 degF"), (US.asked(62.8), "145.04 degF"),
    (US.rise(5.0), "9 degF"), (US.rise(4.0), "7.2 degF"), (US.rise(24.1), "43 degF"),
    (US.vol(120.0), "31.70 gal_us"), (US.vol(0.4), "400 mL"),
    (US.vols(13.9, 20.8), "3.67 to 5.49 gal_us"), (US.vols(1.5, 2.5), "1500 mL to 0.66 gal_us"),
    (US.most_vol(166.6666), "44.02 gal_us"),
    (wording("degC", "gal_imp").vol(120.0), "26.40 gal_imp"),
    (METRIC.deg(55.0), "55.0 degC"), (METRIC.limit(55.17), "55.1 degC"),
    (METRIC.asked(55.0), "55 degC"), (METRIC.rise(4.0), "4 K"), (METRIC.rise(24.1), "24 K"),
    (METRIC.vol(120.0), "120.0 L"), (METRIC.vols(13.9, 20.8), "13.9 to 20.8 L"),
    (METRIC.asked_vol(120.0), "120 L"), (METRIC.most_vol(166.6666), "166.6 L"),
])
def test_numbers_read_as_the_person_prefers(got: str, expected: str) -> None:
    assert got == expected


@pytest.mark.parametrize("unknown", [None, nan, inf, -inf])
def test_what_is_not_known_is_never_a_number(unknown: float | None) -> None:
    for say in (METRIC, US):
        assert say.deg(unknown) == say.limit(unknown) == say.vol(unknown) == "not known"


def test_without_a_conversion_only_the_units_inside_can_be_said() -> None:
    with pytest.raises(ValueError, match="nothing here turns degC into degF"):
        Wording("degF").deg(55.0)


@given(st.floats(20.0, 115.0), st.sampled_from(["degC", "degF"]))
def test_a_printed_limit_is_accepted_and_never_above_the_limit(c: float, unit: str) -> None:
    read = bounded(wording(unit).limit(c), TEMPERATURE, -50.0, 200.0)
    assert isinstance(read, float) and c - 0.1 - 1e-6 <= read <= c + 1e-6


@given(st.floats(2.0, 1000.0), st.sampled_from(["L", "gal_us", "gal_imp"]))
def test_the_most_that_is_printed_is_accepted_and_never_above_it(
    litres: float, unit: str
) -> None:
    read = bounded(wording("degC", unit).most_vol(litres), VOLUME, 0.0, 2000.0)
    assert isinstance(read, float) and litres - 0.1 - 1e-4 <= read <= litres + 1e-4


EVERYTHING = [
    (replace(BATCH, oil_volume_l=190.0, setpoint_c=64.0, dewater="boil", dry_c=80.0), REACTOR),
    (replace(BATCH, setpoint_c=63.0), None),
    (replace(BATCH, methanol_start_c=25.0, first_share=0.8, washes=(Wash(0.9, True),),
             lots=(Lot(60.0, 6.0), Lot(50.0, 2.0))), replace(REACTOR, element_w=200.0)),
    (replace(BATCH, oil_volume_l=155.0, setpoint_c=45.0), replace(REACTOR, loss_w_per_k=60.0)),
]


@pytest.mark.parametrize(("batch", "reactor"), EVERYTHING)
def test_every_sentence_of_the_sheet_follows_the_preference(
    batch: Batch, reactor: Reactor | None
) -> None:
    here, there = batch_sheet(batch, reactor), batch_sheet(batch, reactor, US)
    assert len(here.errors + here.warnings) == len(there.errors + there.warnings) > 0
    for sentence in there.errors + there.warnings:
        assert "degC" not in sentence and " K" not in sentence.replace(" K/", "")
        assert " L " not in sentence and " L;" not in sentence and " L," not in sentence
    said = " ".join(here.errors + here.warnings)
    assert "degF" not in said and "gal" not in said


def test_what_an_error_says_to_write_is_allowed() -> None:
    error = batch_sheet(replace(BATCH, setpoint_c=60.0), REACTOR, US).errors[0]
    write = error.split('write at most "')[1].split('"')[0]
    read = bounded(write, TEMPERATURE, 30.0, 65.0)
    assert isinstance(read, float)
    assert read <= boiling.limits(1120.0).setpoint_max_c
    assert not batch_sheet(replace(BATCH, setpoint_c=read), REACTOR, US).errors
