"""What stands on the batch sheet, in order, as sections of rows: for the page and the wall.

Decides which numbers a person needs at the vessel, their words and digits, and which caution
stands beside them. Knows neither terminal nor HTML; the working is in sheet_working.py.
"""

from __future__ import annotations

from dataclasses import dataclass

from esterward.chemistry.charge import coarsest_step_words
from esterward.chemistry.figures import USUAL_SETPOINT_C
from esterward.chemistry.jar import Ladder
from esterward.chemistry.sheet import Sheet
from esterward.chemistry.titration import ENDPOINT_S
from esterward.chemistry.wording import Wording
from esterward.cli.show import grams, minutes

POISON = ("Methanol: poison by breath, skin and mouth, smell is no warning, and its flame can "
          "be invisible. Outdoors or strong extraction; no flame, spark or brushed motor near.")
CAUSTIC = ("Catalyst and methoxide burn eyes and skin: goggles and face shield, gloves, long "
           "sleeves, running water within reach. No aluminium or zinc.")
HOT = ("Hot oil burns. Never heat with the element uncovered, or without the independent "
       "manual-reset cut-out. Mains work belongs to licensed people.")
SOLID = ("Solid into methanol, slowly, in a vented steel or HDPE vessel; never methanol onto the "
         "solid. On any stop, close the methoxide valve first.")
GLYCEROL = ("The drained layer holds most of the spare methanol and the caustic: closed, vented, "
            "earthed vessel, no flame, gloves and goggles; dispose of it under local rules.")
DRYING = ("Heat for drying only after the methanol is washed out and said so at the reactor. Oily "
          "rags can catch fire by themselves: under water, in a lidded metal bin outdoors.")
FOOT = ("Local codes and licensed practice come before this sheet. It claims no certification "
        "and makes nothing safe by itself.")

def jar_caution(say: Wording) -> str:
    """Warm methanol in a closed jar."""
    return (f"Warm the oil in a water bath off the flame, at most {say.limit(USUAL_SETPOINT_C)}, "
            "and no hotter than esterward ceiling allows where you stand. Swirl open, then close, "
            "shake, and vent at once and often: warm methanol builds pressure.")



@dataclass(frozen=True, slots=True)
class Row:
    """name, the number to act on, a note."""

    name: str
    value: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A heading, its rows, the cautions that belong beside them."""

    title: str
    rows: tuple[Row, ...]
    cautions: tuple[str, ...] = ()


def batch_sections(sheet: Sheet, say: Wording) -> list[Section]:
    """The first page of a batch."""
    return [_oil(sheet, say), _weigh(sheet, say), _heat(sheet, say),
            _dose(sheet, say), _settle(sheet, say), _finish(sheet, say)]


def _oil(sheet: Sheet, say: Wording) -> Section:
    notes = []
    if sheet.warm_oil_l is not None and sheet.setpoint_c is not None:
        notes.append(f"measured cold; {say.vol(sheet.warm_oil_l)} at {say.deg(sheet.setpoint_c)}")
    if sheet.dip_oil_mm is not None:
        notes.append(f"dipstick {sheet.dip_oil_mm:.0f} mm")
    rows = [Row("oil", say.vol(sheet.oil_l), "; ".join(notes))]
    judged = sheet.titration
    if judged is None:
        rows.append(Row("titration", "not known", "titrate a warm sample three times, each until "
                        f"the colour holds {ENDPOINT_S:g} s"))
    else:
        scatter = "" if judged.half_width_ml is None else f" +/- {judged.half_width_ml:.2f}"
        zone = f"; {sheet.zone.name}" if sheet.zone else ""
        acid = "" if sheet.ffa_percent is None else f"{sheet.ffa_percent:.2f} % free fatty acid"
        readings = ", ".join(f"{r:g}" for r in judged.readings_ml)
        rows.append(Row("titration", f"{judged.mean_ml:.2f}{scatter} mL",
                        f"from {readings}; {acid}{zone}"))
    if sheet.blend_titre_ml is not None:
        lots = ", ".join(f"{say.vol(lot.volume_l)} of {lot.titre_ml:g} mL"
                         for lot in sheet.batch.lots)
        rows.append(Row("blend", f"{sheet.blend_titre_ml:.2f} mL",
                        f"expected of {lots}; the blend is titrated itself"))
    return Section("Oil", tuple(rows))


def _weigh(sheet: Sheet, say: Wording) -> Section:
    base, spirit, rows = sheet.catalyst, sheet.methanol, []
    if base is None:
        rows.append(Row("catalyst", "not known", "until the titration is known"))
    else:
        label = f"{base.kind}, {base.purity * 100:g} %"
        rows.append(Row("catalyst", grams(base.mass_g),
                        f"{label}; {grams(base.mass_low_g)} to {grams(base.mass_high_g)}; "
                        f"{base.total_g_per_l:.2f} g/L"))
        other = base.other_total_g_per_l * sheet.oil_l
        if abs(other - base.mass_g) > 1e-9:
            made = f"pure {base.kind}" if base.other_titrant == "pure" else "this same can"
            rows.append(Row("  or, if", grams(other), f"the titrant was made with {made}"))
    if spirit is not None:
        rows.append(Row("methanol", say.vol(spirit.volume_l),
                        f"{spirit.percent_v:.1f} % of the oil; {spirit.molar_ratio:.1f} mol/mol; "
                        f"least {spirit.stoichiometric_percent:.1f} %"))
    for name, stage in zip(("  first", "  second"), sheet.stages, strict=False):
        rows.append(Row(name, grams(stage.mass_g), f"with {say.vol(stage.methanol_l)} of "
                        "methanol" + ("" if name == "  first" else
                                       " after the drain between")))
    return Section("Weigh and measure", tuple(rows), (POISON, CAUSTIC))


def _heat(sheet: Sheet, say: Wording) -> Section:
    here = sheet.ceiling
    if here is None:
        return Section("Heat", (Row("setpoint", "not known",
                                    "needs the reactor file with its altitude"),), (HOT,))
    limit = ("held just below the highest," if sheet.setpoint_c == here.aim_max_c else
             "highest allowed here")
    rows = [Row("setpoint", say.deg(sheet.setpoint_c), f"{limit} {say.limit(sheet.highest_c)}"),
            Row("ceiling", say.limit(here.alarm_c),
                f"alarm; trips at {say.limit(here.trip_c)}, {say.limit(here.guard_trip_c)}"),
            Row("methanol boils", say.deg(here.boiling_c),
                f"at {here.altitude_m:g} m; limits allow for low pressure")]
    if sheet.melting_h is not None:
        rows.append(_melting(*sheet.melting_h))
    warmer = sheet.setpoint_c is not None and sheet.batch.oil_start_c > sheet.setpoint_c
    if warmer:
        rows.append(Row("heating", "none", f"the oil comes at {say.deg(sheet.batch.oil_start_c)}; "
                        f"let it cool to {say.deg(sheet.setpoint_c)} before the dose"))
    elif sheet.heating is not None:
        rows.append(Row("heating", minutes(sheet.heating.time_min),
                        f"{sheet.heating.energy_kwh:.1f} kWh from "
                        f"{say.deg(sheet.batch.oil_start_c)}"
                        + ("; less once it is molten" if sheet.melting_h is not None else "")))
    else:
        rows.append(Row("heating", "not known", "the element cannot do it, or is not described"))
    return Section("Heat", tuple(rows), (HOT,))


def _melting(soft_h: float | None, hard_h: float | None) -> Row:
    """Set fat: hours of pulses before the heating."""
    if soft_h is None:
        return Row("melting", "hardly ever", "set fat, and too much is lost to the room: lag the "
                   "vessel, warm the room, or melt the fat in its drum")
    if hard_h is None:
        return Row("melting", f"from {soft_h:.0f} h", "set fat, in pulses; a hard one (tallow) "
                   "hardly ever in this room; green every hour")
    return Row("melting", f"{soft_h:.0f} to {hard_h:.0f} h", "set fat, in pulses; the long one is "
               "hard fat (tallow); somebody presses green every hour")


def _dose(sheet: Sheet, say: Wording) -> Section:
    batch, rows = sheet.batch, []
    by_k = sheet.methoxide_rise_k
    rise = "not known" if by_k is None else f"by {say.rise(by_k)}"
    rows.append(Row("methoxide warms", rise,
                    f"at most; dissolve {batch.dissolve_min:g} min; let it cool below "
                    f"{say.deg(35.0)}; above {say.deg(45.0)} it is refused"))
    rows.append(Row("add methoxide", minutes(batch.pour_min),
                    f"oil at most {say.limit(sheet.highest_c)}, element off for 2 min"
                    if sheet.highest_c is not None else "element off for 2 min"))
    if sheet.coast is not None:
        stick = "" if sheet.dip_dosed_mm is None else f"; dipstick {sheet.dip_dosed_mm:.0f} mm"
        rows.append(Row("lands at", say.deg(sheet.coast.lands_c),
                        "then coasts without heat" + stick))
        rows.append(Row("mix and react", minutes(sheet.coast.mixing_min),
                        f"at least 60 min; ends near {say.deg(sheet.coast.end_c)}; then check"))
    else:
        rows.append(Row("mix and react", minutes(60.0), "at least; then check"))
    return Section("Methoxide, dose, mix", tuple(rows), (SOLID,))


def _settle(sheet: Sheet, say: Wording) -> Section:
    rows = [Row("settle", minutes(sheet.batch.settle_h * 60.0),
                "first drain after 60 min and below " + say.deg(49.0))]
    if sheet.products is not None:
        layer = say.vols(sheet.products.glycerol_low_l, sheet.products.glycerol_high_l)
        rows.append(Row("glycerol", layer, "expected at the drain"))
    return Section("Settle, drain", tuple(rows), (GLYCEROL,))


def _finish(sheet: Sheet, say: Wording) -> Section:
    batch = sheet.batch
    waters = [f"{say.vol(water)} {'stir' if wash.stirred else 'mist'}"
              for water, wash in zip(sheet.wash_water_l, batch.washes, strict=False)]
    rows = [Row("wash water", waters[0] if waters else "not known",
                "then " + ", ".join(waters[1:]) if len(waters) > 1 else ""),
            Row("stand each", minutes(batch.wash_stand_min),
                f"stir {batch.wash_stir_min:g} min; until water is clear, pH as tap"),
            Row("dry", minutes(batch.dry_min),
                f"at {say.deg(batch.dry_c)}; clear is not dry")]
    if sheet.products is not None:
        rows.append(Row("fuel", say.vol(sheet.products.ester_l), "at most, if all of it turns"))
    return Section("Wash, dry", tuple(rows), (DRYING,))


def jar_sections(ladder: Ladder, say: Wording) -> list[Section]:
    """A test in three jars."""
    sheet, rows = ladder.sheet, []
    for number, rung in enumerate(ladder.rungs, start=1):
        rows.append(Row(f"jar {number}", f"{rung.mass_g:.2f} g",
                        f"in {rung.methanol_ml:.0f} mL of methanol; base "
                        f"{rung.base_g_per_l:g} g/L" + (", as planned" if number == 2 else "")))
    if not rows:
        rows.append(Row("jars", "not known", "until the titration is known"))
    if ladder.rungs:
        lightest_g = min(rung.mass_g for rung in ladder.rungs)
        rows.append(Row("scale", coarsest_step_words(lightest_g), "coarsest step that serves"))
    return [_oil(sheet, say),
            Section(f"Three jars of {say.vol(ladder.jar_l)} of oil each", tuple(rows),
                    (POISON, CAUSTIC, jar_caution(say))),
            Section("Then", (
                Row("shake", "5 min", "vent often; stand 60 min and look for the layer"),
                Row("take", "the least", "base that gives a clear layer and passes the check")))]
