"""What stands on the batch sheet, in order, as sections of rows: for the page and the wall.

Decides which numbers a person needs at the vessel, their words and digits, and which caution
stands beside them. Knows neither terminal nor HTML; the working is in sheet_working.py.
"""

from __future__ import annotations

from dataclasses import dataclass

from esterward.chemistry.jar import Ladder
from esterward.chemistry.sheet import Sheet
from esterward.cli.show import grams, limit, minutes, temperature, volume

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
JAR = ("Warm the oil in a water bath off the flame, at most 55 degC. Swirl open, then close, "
       "shake, and vent at once and often: warm methanol builds pressure.")


@dataclass(frozen=True, slots=True)
class Units:
    """What a person wants to read."""

    temperature: str = "degC"
    volume: str = "L"

    def deg(self, c: float | None) -> str:
        """A temperature of degC."""
        return temperature(c, self.temperature)

    def limit(self, c: float | None) -> str:
        """A limit of degC, rounded down."""
        return limit(c, self.temperature)

    def vol(self, litres: float | None) -> str:
        """A volume of L."""
        return volume(litres, self.volume)


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


def batch_sections(sheet: Sheet, units: Units) -> list[Section]:
    """The first page of a batch."""
    return [_oil(sheet, units), _weigh(sheet, units), _heat(sheet, units),
            _dose(sheet, units), _settle(sheet, units), _finish(sheet, units)]


def _oil(sheet: Sheet, units: Units) -> Section:
    warm = ""
    if sheet.warm_oil_l is not None and sheet.setpoint_c is not None:
        warm = f"measured cold; {units.vol(sheet.warm_oil_l)} at {units.deg(sheet.setpoint_c)}"
    if sheet.dip_oil_mm is not None:
        warm += f"; dipstick {sheet.dip_oil_mm:.0f} mm"
    rows = [Row("oil", units.vol(sheet.oil_l), warm)]
    judged = sheet.titration
    if judged is None:
        rows.append(Row("titration", "not known", "titrate a warm sample three times"))
    else:
        scatter = "" if judged.half_width_ml is None else f" +/- {judged.half_width_ml:.2f}"
        zone = f"; {sheet.zone.name}" if sheet.zone else ""
        acid = "" if sheet.ffa_percent is None else f"{sheet.ffa_percent:.2f} % free fatty acid"
        readings = ", ".join(f"{r:g}" for r in judged.readings_ml)
        rows.append(Row("titration", f"{judged.mean_ml:.2f}{scatter} mL",
                        f"from {readings}; {acid}{zone}"))
    return Section("Oil", tuple(rows))


def _weigh(sheet: Sheet, units: Units) -> Section:
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
        rows.append(Row("methanol", units.vol(spirit.volume_l),
                        f"{spirit.percent_v:.1f} % of the oil; {spirit.molar_ratio:.1f} mol/mol; "
                        f"least {spirit.stoichiometric_percent:.1f} %"))
    for name, stage in zip(("  first", "  second"), sheet.stages, strict=False):
        rows.append(Row(name, grams(stage.mass_g), f"with {units.vol(stage.methanol_l)} of "
                        "methanol; drain glycerol in between"))
    return Section("Weigh and measure", tuple(rows), (POISON, CAUSTIC))


def _heat(sheet: Sheet, units: Units) -> Section:
    here = sheet.ceiling
    if here is None:
        return Section("Heat", (Row("setpoint", "not known",
                                    "needs the reactor file with its altitude"),), (HOT,))
    rows = [Row("setpoint", units.deg(sheet.setpoint_c),
                f"highest allowed here {units.limit(sheet.highest_c)}"),
            Row("ceiling", units.limit(here.alarm_c),
                f"alarm; trips at {units.limit(here.trip_c)}, {units.limit(here.guard_trip_c)}"),
            Row("methanol boils", units.deg(here.boiling_c),
                f"at {here.altitude_m:g} m; limits allow for low pressure")]
    if sheet.heating is not None:
        rows.append(Row("heating", minutes(sheet.heating.time_min),
                        f"{sheet.heating.energy_kwh:.1f} kWh from "
                        f"{units.deg(sheet.batch.oil_start_c)}"))
    else:
        rows.append(Row("heating", "not known", "the element cannot do it, or is not described"))
    return Section("Heat", tuple(rows), (HOT,))


def _dose(sheet: Sheet, units: Units) -> Section:
    batch, rows = sheet.batch, []
    rise = "not known" if sheet.methoxide_rise_k is None else f"{sheet.methoxide_rise_k:.0f} K"
    rows.append(Row("methoxide warms", rise,
                    f"at most; dissolve {batch.dissolve_min:g} min; let it cool below "
                    f"{units.deg(35.0)}; above {units.deg(45.0)} it is refused"))
    rows.append(Row("add methoxide", minutes(batch.pour_min),
                    f"oil at most {units.limit(sheet.highest_c)}, element off for 2 min"
                    if sheet.highest_c is not None else "element off for 2 min"))
    if sheet.coast is not None:
        rows.append(Row("lands at", units.deg(sheet.coast.lands_c), "then coasts without heat"))
        rows.append(Row("mix and react", minutes(sheet.coast.mixing_min),
                        f"at least 60 min; ends near {units.deg(sheet.coast.end_c)}; then check"))
    else:
        rows.append(Row("mix and react", minutes(60.0), "at least; then check"))
    return Section("Methoxide, dose, mix", tuple(rows), (SOLID,))


def _settle(sheet: Sheet, units: Units) -> Section:
    rows = [Row("settle", minutes(sheet.batch.settle_h * 60.0),
                "first drain after 60 min and below " + units.deg(49.0))]
    if sheet.products is not None:
        rows.append(Row("glycerol", f"{units.vol(sheet.products.glycerol_low_l)} to "
                        f"{units.vol(sheet.products.glycerol_high_l)}", "expected at the drain"))
    return Section("Settle, drain", tuple(rows), (GLYCEROL,))


def _finish(sheet: Sheet, units: Units) -> Section:
    batch = sheet.batch
    waters = [f"{units.vol(water)} {'stir' if wash.stirred else 'mist'}"
              for water, wash in zip(sheet.wash_water_l, batch.washes, strict=False)]
    rows = [Row("wash water", waters[0] if waters else "not known",
                "then " + ", ".join(waters[1:]) if len(waters) > 1 else ""),
            Row("stand each", minutes(batch.wash_stand_min),
                f"stir {batch.wash_stir_min:g} min; until water is clear, pH as tap"),
            Row("dry", minutes(batch.dry_min),
                f"at {units.deg(batch.dry_c)}; clear is not dry")]
    if sheet.products is not None:
        rows.append(Row("fuel", units.vol(sheet.products.ester_l), "at most, if all of it turns"))
    return Section("Wash, dry", tuple(rows), (DRYING,))


def jar_sections(ladder: Ladder, units: Units) -> list[Section]:
    """A test in three jars."""
    sheet, rows = ladder.sheet, []
    for number, rung in enumerate(ladder.rungs, start=1):
        rows.append(Row(f"jar {number}", f"{rung.mass_g:.2f} g",
                        f"in {rung.methanol_ml:.0f} mL of methanol; base "
                        f"{rung.base_g_per_l:g} g/L" + (", as planned" if number == 2 else "")))
    if not rows:
        rows.append(Row("jars", "not known", "until the titration is known"))
    if ladder.scale_step_max_g is not None:
        rows.append(Row("scale", f"{ladder.scale_step_max_g:.2g} g", "coarsest step that serves"))
    return [_oil(sheet, units),
            Section(f"Three jars of {ladder.jar_l * 1000:.0f} mL of oil each", tuple(rows),
                    (POISON, CAUSTIC, JAR)),
            Section("Then", (
                Row("shake", "5 min", "vent often; stand 60 min and look for the layer"),
                Row("take", "the least", "base that gives a clear layer and passes the check")))]
