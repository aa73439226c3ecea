"""The second page of the batch sheet: how each number came about, to be checked by hand."""

from __future__ import annotations

from esterward.chemistry import boiling, credit, energy, flammability, kinetics, separation
from esterward.chemistry.boiling import standard_pressure_kpa
from esterward.chemistry.sheet import Sheet
from esterward.chemistry.wording import Wording
from esterward.cli.show import grams, mass

Line = tuple[str, str]  # what it is, its sum

CLEAR_AT_C = (20.0, 40.0, 55.0)


def working(sheet: Sheet, say: Wording, jar: bool = False) -> list[Line]:
    """Every sum with its numbers; only what is known. A jar has no depth and is not dried."""
    lines = _titration(sheet) + _catalyst(sheet, say) + _methanol(sheet, say)
    lines += _temperatures(sheet, say) + _kinetics(sheet, say) + _products(sheet, say)
    return lines if jar else lines + _separation(sheet, say)


def _titration(sheet: Sheet) -> list[Line]:
    judged, batch = sheet.titration, sheet.batch
    lines: list[Line] = []
    if sheet.blend_titre_ml is not None:
        litres = " + ".join(f"{lot.volume_l:g}" for lot in batch.lots)
        acid = " + ".join(f"{lot.volume_l:g} x {lot.titre_ml:g}" for lot in batch.lots)
        lines.append(("blend", f"({acid}) / ({litres}) = {sheet.blend_titre_ml:.3f} mL expected"))
    if judged is None:
        return [*lines, ("titration", "no readings yet")]
    readings = " + ".join(f"{r:g}" for r in judged.readings_ml)
    lines.append(("mean", f"({readings}) / {judged.n} = {judged.mean_ml:.3f} mL"))
    if judged.sd_ml is not None and judged.half_width_ml is not None:
        lines.append(("scatter", f"standard deviation {judged.sd_ml:.3f} mL, spread "
                      f"{judged.spread_ml:.2f} mL (allowed {judged.allowed_ml:.2f}), 95 % "
                      f"interval +/- {judged.half_width_ml:.2f} mL (Student)"))
    if sheet.titre_g_per_l is None:
        return lines
    sample = (f"{batch.titration_sample_ml:g} mL" if batch.titration_sample_g is None else
              f"({batch.titration_sample_g:g} g / {batch.oil_density_kg_per_l:g} kg/L)")
    lines.append(("titre", f"({judged.mean_ml:.3f} - {batch.titration_blank_ml:g}) mL x "
                  f"{batch.titrant_g_per_l:g} g/L / {sample} = {sheet.titre_g_per_l:.3f} g/L"))
    if sheet.acid_value_mg_koh_per_g is not None and sheet.ffa_percent is not None:
        lines.append(("acid value", f"{sheet.acid_value_mg_koh_per_g:.2f} mg KOH/g (ISO 660), as "
                      f"pure base and KOH; / 1.99 = {sheet.ffa_percent:.2f} % oleic"))
    if sheet.zone is not None:
        lines.append(("zone", f"{sheet.zone.name}: {sheet.zone.advice} ({sheet.zone.source})"))
    return lines


def _catalyst(sheet: Sheet, say: Wording) -> list[Line]:
    base, batch = sheet.catalyst, sheet.batch
    if base is None:
        return []
    divided = "as weighed" if base.base_as_weighed else f"/ {base.purity:g}"
    litres = f"{sheet.oil_l:g} L" + ("" if say.volume == "L" else f" ({say.vol(sheet.oil_l)})")
    step = sheet.scale_step_g
    scale = "" if step is None else f", and the scale's step of {step:g} g"
    return [
        ("base", f"{base.base_g_per_l:g} g/L {divided} = {base.base_weighed_g_per_l:.3f} g/L"),
        ("titrated part", f"{base.titration_g_per_l:.3f} g/L, titrant from "
         + ("the same stock: purity cancels" if batch.titrant == "same stock" else
            "pure base: divided by purity")),
        ("catalyst", f"({base.titration_g_per_l:.3f} + {base.base_weighed_g_per_l:.3f}) g/L x "
         f"{litres} = {grams(base.mass_g)}"),
        ("interval", f"{grams(base.mass_low_g)} to {grams(base.mass_high_g)}: scatter of the "
         f"readings{scale}"),
        ("other titrant", f'"{base.other_titrant}": {base.other_total_g_per_l:.3f} g/L, '
         f"{grams(base.other_total_g_per_l * sheet.oil_l)}")]


def _methanol(sheet: Sheet, say: Wording) -> list[Line]:
    spirit, batch = sheet.methanol, sheet.batch
    if spirit is None:
        return []
    how = (f"{spirit.percent_v:.2f} % x {say.vol(sheet.oil_l)}"
           if batch.methanol_share is not None
           else f"{batch.methanol_molar_ratio:g} mol/mol is {spirit.percent_v:.2f} %")
    lines = [("methanol", f"{how} = {say.vol(spirit.volume_l)} = {mass(spirit.mass_kg)} = "
              f"{spirit.molar_ratio:.2f} mol per mol of oil"),
             ("least", f"3 mol/mol is {spirit.stoichiometric_percent:.2f} %")]
    if sheet.methoxide_rise_k is not None:
        lines.append(("methoxide", f"{say.deg(batch.methanol_start_c)} + at most "
                      f"{say.rise(sheet.methoxide_rise_k)} (heats of solution in water, no "
                      "losses)"))
    return [*lines, _vapour(sheet, say)]


def _vapour(sheet: Sheet, say: Wording) -> Line:
    kpa = sheet.ceiling.pressure_kpa if sheet.ceiling is not None else standard_pressure_kpa(0.0)
    burns = flammability.flammable_headspace(kpa)
    return ("vapour", f"over still methanol of {say.deg(burns.from_c)} to {say.deg(burns.to_c)} "
            f"the air can be lit ({flammability.LOWER_LIMIT_PERCENT_V:g} to "
            f"{flammability.UPPER_LIMIT_PERCENT_V:g} % vapour, at {kpa:.1f} kPa), and warmer "
            f"methanol passes through that as it cools; flash point "
            f"{say.deg(flammability.FLASH_POINT_C)}, lights itself at "
            f"{say.asked(flammability.AUTOIGNITION_C)}; breathe at most "
            f"{flammability.EXPOSURE_8H_PPM:g} ppm over 8 h, "
            f"{flammability.EXPOSURE_15MIN_PPM:g} ppm for 15 min (lowest of several sources)")


def _temperatures(sheet: Sheet, say: Wording) -> list[Line]:
    here = sheet.ceiling
    if here is None:
        return []
    highest = say.limit(here.setpoint_max_c)
    alarm, trip, guard = (say.rise(k) for k in (
        boiling.ALARM_MARGIN_K, boiling.TRIP_MARGIN_K, boiling.GUARD_TRIP_MARGIN_K))
    lines = [
        ("pressure", f"{here.pressure_kpa:.2f} kPa (standard atmosphere, {here.altitude_m:g} m) "
         f"- {here.pressure_kpa - here.p_eff_kpa:.1f} = {here.p_eff_kpa:.2f} kPa"),
        ("limits", f"boiling point there - {say.rise(boiling.SETPOINT_MARGIN_K)} = {highest} at "
         f"most; alarm - {alarm}, trips - {trip} and - {guard}; never above "
         f"{say.limit(boiling.HIGHEST_C)}")]
    heat, coast = sheet.heating, sheet.coast
    if sheet.melting_h is not None and sheet.loss_w_per_k is not None:
        (soft_c, soft_kj), (hard_c, hard_kj) = energy.SOFT_FAT, energy.HARD_FAT
        lines.append(("melting", f"{100 * energy.MELT_DUTY:.0f} % of the element's power, less "
                      f"{sheet.loss_w_per_k:.1f} W/K; soft: {soft_kj:.0f} kJ/kg until it flows at "
                      f"{say.deg(soft_c)}; hard: {hard_kj:.0f} kJ/kg, {say.deg(hard_c)} (from "
                      "memory)"))
    if heat is not None and sheet.loss_w_per_k is not None:
        whose = "as measured here" if heat.measured else "vessel not measured"
        lines.append(("heating", f"{heat.oil_kwh:.2f} kWh into the oil, {heat.energy_kwh:.2f} kWh "
                      f"with a loss of {sheet.loss_w_per_k:.1f} W/K, {heat.time_min:.0f} min "
                      f"({whose})"))
    if coast is not None:
        lines.append(("dose lands", f"{say.deg(sheet.setpoint_c)} oil and "
                      f"{say.deg(sheet.batch.methanol_start_c)} methanol: "
                      f"{say.deg(coast.lands_c)}, without heat of reaction"))
        lines.append(("mixing", f"60 min earn {coast.equivalent_min:.0f} min at "
                      f"{say.deg(credit.REFERENCE_C)}; {coast.mixing_min:.0f} min for 60; then "
                      f"{say.deg(coast.end_c)}"))
    return lines


def _kinetics(sheet: Sheet, say: Wording) -> list[Line]:
    """Both published sets beside each other, and what that is worth."""
    spirit = sheet.methanol
    if spirit is None:
        return []
    oil_c = credit.REFERENCE_C if sheet.coast is None else sheet.coast.lands_c
    one = "has nothing for so little methanol or so cool a batch"
    minutes = kinetics.COMPARED_MIN
    if kinetics.NZ_RATIO[0] <= spirit.molar_ratio <= kinetics.NZ_RATIO[1] and (
        kinetics.NZ_RANGE_C[0] <= oil_c <= kinetics.NZ_RANGE_C[1]
    ):
        (first,) = kinetics.noureddini_zhu(spirit.molar_ratio, oil_c, (minutes,))
        one = (f"at {say.deg(oil_c)} and {spirit.molar_ratio:.1f} mol/mol: "
               f"{_percent(first.tg_conversion)} of the oil turned, {_percent(first.ester_yield)} "
               "ester")
    low_c, high_c = kinetics.DC_RATES[0][0], kinetics.DC_RATES[-1][0]
    at_c = min(high_c, max(low_c, oil_c))
    second = kinetics.darnoko_cheryan(at_c, minutes)
    two = (f"at {say.deg(at_c)}" + ("" if at_c == oil_c else " (nothing nearer was measured)")
           + f" and 6 mol/mol: {_percent(second.tg_conversion)} of the oil turned, ester not told")
    return [("kinetics", f"{minutes:g} min by Noureddini & Zhu 1997 {one}"),
            ("", f"{minutes:g} min by Darnoko & Cheryan 2000 {two}"),
            ("no promise", kinetics.disagreement(say))]


def _percent(share: float | None) -> str:
    return "?" if share is None else f"{100.0 * share:.0f} %"


def _products(sheet: Sheet, say: Wording) -> list[Line]:
    made = sheet.products
    if made is None:
        return []
    water_g = 1000.0 * (made.water_neutralising_kg + made.water_catalyst_kg
                        + made.water_in_catalyst_kg)
    return [("fuel", f"{mass(made.ester_kg)}, {say.vol(made.ester_l)}, if all turns"),
            ("glycerol", f"{say.vol(made.glycerol_pure_l)} pure; with methanol, soap and catalyst "
             f"{say.vols(made.glycerol_low_l, made.glycerol_high_l)}"),
            ("soap, water", f"soap {grams(1000.0 * made.soap_kg)} from the acid; water at most "
             f"{grams(water_g)} from acid and catalyst"),
            ("methanol left", f"{mass(made.methanol_used_kg + made.methanol_left_kg)} - "
             f"{mass(made.methanol_used_kg)} = {mass(made.methanol_left_kg)} is not used up; most "
             "of it drains with the glycerol")]


def _separation(sheet: Sheet, say: Wording) -> list[Line]:
    lines: list[Line] = []
    if sheet.settling is not None:
        depth = f"{sheet.settling.depth_m:.2f} m deep" + (
            "" if sheet.settling.depth_known else " (taken: no vessel is described)")
        lines.append(("settling", f"{depth}: visible layer "
                      f"{sheet.settling.layer_h:.1f} h, haze {sheet.settling.haze_h:.1f} h "
                      f"(Stokes; {separation.LAYER_DROP_UM:g} and {separation.HAZE_DROP_UM:g} um "
                      "drops)"))
    if sheet.drying is None:
        return lines
    dry, enough = sheet.drying, separation.DRY_ENOUGH_MG_PER_KG
    clear = ", ".join(f"{separation.saturation_mg_per_kg(c):.0f} at {say.deg(c)}"
                      for c in CLEAR_AT_C)
    cold, warm = (100.0 * separation.humidity_for(enough, c) for c in (20.0, 55.0))
    return [*lines,
            ("clear, not dry", f"fuel is clear with this much water, mg/kg: {clear}; EN 14214 "
             f"allows {enough:g}, so fuel that cleared warm may be too wet, and cloud when cold"),
            ("drying", f"down to {enough:g} needs air below {cold:.0f} % humidity over fuel of "
             f"{say.deg(20.0)}, {warm:.0f} % over fuel of {say.deg(55.0)} (air as warm as the "
             f"fuel); room air of {say.deg(20.0)} and 60 % reaches "
             f"{dry.driest_cold_mg_per_kg:.0f} cold, {dry.driest_warm_mg_per_kg:.0f} at "
             f"{say.deg(sheet.batch.dry_c)}; {grams(dry.remove_g)} of water to go")]
