"""Catalyst, methanol, products, second dose. Outside sources: tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from esterward.chemistry import charge

KINDS = st.sampled_from(("KOH", "NaOH"))
TITRANTS = st.sampled_from(("same stock", "pure"))
LITRES = st.floats(0.05, 1000.0)
PURITY = st.floats(0.5, 1.0)
TITRE = st.floats(0.0, 20.0)


def test_only_the_base_is_divided_by_the_purity() -> None:
    got = charge.catalyst(120.0, "KOH", 0.90, 3.0)
    assert got.base_g_per_l == 7.0
    assert got.base_weighed_g_per_l == pytest.approx(7.0 / 0.9)
    assert got.titration_g_per_l == 3.0
    assert got.total_g_per_l == pytest.approx(3.0 + 7.0 / 0.9)
    assert got.mass_g == pytest.approx(120.0 * (3.0 + 7.0 / 0.9))


def test_the_other_case_of_the_titrant_is_printed_beside() -> None:
    same = charge.catalyst(1.0, "KOH", 0.90, 3.0)
    bought = charge.catalyst(1.0, "KOH", 0.90, 3.0, titrant="pure")
    assert (same.other_titrant, bought.other_titrant) == ("pure", "same stock")
    assert same.other_total_g_per_l == bought.total_g_per_l == pytest.approx(10.0 / 0.9)
    assert bought.other_total_g_per_l == same.total_g_per_l


def test_a_base_as_weighed_is_not_divided() -> None:
    got = charge.catalyst(1.0, "KOH", 0.90, 3.0, base_g_per_l=7.8, as_weighed=True)
    assert got.base_weighed_g_per_l == 7.8
    assert got.total_g_per_l == pytest.approx(10.8)


@pytest.mark.parametrize(("kind", "base"), [("KOH", 7.0), ("NaOH", 5.0)])
def test_the_usual_base_follows_the_kind(kind: str, base: float) -> None:
    assert charge.catalyst(1.0, kind, 1.0, 0.0).mass_g == base


@pytest.mark.parametrize(("mass_g", "step_g", "fine"), [
    (4.0, 0.1, True), (4.0, 0.12, True), (4.0, 0.13, False), (4.0, 1.0, False),
    (1300.0, 1.0, True), (1300.0, 39.0, True), (1300.0, 40.0, False), (0.0, 0.1, False),
])
def test_a_scale_serves_down_to_three_percent(mass_g: float, step_g: float, fine: bool) -> None:
    assert charge.scale_is_fine_enough(mass_g, step_g) is fine


@given(st.floats(0.5, 3e4))
def test_the_coarsest_step_in_words_is_never_one_that_would_be_refused(mass_g: float) -> None:
    step_g = float(charge.coarsest_step_words(mass_g).removesuffix(" g"))
    assert charge.scale_is_fine_enough(mass_g, step_g)
    assert step_g > 0.9 * charge.SCALE_SHARE_MAX * mass_g


def test_methanol_by_share_and_by_ratio_is_the_same_methanol() -> None:
    by_share = charge.methanol(120.0, share=0.20)
    by_ratio = charge.methanol(120.0, ratio=by_share.molar_ratio)
    assert by_ratio.volume_l == pytest.approx(24.0)
    assert by_ratio.percent_v == pytest.approx(20.0)
    assert by_share.mass_kg == pytest.approx(24.0 * 0.791, rel=1e-3)


def test_too_little_methanol_makes_less_ester_and_leaves_none() -> None:
    base = charge.catalyst(100.0, "KOH", 1.0, 0.0)
    half = charge.stoichiometric_percent() / 200.0
    little = charge.products(100.0, base, charge.methanol(100.0, share=half), 0.0)
    plenty = charge.products(100.0, base, charge.methanol(100.0, share=0.20), 0.0)
    assert little.methanol_left_kg == 0.0
    assert little.glycerol_pure_l == pytest.approx(plenty.glycerol_pure_l / 2.0)


def test_mass_in_is_mass_out() -> None:
    base = charge.catalyst(100.0, "KOH", 1.0, 0.0)
    spirit = charge.methanol(100.0, share=0.20)
    made = charge.products(100.0, base, spirit, 0.0)
    glycerol_kg = made.glycerol_pure_l * 1.26392
    assert made.ester_kg + glycerol_kg + made.methanol_left_kg == pytest.approx(
        91.8 + spirit.mass_kg, rel=1e-6)


def test_two_stages_add_up_to_the_whole() -> None:
    base, spirit = charge.catalyst(120.0, "KOH", 0.9, 3.0), charge.methanol(120.0, share=0.2)
    first, second = charge.split(base, spirit, 0.8)
    assert first.mass_g == pytest.approx(0.8 * base.mass_g)
    assert first.mass_g + second.mass_g == pytest.approx(base.mass_g)
    assert first.methanol_l + second.methanol_l == pytest.approx(24.0)


@pytest.mark.parametrize(("layer_ml", "share", "capped"), [
    (0.0, 0.05, False), (0.15, 0.05, False), (0.3, 0.10, False), (0.75, 0.25, False),
    (0.76, 0.25, True), (3.0, 0.25, True),
])
def test_the_second_dose_follows_the_layer_between_its_bounds(
    layer_ml: float, share: float, capped: bool
) -> None:
    base, spirit = charge.catalyst(120.0, "KOH", 0.9, 3.0), charge.methanol(120.0, share=0.2)
    dose = charge.second_dose(layer_ml, 120.0, base, spirit)
    assert dose.share == pytest.approx(share)
    assert dose.capped is capped
    # The acid is neutralised already: base only, no titrated part.
    assert dose.mass_g == pytest.approx(share * 120.0 * 7.0 / 0.9)
    assert dose.methanol_l == pytest.approx(share * 24.0)
    assert "jar first" in dose.words
    assert ("something else was wrong" in dose.words) is capped


@pytest.mark.parametrize("layer_ml", [-0.1, 3.1])
def test_a_layer_that_does_not_fit_the_tube_is_refused(layer_ml: float) -> None:
    base, spirit = charge.catalyst(1.0, "KOH", 0.9, 3.0), charge.methanol(1.0, share=0.2)
    with pytest.raises(ValueError, match="unreacted layer must be a number from 0 to 3 mL"):
        charge.second_dose(layer_ml, 1.0, base, spirit)


@given(LITRES, KINDS, PURITY, TITRE, TITRANTS, st.floats(0.0, 5.0), st.floats(0.0, 10.0))
def test_the_interval_always_contains_the_mass(
    oil_l: float, kind: str, purity: float, titre: float, titrant: str, half: float, step: float
) -> None:
    got = charge.catalyst(oil_l, kind, purity, titre, titrant=titrant, titre_half_width=half,
                          scale_step_g=step)
    assert 0.0 <= got.mass_low_g <= got.mass_g <= got.mass_high_g
    assert got.total_g_per_l == got.titration_g_per_l + got.base_weighed_g_per_l


@given(LITRES, KINDS, PURITY, TITRE, TITRANTS, st.floats(0.5, 10.0))
def test_twice_the_oil_takes_twice_of_everything(
    oil_l: float, kind: str, purity: float, titre: float, titrant: str, times: float
) -> None:
    def both(litres: float) -> tuple[float, ...]:
        base = charge.catalyst(litres, kind, purity, titre, titrant=titrant)
        spirit = charge.methanol(litres, share=0.20)
        made = charge.products(litres, base, spirit, titre)
        return (base.mass_g, spirit.volume_l, made.ester_l, made.glycerol_high_l, made.soap_kg,
                made.water_catalyst_kg)

    assert both(times * oil_l) == pytest.approx([times * x for x in both(oil_l)])


@given(KINDS, PURITY, TITRE, TITRE)
def test_more_acid_never_takes_less_base(
    kind: str, purity: float, one: float, other: float
) -> None:
    low = charge.catalyst(1.0, kind, purity, min(one, other)).mass_g
    assert low <= charge.catalyst(1.0, kind, purity, max(one, other)).mass_g


@given(KINDS, PURITY, TITRE)
def test_the_same_stock_never_takes_more_than_a_pure_titrant(
    kind: str, purity: float, titre: float
) -> None:
    same = charge.catalyst(1.0, kind, purity, titre)
    assert same.total_g_per_l <= same.other_total_g_per_l + 1e-12
