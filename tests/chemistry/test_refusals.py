"""Every public function of the chemistry refuses what is not a usable number."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Callable
from dataclasses import replace
from math import inf, nan
from typing import Any

import pytest

import esterward.chemistry
from esterward.chemistry import (
    boiling,
    charge,
    energy,
    flammability,
    fuel,
    jar,
    kinetics,
    separation,
    substances,
    titration,
)
from esterward.chemistry.figures import warming_up
from esterward.chemistry.sheet import batch_sheet
from esterward.values.batch import Batch, Lot, Wash
from esterward.values.reactor import Reactor

BASE = charge.catalyst(100.0, "KOH", 0.9, 3.0)
SPIRIT = charge.methanol(100.0, share=0.20)
ROWS = ((0.0, 0.0), (500.0, 100.0))

# Function -> arguments that it accepts. Numbers among them are spoilt one by one.
ACCEPTED: dict[Callable[..., Any], tuple[Any, ...]] = {
    boiling.standard_pressure_kpa: (500.0,),
    boiling.vapour_pressure_kpa: (55.0,),
    boiling.boiling_point_c: (95.0,),
    boiling.pressure_disagrees: (500.0, 95.0),
    boiling.limits: (500.0,),
    boiling.limits_of_an_old_reading: (500.0, None),
    charge.base_as_weighed_g_per_l: (7.0, 0.9, False),
    charge.titration_part_g_per_l: (3.0, "pure", 0.9),
    charge.catalyst: (100.0, "KOH", 0.9, 3.0),
    charge.scale_is_fine_enough: (100.0, 1.0),
    charge.coarsest_step_words: (100.0,),
    charge.stoichiometric_percent: (0.918, 885.0),
    charge.methanol_share: (6.0, 0.918, 885.0),
    charge.molar_ratio: (0.2, 0.918, 885.0),
    charge.oil_mol_per_l: (0.918, 885.0),
    charge.methanol: (100.0,),
    charge.products: (100.0, BASE, SPIRIT, 2.7, 0.918, 885.0),
    charge.water_from_base_g: (10.0, "KOH"),
    charge.soap_g: (10.0, "KOH"),
    charge.split: (BASE, SPIRIT, 0.8),
    charge.second_dose: (0.3, 100.0, BASE, SPIRIT),
    charge.methoxide_rise_k: (1000.0, "KOH", 0.9, 20.0),
    energy.oil_kj_per_k: (100.0, 0.918, 40.0),
    energy.loss_w_per_k: (200.0, 50.0),
    energy.wall_area_m2: (200.0,),
    energy.melting_h: (100.0, 15.0, 3000.0, 4.0, 15.0, 0.918, 15.0),
    energy.heating: (100.0, 20.0, 55.0, 2000.0, 8.0, 20.0, 0.918, 15.0, 50.0),
    energy.landing_c: (55.0, 20.0, 0.2, 0.918),
    energy.cooled_c: (55.0, 60.0, 8.0, 200.0, 20.0),
    energy.equivalent_min: (55.0, 60.0, 8.0, 200.0, 20.0),
    energy.coast: (55.0, 100.0, 20.0, 20.0, 15.0, 8.0, 20.0, 0.918, 15.0),
    warming_up: (Batch(oil_volume_l=100.0), Reactor(element_w=3000.0), 20.0, 55.0),
    flammability.flammable_headspace: (95.0,),
    fuel.conversion_check: (0.3,),
    fuel.soap_mg_per_kg: (1.0, 0.01, 100.0, "KOH"),
    fuel.soap_limit_mg_per_kg: (5.0, "KOH"),
    fuel.soap_check: (1.0, 0.01, 100.0, "KOH"),
    fuel.acid_value_check: (1.0, 1.0, 20.0, "KOH"),
    fuel.water_check: (500.0, 499.9, 0.1),
    fuel.water_mg_per_kg: (0.05, 0.874),
    jar.ladder: (Batch(titration_readings_ml=(3.0,)), 0.4),
    kinetics.noureddini_zhu: (6.0, 55.0, (1.0,)),
    kinetics.darnoko_cheryan: (55.0, 30.0),
    separation.fall_mm_per_s: (20.0, 1.05, 0.855, 3.0),
    separation.settle_h: (20.0, 0.5, 45.0),
    separation.wash_water_l: (100.0, (0.3,)),
    separation.saturation_mg_per_kg: (20.0,),
    separation.equilibrium_mg_per_kg: (20.0, 20.0, 0.6),
    separation.humidity_for: (500.0, 20.0),
    separation.water_to_remove_g: (87.0, 1500.0, 400.0),
    separation.dipstick_mm: (50.0, ROWS),
    substances.base_g_per_mol: ("KOH",),
    substances.as_other_base_g: (7.0, "KOH"),
    substances.oil_density_kg_per_l: (20.0, 0.918),
    substances.oil_volume_l: (100.0, 20.0, 55.0),
    substances.oil_heat_kj_per_kg_k: (20.0,),
    substances.methanol_density_kg_per_l: (20.0,),
    substances.methanol_heat_kj_per_kg_k: (20.0,),
    substances.ester_density_kg_per_l: (20.0,),
    substances.ester_viscosity_mpa_s: (20.0,),
    substances.glycerol_density_kg_per_l: (20.0,),
    substances.water_vapour_kpa: (20.0,),
    titration.student_t95: (3,),
    titration.evaluate: ((2.9, 3.1), 0.35),
    titration.titre_g_per_l: (3.0, 1.0, 1.0, 0.1),
    titration.pure_titre_g_per_l: (3.0, "same stock", 0.9),
    titration.acid_value_mg_koh_per_g: (3.0, "KOH", 0.918),
    titration.ffa_percent: (3.0,),
    titration.zone: (3.0, "KOH"),
    titration.blend_titre: ((Lot(20.0, 6.0),),),
}
KEYWORDS: dict[Callable[..., Any], dict[str, Any]] = {charge.methanol: {"share": 0.2}}

# Not functions of numbers: they take a Batch (tested below), words, or never raise by design.
ELSEWHERE = {"batch_sheet", "sheet_json", "figures", "refuse_not_finite", "missing", "errors",
             "warnings", "sample_ml", "within", "known", "mixing_weight",
             "disagreement", "reactor_loss_w_per_k", "declared_loss_w_per_k"}


def spoilt(arguments: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    """The arguments with one number at a time, also inside a tuple, made unusable."""
    out: list[tuple[Any, ...]] = []
    for i, value in enumerate(arguments):
        for bad in (nan, inf, -inf, None):
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                out.append((*arguments[:i], bad, *arguments[i + 1:]))
            elif isinstance(value, tuple) and value and isinstance(value[0], float):
                out.append((*arguments[:i], (bad, *value[1:]), *arguments[i + 1:]))
    return out


CASES = [(function, arguments) for function, good in ACCEPTED.items()
         for arguments in spoilt(good)]


def test_no_public_function_is_left_out_of_this_table() -> None:
    found = set()
    for info in pkgutil.iter_modules(esterward.chemistry.__path__):
        module = importlib.import_module(f"esterward.chemistry.{info.name}")
        found |= {name for name, thing in inspect.getmembers(module, inspect.isfunction)
                  if thing.__module__ == module.__name__ and not name.startswith("_")}
    assert found == {function.__name__ for function in ACCEPTED} | ELSEWHERE


@pytest.mark.parametrize("function", ACCEPTED, ids=lambda f: f.__name__)
def test_the_arguments_that_are_spoilt_below_are_good_ones(function: Callable[..., Any]) -> None:
    assert function(*ACCEPTED[function], **KEYWORDS.get(function, {})) is not None


@pytest.mark.parametrize(("function", "arguments"), CASES,
                         ids=[f"{f.__name__}{a}"[:60] for f, a in CASES])
def test_not_a_number_is_refused_in_one_sentence(
    function: Callable[..., Any], arguments: tuple[Any, ...]
) -> None:
    with pytest.raises(ValueError, match=r"^[^\n]+$"):
        function(*arguments, **KEYWORDS.get(function, {}))


@pytest.mark.parametrize("bad", [nan, inf, -inf])
@pytest.mark.parametrize(("name", "value"), [
    ("barometer", lambda bad: boiling.limits(500.0, bad)),
    ("old barometer", lambda bad: boiling.limits_of_an_old_reading(500.0, bad)),
    ("diameter", lambda bad: energy.wall_area_m2(200.0, bad)),
    ("share", lambda bad: charge.methanol(1.0, share=bad)),
    ("ratio", lambda bad: charge.methanol(1.0, ratio=bad)),
    ("base", lambda bad: charge.catalyst(1.0, "KOH", 0.9, 3.0, base_g_per_l=bad)),
    ("half", lambda bad: charge.catalyst(1.0, "KOH", 0.9, 3.0, titre_half_width=bad)),
    ("step", lambda bad: charge.catalyst(1.0, "KOH", 0.9, 3.0, scale_step_g=bad)),
    ("scale", lambda bad: jar.ladder(Batch(titration_readings_ml=(3.0,)), 0.4, bad)),
    ("blank", lambda bad: fuel.acid_value_check(1.0, 1.0, 20.0, "KOH", bad)),
])
def test_not_a_number_is_refused_where_the_argument_is_optional(
    name: str, value: Callable[[float], object], bad: float
) -> None:
    with pytest.raises(ValueError, match=r"^[^\n]+$"):
        value(bad)


NUMBERS_OF_BATCH = [name for name, value in
                    ((f, getattr(Batch(), f)) for f in Batch.__dataclass_fields__)
                    if isinstance(value, float) or value is None]
NUMBERS_OF_REACTOR = [name for name, value in
                      ((f, getattr(Reactor(), f)) for f in Reactor.__dataclass_fields__)
                      if isinstance(value, float) or value is None]


@pytest.mark.parametrize("bad", [nan, inf, -inf])
@pytest.mark.parametrize("name", NUMBERS_OF_BATCH)
def test_a_batch_with_a_number_that_is_none_has_no_sheet(name: str, bad: float) -> None:
    with pytest.raises(ValueError, match=f"^{name} must be finite"):
        batch_sheet(replace(Batch(oil_volume_l=1.0), **{name: bad}), None)


@pytest.mark.parametrize("bad", [nan, inf, -inf])
@pytest.mark.parametrize("name", NUMBERS_OF_REACTOR)
def test_a_reactor_with_a_number_that_is_none_has_no_sheet(name: str, bad: float) -> None:
    with pytest.raises(ValueError, match=f"^{name} must be finite"):
        batch_sheet(Batch(), replace(Reactor(), **{name: bad}))


@pytest.mark.parametrize("batch", [
    Batch(titration_readings_ml=(3.0, nan)),
    Batch(lots=(Lot(20.0, nan),)),
    Batch(washes=(Wash(inf, False),)),
])
def test_a_number_that_is_none_is_found_inside_lists_too(batch: Batch) -> None:
    with pytest.raises(ValueError, match="must be finite"):
        batch_sheet(batch, None)


@pytest.mark.parametrize("value", [True, "3", [3.0], 3 + 0j])
def test_what_is_no_number_at_all_is_refused(value: Any) -> None:
    with pytest.raises(ValueError, match="must be a number from"):
        boiling.boiling_point_c(value)
    with pytest.raises(ValueError, match="must be a number from"):
        charge.methanol(value, share=0.2)


@pytest.mark.parametrize("call", [
    lambda: substances.base_g_per_mol("koh"),
    lambda: charge.catalyst(1.0, "LiOH", 0.9, 3.0),
    lambda: charge.titration_part_g_per_l(3.0, "other", 0.9),
    lambda: titration.zone(3.0, ""),
    lambda: fuel.soap_limit_mg_per_kg(5.0, "Ca(OH)2"),
])
def test_an_unknown_word_is_refused_with_the_known_ones(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"must be (KOH or NaOH|same stock or pure), not"):
        call()


def test_methanol_is_given_in_one_way_only() -> None:
    for both in ({}, {"share": 0.2, "ratio": 6.0}):
        with pytest.raises(ValueError, match="exactly one of them"):
            charge.methanol(1.0, **both)
