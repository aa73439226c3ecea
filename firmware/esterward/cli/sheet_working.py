"""The second page of the batch sheet: how each number came about, to be checked by hand."""

from __future__ import annotations

from esterward.chemistry import boiling
from esterward.chemistry.sheet import Sheet
from esterward.cli.sheet_rows import Units
from esterward.cli.show import grams

Line = tuple[str, str]  # what it is, its sum


def working(sheet: Sheet, units: Units) -> list[Line]:
    """Every sum with its numbers; only what is known."""
    return (_titration(sheet) + _catalyst(sheet) + _methanol(sheet, units)
            + _temperatures(sheet, units) + _products(sheet, units))


def _titration(sheet: Sheet) -> list[Line]:
    judged, batch = sheet.titration, sheet.batch
    if judged is None:
        return [("titration", "no readings yet")]
    readings = " + ".join(f"{r:g}" for r in judged.readings_ml)
    lines = [("mean", f"({readings}) / {judged.n} = {judged.mean_ml:.3f} mL")]
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


def _catalyst(sheet: Sheet) -> list[Line]:
    base, batch = sheet.catalyst, sheet.batch
    if base is None:
        return []
    divided = "as weighed" if base.base_as_weighed else f"/ {base.purity:g}"
    return [
        ("base", f"{base.base_g_per_l:g} g/L {divided} = {base.base_weighed_g_per_l:.3f} g/L"),
        ("titrated part", f"{base.titration_g_per_l:.3f} g/L, titrant from "
         + ("the same stock: purity cancels" if batch.titrant == "same stock" else
            "pure base: divided by purity")),
        ("catalyst", f"({base.titration_g_per_l:.3f} + {base.base_weighed_g_per_l:.3f}) g/L x "
         f"{sheet.oil_l:g} L = {grams(base.mass_g)}"),
        ("interval", f"{grams(base.mass_low_g)} to {grams(base.mass_high_g)}: scatter of the "
         "readings and the scale's step"),
        ("other titrant", f'"{base.other_titrant}": {base.other_total_g_per_l:.3f} g/L, '
         f"{grams(base.other_total_g_per_l * sheet.oil_l)}")]


def _methanol(sheet: Sheet, units: Units) -> list[Line]:
    spirit, batch = sheet.methanol, sheet.batch
    if spirit is None:
        return []
    how = (f"{spirit.percent_v:.2f} % x {sheet.oil_l:g} L" if batch.methanol_share is not None
           else f"{batch.methanol_molar_ratio:g} mol/mol is {spirit.percent_v:.2f} %")
    lines = [("methanol", f"{how} = {units.vol(spirit.volume_l)} = {spirit.mass_kg:.2f} kg = "
              f"{spirit.molar_ratio:.2f} mol per mol of oil"),
             ("least", f"3 mol/mol is {spirit.stoichiometric_percent:.2f} %")]
    if sheet.methoxide_rise_k is not None:
        lines.append(("methoxide", f"{batch.methanol_start_c:g} degC + at most "
                      f"{sheet.methoxide_rise_k:.1f} K (heats of solution in water, no losses)"))
    return lines


def _temperatures(sheet: Sheet, units: Units) -> list[Line]:
    here = sheet.ceiling
    if here is None:
        return []
    highest = units.limit(here.setpoint_max_c)
    lines = [
        ("pressure", f"{here.pressure_kpa:.2f} kPa (standard atmosphere, {here.altitude_m:g} m) "
         f"- {here.pressure_kpa - here.p_eff_kpa:.1f} = {here.p_eff_kpa:.2f} kPa"),
        ("limits", f"boiling point there - {boiling.SETPOINT_MARGIN_K:g} K = {highest} at most; "
         f"alarm - {boiling.ALARM_MARGIN_K:g}, trips - {boiling.TRIP_MARGIN_K:g} and "
         f"- {boiling.GUARD_TRIP_MARGIN_K:g} K")]
    heat, coast = sheet.heating, sheet.coast
    if heat is not None and sheet.loss_w_per_k is not None:
        lines.append(("heating", f"{heat.oil_kwh:.2f} kWh into the oil, {heat.energy_kwh:.2f} kWh "
                      f"with a loss of {sheet.loss_w_per_k:.1f} W/K, {heat.time_min:.0f} min"))
    if coast is not None:
        lines.append(("dose lands", f"{units.deg(sheet.setpoint_c)} oil and "
                      f"{units.deg(sheet.batch.methanol_start_c)} methanol: "
                      f"{units.deg(coast.lands_c)}, without heat of reaction"))
        lines.append(("mixing", f"60 min earn {coast.equivalent_min:.0f} min at "
                      f"{units.deg(55.0)}; {coast.mixing_min:.0f} min for 60; then "
                      f"{units.deg(coast.end_c)}"))
    return lines


def _products(sheet: Sheet, units: Units) -> list[Line]:
    made, lines = sheet.products, []
    if made is not None:
        water_g = 1000.0 * (made.water_neutralising_kg + made.water_catalyst_kg
                            + made.water_in_catalyst_kg)
        lines += [("fuel", f"{made.ester_kg:.1f} kg, {units.vol(made.ester_l)}, if all turns"),
                  ("glycerol", f"{units.vol(made.glycerol_pure_l)} pure; with methanol, soap and "
                   f"catalyst {units.vol(made.glycerol_low_l)} to "
                   f"{units.vol(made.glycerol_high_l)}"),
                  ("soap, water", f"soap {grams(1000.0 * made.soap_kg)} from the acid; water at "
                   f"most {grams(water_g)} from acid and catalyst"),
                  ("methanol left", f"{made.methanol_left_kg:.1f} kg of {made.methanol_used_kg:.1f}"
                   " + it is not used up; most of it drains with the glycerol")]
    if sheet.settling is not None:
        lines.append(("settling", f"{sheet.settling.depth_m:.2f} m deep: visible layer "
                      f"{sheet.settling.layer_h:.1f} h, haze {sheet.settling.haze_h:.1f} h "
                      "(Stokes; 100 and 20 um drops)"))
    if sheet.drying is not None:
        dry = sheet.drying
        lines.append(("drying", f"clear fuel at 20 degC still holds {dry.clear_mg_per_kg:.0f} "
                      "mg/kg water (EN 14214: 500); room air reaches "
                      f"{dry.driest_cold_mg_per_kg:.0f} cold, {dry.driest_warm_mg_per_kg:.0f} "
                      f"warm; {grams(dry.remove_g)} to go"))
    return lines
