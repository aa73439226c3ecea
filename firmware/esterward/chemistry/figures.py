"""Every number of a batch, from what the two files and the observations say.

No judgement here: what is missing, forbidden or unwise is said in sheet_rules.py.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import isfinite, pi
from typing import Final

from esterward.chemistry import charge, energy, separation, substances, titration
from esterward.chemistry.boiling import Limits, limits
from esterward.chemistry.charge import Catalyst, Methanol, Products, Split
from esterward.chemistry.energy import Coast, Heating
from esterward.chemistry.titration import Titration, Zone
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor

USUAL_SETPOINT_C: Final = 55.0
TITRE_MAX_G_PER_L: Final = 50.0    # beyond this the readings cannot be right
DEPTH_UNKNOWN_M: Final = 0.5
ROOM_AIR: Final = (20.0, 0.6)      # degC and humidity that drying is foretold with
DRY_TO_MG_PER_KG: Final = 400.0


@dataclass(frozen=True, slots=True)
class Settling:
    """Depth of the liquid, and hours until the visible layer and the haze are down.

    depth_known is False when no vessel is described and half a metre is taken.
    """

    depth_m: float
    depth_known: bool
    layer_h: float
    haze_h: float


@dataclass(frozen=True, slots=True)
class Drying:
    """Water in mg/kg: in clear fuel at 20 degC, and the driest at 20 degC and at dry_c.

    The driest is with room air of 20 degC and 60 % humidity. remove_g: from clear to 400 mg/kg.
    """

    clear_mg_per_kg: float
    driest_cold_mg_per_kg: float
    driest_warm_mg_per_kg: float
    remove_g: float


@dataclass(frozen=True, slots=True)
class Figures:
    """The numbers; None or empty when not known. Litres of oil and methanol are at 20 degC.

    titre_g_per_l is g of the titrant's base, as weighed, per litre of oil, blank taken off;
    pure_titre_g_per_l is the same acid as g of pure catalyst. stages is empty for one stage.
    ceiling is without a barometer. setpoint_c never exceeds highest_c. dip_oil_mm and
    dip_dosed_mm are marks on the stick. blend_titre_ml is what the lots lead one to expect.
    scale_step_g is in the catalyst's interval, None without a scale. melting_h: hours until a soft
    and a hard fat flows, each None for never; None as a whole when the oil is not set or nothing
    here heats it.
    """

    batch: Batch
    oil_l: float
    warm_oil_l: float | None
    titration: Titration | None
    titre_g_per_l: float | None
    pure_titre_g_per_l: float | None
    blend_titre_ml: float | None
    acid_value_mg_koh_per_g: float | None
    ffa_percent: float | None
    zone: Zone | None
    catalyst: Catalyst | None
    scale_step_g: float | None
    methanol: Methanol | None
    stages: tuple[Split, ...]
    methoxide_rise_k: float | None
    products: Products | None
    ceiling: Limits | None
    highest_c: float | None
    setpoint_c: float | None
    loss_w_per_k: float | None
    melting_h: tuple[float | None, float | None] | None
    heating: Heating | None
    coast: Coast | None
    settling: Settling | None
    wash_water_l: tuple[float, ...]
    drying: Drying | None
    dip_oil_mm: float | None
    dip_dosed_mm: float | None

    @property
    def glycerol_low_l(self) -> float | None:
        """Least litres of the layer to drain."""
        return self.products.glycerol_low_l if self.products else None

    @property
    def glycerol_high_l(self) -> float | None:
        """Most litres of the layer to drain."""
        return self.products.glycerol_high_l if self.products else None


def refuse_not_finite(value: Batch | Reactor) -> None:
    """ValueError naming the first field that holds NaN or infinity, also inside its tuples."""
    for field in fields(value):
        if not _finite(getattr(value, field.name)):
            raise ValueError(f"{field.name} must be finite, not {getattr(value, field.name)}")


def _finite(value: object) -> bool:
    if isinstance(value, float):
        return isfinite(value)
    if isinstance(value, tuple):
        return all(_finite(item) for item in value)
    if hasattr(value, "__dataclass_fields__"):
        return all(_finite(getattr(value, name)) for name in value.__dataclass_fields__)
    return True


def figures(batch: Batch, reactor: Reactor | None) -> Figures:
    """All numbers that the batch allows; ValueError when one of them is not a usable number."""
    refuse_not_finite(batch)
    if reactor is not None:
        refuse_not_finite(reactor)
    has_oil = batch.oil_volume_l > 0.0
    readings, titre, half = _titre(batch)
    pure = _pure_titre(batch, titre) if titre is not None else None
    base = _catalyst(batch, reactor, titre, half) if has_oil and titre is not None else None
    spirit = charge.methanol(
        batch.oil_volume_l, share=batch.methanol_share, ratio=batch.methanol_molar_ratio,
        oil_kg_per_l=batch.oil_density_kg_per_l, oil_g_per_mol=batch.oil_molar_mass_g_per_mol,
    ) if has_oil else None
    made = charge.products(
        batch.oil_volume_l, base, spirit, pure, batch.oil_density_kg_per_l,
        batch.oil_molar_mass_g_per_mol,
    ) if base and spirit and pure is not None else None
    acid = titration.acid_value_mg_koh_per_g(
        pure, batch.catalyst_kind, batch.oil_density_kg_per_l) if pure is not None else None
    ceiling, highest, setpoint = _setpoint(batch, reactor)
    loss = None if reactor is None else reactor_loss_w_per_k(reactor)
    coasting = _coast(batch, reactor, spirit, setpoint, loss)
    dip = reactor.dipstick if reactor is not None else ()
    return Figures(
        batch=batch, oil_l=batch.oil_volume_l,
        warm_oil_l=substances.oil_volume_l(
            batch.oil_volume_l, 20.0, setpoint) if setpoint is not None else None,
        titration=readings, titre_g_per_l=titre, pure_titre_g_per_l=pure,
        blend_titre_ml=titration.blend_titre(batch.lots) if batch.lots else None,
        acid_value_mg_koh_per_g=acid,
        ffa_percent=titration.ffa_percent(acid) if acid is not None else None,
        zone=titration.zone(pure, batch.catalyst_kind) if pure is not None else None,
        catalyst=base, methanol=spirit,
        scale_step_g=reactor.scale_resolution_g if reactor is not None else None,
        stages=charge.split(base, spirit, batch.first_share)
        if base and spirit and batch.first_share is not None else (),
        methoxide_rise_k=charge.methoxide_rise_k(
            base.mass_g, base.kind, base.purity, spirit.volume_l) if base and spirit else None,
        products=made, ceiling=ceiling, highest_c=highest, setpoint_c=setpoint,
        loss_w_per_k=loss,
        melting_h=melting_h(batch, reactor) if batch.oil_set and has_oil and reactor is not None
        and reactor.rig_level != "watch" else None,
        heating=_heating(batch, reactor, setpoint), coast=coasting,
        settling=_settling(reactor, spirit, batch, coasting),
        wash_water_l=separation.wash_water_l(
            made.ester_l if made else batch.oil_volume_l, tuple(w.share for w in batch.washes)
        ) if has_oil else (),
        drying=_drying(batch, made),
        dip_oil_mm=_dip(batch.oil_volume_l, dip),
        dip_dosed_mm=_dip(batch.oil_volume_l + spirit.volume_l, dip) if spirit else None,
    )


def _titre(batch: Batch) -> tuple[Titration | None, float | None, float]:
    """Readings judged, the titre in g/L of the titrant's base, its 95 % half width in g/L."""
    if not batch.titration_readings_ml:
        return None, None, 0.0
    per_ml = batch.titrant_g_per_l / titration.sample_ml(batch)
    judged = titration.evaluate(batch.titration_readings_ml, titration.SPREAD_ALLOWED_ML / per_ml)
    if judged.mean_ml < batch.titration_blank_ml:
        return judged, None, 0.0
    titre = titration.titre_g_per_l(
        judged.mean_ml, batch.titrant_g_per_l, titration.sample_ml(batch),
        batch.titration_blank_ml)
    if titre > TITRE_MAX_G_PER_L:
        return judged, None, 0.0
    # One reading says nothing of its own scatter: then the spread that is allowed stands in.
    half = judged.allowed_ml if judged.half_width_ml is None else judged.half_width_ml
    return judged, titre, half * per_ml


def _kind_factor(batch: Batch) -> float:
    """Grams of the catalyst's base with as many moles as one gram of the titrant's base."""
    titrant = batch.titrant_kind or batch.catalyst_kind
    if titrant == batch.catalyst_kind:
        return 1.0
    return substances.as_other_base_g(1.0, titrant)


def _pure_titre(batch: Batch, titre: float) -> float:
    return _kind_factor(batch) * titration.pure_titre_g_per_l(
        titre, batch.titrant, batch.catalyst_purity)


def _catalyst(batch: Batch, reactor: Reactor | None, titre: float, half: float) -> Catalyst:
    factor = _kind_factor(batch)
    return charge.catalyst(
        batch.oil_volume_l, batch.catalyst_kind, batch.catalyst_purity, factor * titre,
        titrant=batch.titrant, base_g_per_l=batch.base_g_per_l, as_weighed=batch.base_as_weighed,
        titre_half_width=min(1e3, factor * half),
        scale_step_g=reactor.scale_resolution_g if reactor is not None else 0.0)


def _setpoint(
    batch: Batch, reactor: Reactor | None
) -> tuple[Limits | None, float | None, float | None]:
    """Ceiling, highest setpoint allowed and what is aimed at; nothing without an altitude."""
    if reactor is None or reactor.altitude_m is None:
        return None, None, None
    here = limits(reactor.altitude_m)
    highest = here.setpoint_max_c
    if reactor.setpoint_cap_c is not None:
        highest = min(highest, reactor.setpoint_cap_c)
    wanted = USUAL_SETPOINT_C if batch.setpoint_c is None else batch.setpoint_c
    return here, highest, min(wanted, highest, here.aim_max_c)


def reactor_loss_w_per_k(reactor: Reactor) -> float:
    """What the vessel loses, as forecasts and simulator take it: measured, of its lagging, told."""
    if reactor.measured_loss_w_per_k is not None:
        return reactor.measured_loss_w_per_k
    return declared_loss_w_per_k(reactor)


def declared_loss_w_per_k(reactor: Reactor) -> float:
    """The same without what was fitted to a heat-up: a check must not learn from a sick element."""
    if reactor.lagging_mm is None or not reactor.vessel_l > 0.0:
        return reactor.loss_w_per_k
    return energy.loss_w_per_k(reactor.vessel_l, reactor.lagging_mm, reactor.diameter_m)


def _extra(reactor: Reactor) -> float:
    """kJ/K that the vessel takes beside its oil; 0 when it was not measured."""
    if reactor.measured_heat_kj_per_k is None or reactor.measured_oil_l is None:
        return 0.0
    return reactor.measured_heat_kj_per_k - energy.oil_kj_per_k(reactor.measured_oil_l)


def _heating(
    batch: Batch, reactor: Reactor | None, setpoint_c: float | None
) -> Heating | None:
    if reactor is None or setpoint_c is None or not batch.oil_volume_l > 0.0 or (
        not reactor.element_w > 0.0
    ):
        return None
    warming = warming_up(batch, reactor, batch.oil_start_c, setpoint_c)
    measured = not (reactor.measured_heat_kj_per_k is None
                    and reactor.measured_loss_w_per_k is None)
    return replace(warming, measured=measured) if warming is not None else None


def warming_up(batch: Batch, reactor: Reactor, from_c: float, to_c: float) -> Heating | None:
    """Warming this oil in this vessel at full power; None when the element cannot do it.

    Both -20..110 degC; the vessel as measured, as lagged, or as told.
    """
    return energy.heating(
        batch.oil_volume_l, from_c, to_c, reactor.element_w, reactor_loss_w_per_k(reactor),
        reactor.room_c, batch.oil_density_kg_per_l, _extra(reactor),
        reactor.measured_run_on_s or 0.0)


def melting_h(batch: Batch, reactor: Reactor) -> tuple[float | None, float | None]:
    """Hours of pulses until set fat flows in this vessel: a soft and a hard one, None for never."""
    return energy.melting_h(
        batch.oil_volume_l, batch.oil_start_c, reactor.element_w, reactor_loss_w_per_k(reactor),
        reactor.room_c, batch.oil_density_kg_per_l, _extra(reactor))


def _coast(
    batch: Batch, reactor: Reactor | None, spirit: Methanol | None, setpoint_c: float | None,
    loss: float | None,
) -> Coast | None:
    if reactor is None or spirit is None or setpoint_c is None or loss is None:
        return None
    return energy.coast(setpoint_c, batch.oil_volume_l, spirit.volume_l, batch.methanol_start_c,
                        batch.pour_min, loss, reactor.room_c, batch.oil_density_kg_per_l,
                        _extra(reactor))


def _settling(
    reactor: Reactor | None, spirit: Methanol | None, batch: Batch, coasting: Coast | None
) -> Settling | None:
    if spirit is None:
        return None
    depth_m = DEPTH_UNKNOWN_M
    known = reactor is not None and reactor.vessel_l > 0.0
    if reactor is not None and reactor.vessel_l > 0.0:
        across = reactor.diameter_m or (
            4.0 * reactor.vessel_l / 1000.0 / (pi * energy.HEIGHT_PER_DIAMETER)) ** (1.0 / 3.0)
        litres = batch.oil_volume_l + spirit.volume_l
        depth_m = min(3.0, max(0.01, litres / 1000.0 / (pi * across * across / 4.0)))
    warm_c = min(65.0, max(10.0, coasting.end_c)) if coasting else 40.0
    return Settling(depth_m, known, separation.settle_h(separation.LAYER_DROP_UM, depth_m, warm_c),
                    separation.settle_h(separation.HAZE_DROP_UM, depth_m, warm_c))


def _drying(batch: Batch, made: Products | None) -> Drying | None:
    if made is None:
        return None
    air_c, humidity = ROOM_AIR
    clear = separation.saturation_mg_per_kg(20.0)
    warm_c = min(65.0, max(20.0, batch.dry_c))
    return Drying(
        clear, separation.equilibrium_mg_per_kg(20.0, air_c, humidity),
        separation.equilibrium_mg_per_kg(warm_c, air_c, humidity),
        separation.water_to_remove_g(made.ester_kg, clear, DRY_TO_MG_PER_KG))


def _dip(litres: float, rows: tuple[tuple[float, float], ...]) -> float | None:
    if len(rows) < 2 or not rows[0][1] <= litres <= rows[-1][1]:
        return None
    return separation.dipstick_mm(litres, rows)
