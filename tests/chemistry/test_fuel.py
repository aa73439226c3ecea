"""Home checks. Outside sources: tests/reference."""

from __future__ import annotations

import pytest

from esterward.chemistry import fuel


def test_a_clear_conversion_check_does_not_claim_the_standard() -> None:
    got = fuel.conversion_check(0.0)
    assert got.good and got.value == 0.0
    assert "does not show 96.5 %" in got.cannot


def test_a_layer_fails_the_conversion_check_and_is_a_lower_bound() -> None:
    got = fuel.conversion_check(0.3)
    assert not got.good
    assert got.value == pytest.approx(10.0)
    assert "at least" in got.unit


def test_soap_is_judged_against_the_metal_limit() -> None:
    # 41 mg/kg of potassium oleate hold 5 mg/kg of potassium: 0.128 mL of 0.01 mol/L on 10 g.
    assert fuel.soap_check(0.12, 0.01, 10.0, "KOH").good
    assert not fuel.soap_check(0.13, 0.01, 10.0, "KOH").good
    assert fuel.soap_check(0.13, 0.01, 10.0, "KOH").value == pytest.approx(41.7, abs=0.1)


def test_the_limit_of_the_acid_value_is_half_a_milligram() -> None:
    assert fuel.acid_value_check(10.0, 1.0, 20.0, "KOH").good
    assert not fuel.acid_value_check(10.1, 1.0, 20.0, "KOH").good
    assert fuel.acid_value_check(10.1, 1.0, 20.0, "KOH", blank_ml=0.1).good


def test_weight_loss_is_good_only_when_the_scale_can_tell() -> None:
    assert fuel.water_check(1000.0, 999.9, 0.01).good            # 100 mg/kg, sure to 20
    blind = fuel.water_check(100.0, 100.0, 0.1)                  # nothing lost, sure to 2000
    assert not blind.good and blind.value == 0.0
    assert "2000 mg/kg" in blind.proves
    assert "methanol" in blind.cannot


def test_fuel_that_gained_weight_is_refused() -> None:
    with pytest.raises(ValueError, match="weight after must be a number from 0 to 100 g"):
        fuel.water_check(100.0, 100.1, 0.1)


def test_every_limit_says_what_a_maker_can_do() -> None:
    for row in fuel.FUEL_LIMITS:
        assert row.at_home.startswith(("yes", "no", "partly"))
        assert row.en_low is not None or row.en_high is not None


def test_every_check_says_what_it_proves_and_what_it_cannot() -> None:
    for got in (fuel.conversion_check(0.1), fuel.soap_check(1.0, 0.01, 100.0, "NaOH"),
                fuel.acid_value_check(1.0, 1.0, 20.0, "NaOH"), fuel.water_check(500, 499, 0.1)):
        assert got.proves and got.cannot and got.unit
