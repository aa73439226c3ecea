"""What is missing, what can never be allowed, and what is unwise about a batch.

Every sentence names the key of the file, the number, what is allowed and what to write. The
caller puts the file's name in front and says in which units the person reads. Errors end a
command; warnings only speak.
"""

from __future__ import annotations

from typing import Final

from esterward.chemistry import charge, credit, titration
from esterward.chemistry.boiling import DRY_SETPOINT_MAX_C, HIGHEST_C
from esterward.chemistry.figures import TITRE_MAX_G_PER_L, USUAL_SETPOINT_C, Figures
from esterward.chemistry.wording import Wording
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor

BOIL_FILL_MAX: Final = 0.70        # without a high-level input, dewatering by boiling
FILL_MAX: Final = 0.90             # warm oil and methanol, room for foam (common practice)
METHOXIDE_GATE_C: Final = 45.0
USUAL_DRY_C: Final = 55.0
METHANOL_LOW_PERCENT: Final = 18.0   # common practice is 20 to 22 %
METHANOL_HIGH_PERCENT: Final = 30.0
BASE_RANGE_G_PER_L: Final = {"KOH": (6.0, 9.0), "NaOH": (4.3, 6.5)}  # pure, common practice
OIL_WATER_MAX_MG_PER_KG: Final = 600.0  # Ma, Clements & Hanna 1998, Trans. ASAE 41:1261
FRESH_KOH_PURITY: Final = 0.95     # above this a can of KOH flake is doubtful
SLOW_SETPOINT_C: Final = 48.0
LONG_HEATING_MIN: Final = 360.0


def missing(numbers: Figures, reactor: Reactor | None) -> tuple[str, ...]:
    """What must still be told before anything may be dosed."""
    out: list[str] = []
    batch = numbers.batch
    if not batch.oil_volume_l > 0.0:
        out.append('[oil] volume is missing; write for example volume = "120 L".')
    if not batch.titration_readings_ml:
        out.append("[titration] readings are missing; titrate a warm sample three times and "
                   'write for example readings = ["2.9 mL", "3.1 mL", "3.0 mL"].')
    if reactor is not None:
        if reactor.altitude_m is None:
            out.append("[site] altitude is missing in the reactor file, so nobody knows where "
                       'methanol boils and none may go in; write for example altitude = "350 m".')
        if not reactor.vessel_l > 0.0:
            out.append('[vessel] volume is missing in the reactor file; write for example '
                       'volume = "200 L".')
    return tuple(out)


def errors(numbers: Figures, reactor: Reactor | None, say: Wording) -> tuple[str, ...]:
    """What can never be allowed."""
    out: list[str] = []
    batch = numbers.batch
    out += _titration_errors(batch, numbers)
    asked, highest = batch.setpoint_c, numbers.highest_c
    if asked is not None and highest is not None and asked > highest:
        out.append(f"[heat] setpoint = {say.asked(asked)} is above the highest allowed at this "
                   f"reactor, {say.limit(highest)}; write at most "
                   f'"{say.limit(highest)}", or leave it out.')
    elif asked is not None and asked > HIGHEST_C:
        out.append(f"[heat] setpoint = {say.asked(asked)} is above {say.limit(HIGHEST_C)}, which "
                   f'is never allowed; write "{say.asked(USUAL_SETPOINT_C)}", or leave it out.')
    if batch.dry_c > DRY_SETPOINT_MAX_C:
        out.append(f"[dry] temperature = {say.asked(batch.dry_c)} is above the highest allowed, "
                   f'{say.limit(DRY_SETPOINT_MAX_C)}; write "{say.asked(USUAL_DRY_C)}".')
    if reactor is not None:
        out += _vessel_errors(batch, numbers, reactor, say)
        out += _scale_errors(numbers, reactor)
    return tuple(out)


def _titration_errors(batch: Batch, numbers: Figures) -> list[str]:
    out: list[str] = []
    if batch.titrant == "same stock" and batch.titrant_kind not in ("", batch.catalyst_kind):
        out.append(f'[titration] titrant = "same stock" cannot hold {batch.titrant_kind} when '
                   f'the catalyst is {batch.catalyst_kind}; write titrant = "pure", or '
                   f"titrate with the {batch.catalyst_kind} that will be weighed.")
    judged = numbers.titration
    if judged is None or numbers.titre_g_per_l is not None:
        return out
    if judged.mean_ml < batch.titration_blank_ml:
        out.append(f"[titration] blank = {batch.titration_blank_ml:g} mL is more than the mean "
                   f"of the readings, {judged.mean_ml:.2f} mL; write what the alcohol alone "
                   "took, and the readings with it still in.")
    else:
        out.append(f"[titration] readings of {judged.mean_ml:.2f} mL come to more than "
                   f"{TITRE_MAX_G_PER_L:g} g of base per litre of oil, which no oil for this "
                   "takes; check strength and sample, and write them as they were.")
    return out


def _vessel_errors(
    batch: Batch, numbers: Figures, reactor: Reactor, say: Wording
) -> list[str]:
    out: list[str] = []
    vessel = reactor.vessel_l
    if not vessel > 0.0:
        return out
    spirit = numbers.methanol
    if spirit is not None:
        # Warm, where that is known: oil that fits cold and runs over warm must not go in.
        warm_l = numbers.warm_oil_l or batch.oil_volume_l
        together = warm_l + spirit.volume_l
        if together > vessel:
            most = say.most_vol(vessel / (together / batch.oil_volume_l))
            out.append(f"[oil] volume = {say.asked_vol(batch.oil_volume_l)}, warm "
                       f"{say.vol(warm_l)}, and {say.vol(spirit.volume_l)} of methanol are "
                       f"{say.vol(together)}, more than the vessel's {say.asked_vol(vessel)}; "
                       f'write at most "{most}".')
    if batch.dewater == "boil" and batch.oil_volume_l > BOIL_FILL_MAX * vessel:
        out.append(f'[dewater] method = "boil" is allowed only with at most '
                   f"{say.most_vol(BOIL_FILL_MAX * vessel)} of oil in this vessel (70 %), not "
                   f'{say.asked_vol(batch.oil_volume_l)}, because it foams; '
                   'write method = "settle".')
    return out


def _scale_errors(numbers: Figures, reactor: Reactor) -> list[str]:
    base = numbers.catalyst
    if base is None or charge.scale_is_fine_enough(base.mass_g, reactor.scale_resolution_g):
        return []
    most = charge.coarsest_step_words(base.mass_g)
    return [f"[scale] resolution = {reactor.scale_resolution_g:g} g is too coarse to weigh "
            f"{base.mass_g:.1f} g; allowed is at most {most}; take a finer scale and write "
            "its step in the reactor file."]


def warnings(numbers: Figures, reactor: Reactor | None, say: Wording) -> tuple[str, ...]:
    """What is unwise, or worth knowing before it is too late."""
    out: list[str] = []
    if reactor is None:
        out.append("No reactor file: ceiling, setpoint and heating are not known; put "
                   "reactor.toml beside the batch file or give --reactor.")
    out += _titration_warnings(numbers, say)
    out += _charge_warnings(numbers, say)
    if reactor is not None:
        out += _reactor_warnings(numbers, reactor, say)
    return tuple(out)


def _titration_warnings(numbers: Figures, say: Wording) -> list[str]:
    batch, judged = numbers.batch, numbers.titration
    out: list[str] = []
    if judged is not None:
        if judged.apart_ml is not None:
            out.append(f"The titration reading {judged.apart_ml:g} mL stands apart from the "
                       "others; it still counts in the mean. Titrate once more, and take it out "
                       "only if you know what went wrong with it.")
        elif judged.spread_ml > judged.allowed_ml + 1e-9:
            out.append(f"The titration readings spread over {judged.spread_ml:.2f} mL, more than "
                       f"{judged.allowed_ml:.2f} mL; titrate once more.")
        if numbers.titre_g_per_l is not None and numbers.titre_g_per_l < 0.005:
            out.append("The titration comes to 0 mL, oil without any acid, which used oil never "
                       "is; look at titrant, indicator and blank, and titrate again.")
        if judged.n < titration.READINGS_WANTED:
            out.append(f"Only {judged.n} titration reading{'s' if judged.n > 1 else ''}; three "
                       "show a slip that one or two hide.")
    note = titration.INDICATOR_NOTES.get(batch.titration_indicator, "")
    if note and judged is not None:
        out.append(f"[titration] indicator: {note}.")
    where = numbers.zone
    if where is not None and where is not titration.ZONES[0]:
        out.append(f"{numbers.ffa_percent:.1f} % free fatty acid is in the zone "
                   f'"{where.name}": {where.advice}.')
    if numbers.blend_titre_ml is not None:
        out += _blend_warnings(numbers, numbers.blend_titre_ml, say)
    return out


def _blend_warnings(numbers: Figures, expected: float, say: Wording) -> list[str]:
    batch, out = numbers.batch, []
    litres = sum(lot.volume_l for lot in batch.lots)
    if batch.oil_volume_l > 0.0 and abs(litres - batch.oil_volume_l) > 0.02 * batch.oil_volume_l:
        out.append(f"[oil] lots add up to {say.asked_vol(litres)}, but volume = "
                   f"{say.asked_vol(batch.oil_volume_l)}; write what was really poured in.")
    allowed = max(titration.SPREAD_ALLOWED_ML, titration.SPREAD_ALLOWED_SHARE * expected)
    titre = numbers.titre_g_per_l
    if titre is not None and abs(titre - expected) > allowed:
        out.append(f"The blend titrates at {titre:.2f} mL, its lots lead one to expect "
                   f"{expected:.2f} mL; stir the whole of it and titrate again.")
    return out


def _charge_warnings(numbers: Figures, say: Wording) -> list[str]:
    batch, base, spirit = numbers.batch, numbers.catalyst, numbers.methanol
    out: list[str] = []
    if batch.catalyst_kind == "KOH" and batch.catalyst_purity > FRESH_KOH_PURITY:
        out.append(f"[catalyst] purity = {100 * batch.catalyst_purity:.0f} %: KOH is mostly sold "
                   "at 85 to 90 %; look at the label.")
    low, high = BASE_RANGE_G_PER_L[batch.catalyst_kind]
    if batch.base_g_per_l is not None:
        pure = batch.base_g_per_l * (batch.catalyst_purity if batch.base_as_weighed else 1.0)
        if not low <= pure <= high:
            out.append(f"[catalyst] base comes to {pure:.1f} g/L of pure {batch.catalyst_kind}; "
                       f"common practice is {low:g} to {high:g} g/L.")
    if spirit is not None:
        if spirit.percent_v < spirit.stoichiometric_percent:
            out.append(f"[methanol] {spirit.percent_v:.1f} % is less than the reaction itself "
                       f"uses up ({spirit.stoichiometric_percent:.1f} %); the batch cannot turn "
                       "completely; common practice is 20 %.")
        elif spirit.percent_v < METHANOL_LOW_PERCENT:
            out.append(f"[methanol] {spirit.percent_v:.1f} % leaves little to spare above the "
                       f"{spirit.stoichiometric_percent:.1f} % used up; common practice is 20 %.")
        elif spirit.percent_v > METHANOL_HIGH_PERCENT:
            out.append(f"[methanol] {spirit.percent_v:.1f} % is more than common practice (20 to "
                       "25 %); the layers may part badly, and all the rest must be washed out.")
    rise = numbers.methoxide_rise_k
    if base is not None and rise is not None and (
        batch.methanol_start_c + rise > METHOXIDE_GATE_C
    ):
        warm_c = batch.methanol_start_c + rise
        boils_c = numbers.ceiling.boiling_c if numbers.ceiling is not None else HIGHEST_C
        to = (f"enough to boil it at {say.limit(boils_c)}; never add it all at once, but in small "
              "parts, and let each cool" if warm_c >= boils_c else
              f"to {say.deg(warm_c)}; add it in parts and let it cool")
        out.append(f"Dissolving the catalyst may warm the methanol by {say.rise(rise)}, {to}: "
                   f"above {say.limit(METHOXIDE_GATE_C)} nothing may be dosed.")
    if batch.oil_water_mg_per_kg is not None and (
        batch.oil_water_mg_per_kg > OIL_WATER_MAX_MG_PER_KG
    ):
        out.append(f"[oil] water = {batch.oil_water_mg_per_kg:.0f} mg/kg is above "
                   f"{OIL_WATER_MAX_MG_PER_KG:g} mg/kg; dewater longer, water makes soap.")
    if batch.dewater == "none":
        out.append('[dewater] method = "none": water in the oil turns catalyst into soap.')
    if batch.first_share is not None:
        out.append(f"[methoxide] first_share = {100 * batch.first_share:g} %: two "
                   "stages with a drain between, once the batch has cooled enough for it; without "
                   "warm-hold the second stage mixes cooler than the first and may take 3 h.")
    return out


def _reactor_warnings(numbers: Figures, reactor: Reactor, say: Wording) -> list[str]:
    batch, spirit, out = numbers.batch, numbers.methanol, []
    vessel = reactor.vessel_l
    if spirit is not None and vessel > 0.0:
        warm = (numbers.warm_oil_l or batch.oil_volume_l) + spirit.volume_l
        if FILL_MAX * vessel < warm <= vessel:
            out.append(f"Warm oil and methanol fill {say.vol(warm)} of the vessel's "
                       f"{say.asked_vol(vessel)}; leave a tenth of it free for foam.")
        ester = numbers.products.ester_l if numbers.products else batch.oil_volume_l
        water = max(numbers.wash_water_l, default=0.0)
        if ester + water > vessel:
            out.append(f"Fuel and {say.vol(water)} of wash water are {say.vol(ester + water)}, "
                       f"more than the vessel's {say.asked_vol(vessel)}; wash with less water and "
                       "more often.")
    if numbers.setpoint_c is not None:
        if batch.oil_volume_l > 0.0 and reactor.element_w > 0.0 and numbers.heating is None:
            out.append(f"[element] power = {reactor.element_w:g} W cannot bring the oil to "
                       f"{say.deg(numbers.setpoint_c)} against the loss of "
                       f"{numbers.loss_w_per_k:.0f} W/K; lag the vessel.")
        elif numbers.heating is not None and numbers.heating.time_min > LONG_HEATING_MIN:
            out.append(f"Heating takes about {numbers.heating.time_min / 60.0:.0f} h.")
        if numbers.setpoint_c < SLOW_SETPOINT_C:
            out.append(f"At {say.deg(numbers.setpoint_c)} the reaction is slow; expect a long "
                       "mix and check before settling.")
    if numbers.coast is not None and numbers.coast.mixing_min >= 180.0:
        out.append(f"The batch is expected to cool to {say.deg(numbers.coast.end_c)} before 60 "
                   f"minutes' worth at {say.deg(credit.REFERENCE_C)} are mixed; lag the vessel, "
                   "or start with methanol that stood in a warm room, never warmed on purpose.")
    return out

